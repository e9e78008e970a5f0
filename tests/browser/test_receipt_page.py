"""The receipt page in a real browser: what it says, that a forged or altered one says so, and that everybody can read it.

Accessibility is checked by axe-core against WCAG 2.2, levels A and AA, on every state of the page, light and dark; the codes on page
and paper are read by a QR reader that is not the library which made them.
"""

import datetime as dt
import io
import json
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import pypdf
import pytest
import zxingcpp
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Page, Playwright, sync_playwright

from tests.support.world import Place, World, phase

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")]
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
HOSTILE = "<script>document.title='taken'</script><img src=x onerror=alert(1)>\"'&"


class Pages:
    """A browser in a thread of its own: it brings an event loop, and the tests have one."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._playwright: Playwright = self._thread.submit(lambda: sync_playwright().start()).result()
        arguments = [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
        ]
        self._browser: Browser = self._thread.submit(
            lambda: self._playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        ).result()

    def see(self, url: str, look: Any, **context: Any) -> Any:
        """What `look` finds on the page at `url`; scripts are off unless the context says otherwise."""

        def act() -> Any:
            made = self._browser.new_context(**{"java_script_enabled": False, **context})
            page = made.new_page()
            listed: list[str] = []
            page.on("console", lambda message: listed.append(message.text))
            page.goto(url)
            try:
                return look(page)
            finally:
                # A refusal by the content security policy is reported there.
                assert [one for one in listed if "Content Security Policy" in one or "Refused" in one] == []
                made.close()

        return self._thread.submit(act).result()

    def close(self) -> None:
        """End the browser."""
        self._thread.submit(self._browser.close).result()
        self._thread.submit(self._playwright.stop).result()
        self._thread.shutdown()


@pytest.fixture(scope="module")
def pages() -> Iterator[Pages]:
    made = Pages()
    yield made
    made.close()


def page_of(place: Place, recorded: dict[str, Any]) -> str:
    """The address of a report's page."""
    answer = place.get(f"/reports/{recorded['report']['id']}/receipt")
    assert answer.status_code == 200, answer.text
    return place.world.url + str(answer.json()["page"])


def token_of(place: Place, recorded: dict[str, Any]) -> str:
    return str(place.get(f"/reports/{recorded['report']['id']}/receipt").json()["receipt"])


def words(page: Page) -> str:
    return page.inner_text("main")


def detector(place: Place) -> dict[str, Any]:
    """A passing test of a detector assembly, two lines long, with a hostile serial number."""
    assembly = place.new_assembly("rpda", serial_number=HOSTILE[:100], nominal_size={"size": 2, "units": {"length": "in"}})
    readings = [
        {**one, "line": line}
        for line in ("main", "bypass")
        for one in (
            {"component": "check_1", "closed_tight": True, "held_at": 6.4},
            {"component": "check_2", "closed_tight": True, "held_at": 1.4},
            {"component": "relief_valve", "opened": True, "opened_at": 2.6},
        )
    ]
    return place.recorded(
        assembly_id=assembly, initial_test={"shutoffs": {"inlet": "tight", "outlet": "tight"}, "readings": readings}
    )


def altered(place: Place, recorded: dict[str, Any]) -> None:
    """Change a report in the database, as only its owner could, with the triggers off."""
    owner = place.world.database.owner
    owner("ALTER TABLE record.report DISABLE TRIGGER USER")
    owner("UPDATE record.report SET verdict = replace(verdict, 'fail', 'pass') WHERE id = $1", recorded["report"]["id"])
    owner("ALTER TABLE record.report ENABLE TRIGGER USER")


def test_a_failing_test_is_reported_in_plain_words_with_each_reading_against_its_limit(pages: Pages, signed_place: Place) -> None:
    result = pages.see(page_of(signed_place, signed_place.recorded(check=0.6)), words)
    for said in (
        "Genuine",
        "The signature is valid",
        "Failed",
        "pressure vacuum breaker",
        "at least 1 psi",
        "0.6 psi",
        "NOT met",
        "certificate T-1",
        "calibrated 12 January 2026",
        "1 June 2026",
        "would still stop backsiphonage",
        "us-wa",
        "sha256:",
        "licensed tester decide",
    ):
        assert said in result, said


def test_nobody_is_named(pages: Pages, signed_place: Place) -> None:
    source = pages.see(page_of(signed_place, signed_place.recorded()), lambda page: page.content())
    # The tester's name, the premises' name and address, as the fixture registers them.
    for personal in ("Tester A", "Plot 1", "Sluice Lane"):
        assert personal not in source


