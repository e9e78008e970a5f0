"""The yearly summary's page in a real browser: WCAG 2.2 AA by axe-core, light, dark and in print, and no sideways scrolling at 320 px."""

import io
from collections.abc import Iterator
from typing import Any

import pypdf
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.browser.test_receipt_page import CHROMIUM, WCAG, Pages
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, phase

pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")]


@pytest.fixture(scope="module")
def pages() -> Iterator[Pages]:
    made = Pages()
    yield made
    made.close()


@pytest.fixture(scope="module")
def year(world: World) -> Place:
    """A utility with something in most figures."""
    place = world.place()
    place.new_assembly("svb", hazard="non_health")
    place.recorded(
        initial_test=phase(0.4), final_test=phase(2.0), repairs=[{"component": "check", "part": "disc", "action": "replaced"}]
    )
    world.clock.moment = NOON
    return place


def see(pages: Pages, place: Place, path: str, look: Any, **context: Any) -> Any:
    """What is found on a page that is asked for with a regulator's key."""
    headers = bearer(place.keys["regulator"]) | {"Accept": "text/html"}
    return pages.see(place.world.url + path, look, extra_http_headers=headers, **context)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("over_all", [False, True])
def test_everybody_can_read_it(pages: Pages, year: Place, scheme: str, over_all: bool) -> None:  # noqa: FBT001
    path = "/v1/summaries/2026" if over_all else f"{year.base}/summaries/2026"

    def checked(page: Page) -> list[dict[str, Any]]:
        found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response["violations"]
        return [{"rule": one["id"], "where": [node["html"] for node in one["nodes"]][:3]} for one in found]

    # Axe is a script; the page itself has none and is looked at with its policy set aside.
    assert see(pages, year, path, checked, java_script_enabled=True, bypass_csp=True, color_scheme=scheme) == []


def test_it_fits_a_phone_and_works_without_script(pages: Pages, year: Place) -> None:
    def wide(page: Page) -> tuple[float, str]:
        return page.locator("main").bounding_box()["width"], page.inner_text("main")  # type: ignore[index]

    width, result = see(pages, year, f"{year.base}/summaries/2026", wide, viewport={"width": 320, "height": 640})
    assert width <= 320
    assert "Initial test failed, passed after repair on the same visit" in result
    assert "100.0%" in result


def test_it_prints_on_two_numbered_pages_with_a_line_to_sign(pages: Pages, year: Place) -> None:
    def printed(page: Page) -> bytes:
        return page.pdf(prefer_css_page_size=True)

    sheets = pypdf.PdfReader(io.BytesIO(see(pages, year, f"{year.base}/summaries/2026", printed))).pages
    texts = [sheet.extract_text() for sheet in sheets]
    assert len(texts) == 2
    assert ["Page 1 of 2" in texts[0], "Page 2 of 2" in texts[1], "Signature" in texts[1]] == [True] * 3
    assert "Pressure vacuum breaker assembly" in texts[0]
    assert all(sheet.mediabox.width > sheet.mediabox.height for sheet in sheets)


def test_figures_are_right_aligned_and_the_matrix_scrolls_in_its_own_frame(pages: Pages, year: Place) -> None:
    def look(page: Page) -> tuple[set[str], float]:
        cells = page.locator("td.figure").all()[:40]
        return {cell.evaluate("it => getComputedStyle(it).textAlign") for cell in cells}, page.evaluate(
            "document.documentElement.scrollWidth"
        )

    aligned, width = see(
        pages,
        year,
        f"{year.base}/summaries/2026",
        look,
        viewport={"width": 320, "height": 640},
        java_script_enabled=True,
        bypass_csp=True,
    )
    assert (aligned, width) == ({"right"}, 320)
