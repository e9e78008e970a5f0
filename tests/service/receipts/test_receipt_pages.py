"""The page of a receipt is made once for everybody, and again whenever anything that it says has changed."""

from typing import Any

import pytest

from service.receipts import page as receipt
from service.receipts.open_report import Opened
from service.receipts.page import PageCache
from tests.support.world import Place, bearer, phase


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The state of each page that was made, and not taken from those kept."""
    states: list[str] = []
    make = receipt.receipt

    def counted(opened: Opened, result: Any, address: str) -> bytes:
        states.append(opened.state)
        return make(opened, result, address)

    monkeypatch.setattr(receipt, "receipt", counted)
    return states


def page_of(place: Place, report_id: str) -> str:
    return str(place.get(f"/reports/{report_id}/receipt").json()["page"])


def test_a_page_is_made_once_for_whoever_reads_it(signed_place: Place, made: list[str]) -> None:
    page = page_of(signed_place, signed_place.recorded(check=0.6, final_test=phase(2.1))["report"]["id"])
    client = signed_place.world.client
    answers = [client.get(page) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200] * 3
    assert len({answer.text for answer in answers}) == 1
    assert made == ["genuine"]
    # The page holds the address by which it was read, in its QR code and in words.
    other = client.get(page, headers={"Host": "water.example"})
    assert "water.example/receipts/" in other.text
    assert "water.example" not in client.get(page).text
    assert made == ["genuine"] * 2


def test_a_page_follows_day_register_correction_and_tampering(signed_place: Place, made: list[str]) -> None:
    place, client = signed_place, signed_place.world.client
    first = place.recorded()["report"]["id"]
    page = page_of(place, first)
    assert "next test due" in client.get(page).text
    place.world.clock.pass_by(days=700)
    assert "OVERDUE" in client.get(page).text
    assembly = f"{place.base}/assemblies/{place.assembly}"
    match = {"If-Match": client.get(assembly, headers=bearer(place.keys["utility"])).headers["ETag"]}
    patch = {"Content-Type": "application/merge-patch+json"} | match | bearer(place.keys["utility"])
    client.patch(assembly, content=b'{"serial_number": "SN-after"}', headers=patch).raise_for_status()
    assert "SN-after" in client.get(page).text
    place.recorded(check=1.6, supersedes=first, supersedes_because="misread")
    assert "corrected since" in client.get(page).text
    assert made == ["genuine"] * 3 + ["superseded"]
    place.world.database.owner("ALTER TABLE record.report DISABLE TRIGGER ALL")
    place.world.database.owner("UPDATE record.report SET verdict = replace(verdict, '1.8', '2.8') WHERE id = $1", first)
    place.world.database.owner("ALTER TABLE record.report ENABLE TRIGGER ALL")
    answer = client.get(page)
    assert (answer.status_code, "SN-after" in answer.text) == (409, False)


def test_what_does_not_exist_fills_no_memory(signed_place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    pages = PageCache(2)
    monkeypatch.setattr("service.receipts.pages_api.PAGES", pages)
    client = signed_place.world.client
    for number in range(5):
        assert client.get(f"/receipts/{signed_place.code}/{number}.x").status_code == 404
    assert len(pages) == 0


def test_kept_pages_are_bounded_and_the_last_read_stay() -> None:
    pages = PageCache(2)
    keys = [PageCache.key(Opened(state="genuine", utility=code), "http://127.0.0.1/") for code in "abc"]
    assert len(set(keys)) == 3
    pages.keep(keys[0], b"a")
    pages.keep(keys[1], b"b")
    assert pages.get(keys[0]) == b"a"
    pages.keep(keys[2], b"c")
    assert [pages.get(key) for key in keys] == [b"a", None, b"c"]