def test_a_repair_shows_both_tests_and_what_was_mended(pages: Pages, signed_place: Place) -> None:
    repaired = signed_place.recorded(
        check=0.6, final_test=phase(2.1), repairs=[{"component": "check", "part": "disc", "action": "replaced"}]
    )
    result = pages.see(page_of(signed_place, repaired), words)
    assert result.index("Initial test: failed") < result.index("disc replaced") < result.index("Final test: passed")


def test_a_corrected_report_says_so_and_leads_to_the_one_that_corrects_it(pages: Pages, signed_place: Place) -> None:
    wrong = signed_place.recorded(check=1.8)
    signed_place.recorded(check=0.6, supersedes=wrong["report"]["id"], supersedes_because="The reading was 0.6.")

    def follow(page: Page) -> tuple[str, str]:
        before = words(page)
        page.click("text=Open the report that corrects this one")
        return before, words(page)

    before, after = pages.see(page_of(signed_place, wrong), follow)
    assert "corrected since" in before
    assert "0.6 psi" in after
    assert "corrected since" not in after


def test_a_forged_mark_says_plainly_that_it_is_not_genuine(pages: Pages, signed_place: Place) -> None:
    address = page_of(signed_place, signed_place.recorded())
    base, _, code = address.rpartition(".")
    other = page_of(signed_place, signed_place.recorded(check=0.5)).rpartition(".")[2]
    for forged in (f"{base}.{other}", f"{base}.{code[:-1]}", f"{base}.", base, f"{address.rpartition('/')[0]}/{uuid4()}.{code}"):
        answer = signed_place.world.client.get(forged)
        assert answer.status_code == 404, forged
        result = pages.see(forged, words)
        assert "NOT GENUINE" in result
        assert "psi" not in result


def test_an_altered_record_says_plainly_that_it_was_altered(pages: Pages, signed_place: Place) -> None:
    recorded = signed_place.recorded(check=0.6)
    address, token = page_of(signed_place, recorded), token_of(signed_place, recorded)
    altered(signed_place, recorded)
    assert signed_place.world.client.get(address).status_code == 409
    assert "ALTERED" in pages.see(address, words)
    assert signed_place.world.client.get(f"{address}/report.pdf").status_code == 404

    # Who holds the signed receipt still sees what was signed.
    def paste(page: Page) -> str:
        page.fill("textarea", token)
        page.click("button")
        return words(page)

    result = pages.see(f"{signed_place.world.url}/receipts", paste)
    assert "ALTERED" in result
    assert "0.6 psi" in result


def test_a_pasted_receipt_is_checked_without_scripts(pages: Pages, signed_place: Place) -> None:
    token = token_of(signed_place, signed_place.recorded(check=0.6))

    def paste(text: str) -> str:
        def act(page: Page) -> str:
            page.fill("textarea", text)
            page.click("button")
            return words(page)

        return str(pages.see(f"{signed_place.world.url}/receipts", act))

    # Line breaks, as mail puts them in, do no harm.
    assert "Not altered" in paste("\n".join(token[i : i + 70] for i in range(0, len(token), 70))).replace(
        "not altered", "Not altered"
    )
    head, body, signature = token.split(".")
    middle = len(body) // 2
    changed = body[:middle] + ("A" if body[middle] != "A" else "B") + body[middle + 1 :]
    for forged in (f"{head}.{changed}.{signature}", f"{head}.{body}.{signature[:-4]}AAAA", "e30.e30.e30"):
        result = paste(forged)
        assert "NOT GENUINE" in result
        assert "0.6 psi" not in result
    # What is no receipt is not called forged; the service's whole answer is taken for the receipt in it.
    for no_receipt in ("hello", HOSTILE, '{"receipt": 1}', "{"):
        assert "Not a receipt" in paste(no_receipt)
    assert "0.6 psi" in paste(json.dumps({"receipt": token, "kid": "x", "page": "/"}))


def test_times_are_reported_with_their_offset(pages: Pages, signed_place: Place) -> None:
    performed_at = signed_place.world.clock.now().astimezone(dt.timezone(dt.timedelta(hours=-7, minutes=-30)))
    result = pages.see(page_of(signed_place, signed_place.recorded(performed_at=performed_at.isoformat())), words)
    assert "1 June 2026, 11:30 (UTC-07:30)" in result
    assert "%" not in result


def test_a_hostile_word_stays_a_word(pages: Pages, signed_place: Place) -> None:
    address = page_of(signed_place, detector(signed_place))
    title, result = pages.see(address, lambda page: (page.title(), words(page)), java_script_enabled=True)
    assert title.startswith("Test of a reduced pressure detector assembly")
    assert HOSTILE[:100] in result


@pytest.mark.parametrize("width", [320, 768, 1280])
def test_no_page_has_to_be_pushed_sideways(pages: Pages, signed_place: Place, width: int) -> None:
    """WCAG 2.2, 1.4.10: at 320 CSS pixels nothing scrolls in two directions (a diagram may, within itself)."""

    def measure(page: Page) -> tuple[int, int]:
        return tuple(page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]"))

    for address in (page_of(signed_place, detector(signed_place)), f"{signed_place.world.url}/receipts"):
        needs, has = pages.see(address, measure, viewport={"width": width, "height": 800}, java_script_enabled=True)
        assert needs <= has


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_meets_wcag_2_2_aa(pages: Pages, signed_place: Place, scheme: str) -> None:
    failing, changed = signed_place.recorded(check=0.6), signed_place.recorded()
    addresses = [page_of(signed_place, one) for one in (failing, detector(signed_place), changed)]
    altered(signed_place, changed)
    addresses += [addresses[0] + "x", f"{signed_place.world.url}/receipts"]

    def judge(page: Page) -> list[str]:
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response
        # An axe that found nothing to look at would find no fault either.
        assert found["passes"]
        return [f"{one['id']}: {node['html'][:200]}" for one in found["violations"] for node in one["nodes"]]

    for address in addresses:
        # axe itself is a script, which the page's own policy would refuse.
        faults = pages.see(
            address, judge, color_scheme=scheme, viewport={"width": 320, "height": 800}, java_script_enabled=True, bypass_csp=True
        )
        assert faults == [], address


def test_axe_finds_a_fault_where_there_is_one(pages: Pages, signed_place: Place) -> None:
    def judge(page: Page) -> set[str]:
        page.evaluate("document.querySelector('label').remove(); document.documentElement.removeAttribute('lang')")
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response
        return {one["id"] for one in found["violations"]}

    url = f"{signed_place.world.url}/receipts"
    assert {"label", "html-has-lang"} <= pages.see(url, judge, java_script_enabled=True, bypass_csp=True)


def codes(image: Image.Image) -> list[str]:
    return [one.text for one in zxingcpp.read_barcodes(image)]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_code_on_the_page_leads_to_the_page(pages: Pages, signed_place: Place, scheme: str) -> None:
    address = page_of(signed_place, signed_place.recorded())
    shot = pages.see(address, lambda page: page.locator(".code").screenshot(), color_scheme=scheme)
    assert codes(Image.open(io.BytesIO(shot))) == [address]


def test_what_is_printed_is_black_on_white_and_carries_the_code(pages: Pages, signed_place: Place) -> None:
    address = page_of(signed_place, signed_place.recorded(check=0.6))

    def look(page: Page) -> tuple[str, str, bytes]:
        page.emulate_media(media="print", color_scheme="dark")
        colours = page.evaluate("[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]")
        return (*colours, page.locator(".code").screenshot())

    ink, paper, shot = pages.see(address, look, java_script_enabled=True)
    assert (ink, paper) == ("rgb(0, 0, 0)", "rgb(255, 255, 255)")
    assert codes(Image.open(io.BytesIO(shot))) == [address]
    printed = pypdf.PdfReader(io.BytesIO(pages.see(address, lambda page: page.pdf(), java_script_enabled=True)))
    text = " ".join(page.extract_text() for page in printed.pages)
    assert "0.6 psi" in text


@pytest.mark.parametrize("which", ["failing", "detector"])
def test_the_report_to_print_says_what_the_page_says(pages: Pages, signed_place: Place, which: str) -> None:
    recorded = signed_place.recorded(check=0.6) if which == "failing" else detector(signed_place)
    address = page_of(signed_place, recorded)
    answer = signed_place.world.client.get(f"{address}/report.pdf")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    read = pypdf.PdfReader(io.BytesIO(answer.content))
    text = " ".join(" ".join(page.extract_text().split()) for page in read.pages)
    rows = pages.see(address, lambda page: page.locator("tbody td").all_inner_texts())
    assert len(rows) >= 15
    for cell in {*rows} - {"–"}:
        assert " ".join(cell.split()) in text, cell
    assert "Local codes and a licensed tester decide" in text
    found = [code for page in read.pages for image in page.images if image.image for code in codes(image.image)]
    assert found == [address]
    assert read.metadata is not None
    assert read.metadata.title.startswith("Test of a")


def test_a_page_is_kept_and_listed_by_nobody(signed_world: World, signed_place: Place) -> None:
    for address in (page_of(signed_place, signed_place.recorded()), f"{signed_world.url}/receipts"):
        headers = signed_world.client.get(address).headers
        assert headers["cache-control"] == "private, no-store"
        assert headers["x-robots-tag"] == "noindex"
        assert "script-src" not in headers["content-security-policy"]
        assert "default-src 'none'" in headers["content-security-policy"]
