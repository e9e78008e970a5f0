"""Every list as a file: the same items as its pages, as CSV (RFC 4180) and NDJSON, by `format` or by `Accept`."""

import csv
import io
import json
from typing import Any

import httpx
import pytest

from service import endpoints as calls
from service.http import endpoint
from service.http.media_types import CSV
from tests.support.world import Place, bearer

LISTS = {
    declared.id: declared
    for declared in calls.operations
    if declared.is_list and declared.path.count("{") == 1 and "{utility:str}" in declared.path
}


def got(place: Place, path: str, key: str = "utility", accept: str = "*/*", **query: str) -> httpx.Response:
    """The answer to GET of a path, from a caller that sets no header of its own unless it says so."""
    return place.world.client.get(path, params=query or None, headers=bearer(place.keys[key]) | {"Accept": accept})


def paged(place: Place, path: str, **query: str) -> list[Any]:
    """The items of a list, two at a time."""
    found: list[Any] = []
    answer = got(place, path, limit="2", **query).json()
    while True:
        found += answer["items"]
        if answer["next"] is None:
            return found
        answer = got(place, answer["next"]).json()


def rows(answer: httpx.Response) -> list[dict[str, str]]:
    """The rows of a CSV file, by its headings."""
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


@pytest.fixture
def filled(place: Place) -> Place:
    """A utility with several things of the kinds that are many."""
    for number in range(5):
        place.made("premises", name=f"=P {number}", address="A", connection="fire", location={"latitude": number, "longitude": 2})
        place.made("testers", name=f"T {number}", certificates=[])
        place.made(
            "gauges", serial_number=f"G-{number + 7}", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1, calibrations=[]
        )
        place.recorded(assembly_id=place.new_assembly("pvb"))
    return place


def test_there_are_many_lists() -> None:
    assert {"listPremises", "listTesters", "listGauges", "listReports", "listReviews", "listNotices"} <= set(LISTS)


@pytest.mark.parametrize("name", ["listPremises", "listTesters", "listGauges", "listReports", "listInspections"])
def test_a_file_holds_what_the_pages_hold(filled: Place, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(endpoint, "AT_ONCE", 2)
    path = LISTS[name].path.replace("{utility:str}", filled.code)
    items = paged(filled, path)
    lines = [json.loads(line) for line in got(filled, path, format="ndjson").text.splitlines()]
    assert [line["id"] for line in lines] == [item["id"] for item in items]
    for item, line in zip(items, lines, strict=True):
        assert {member: line[member] for member in item} == item
    by_name, by_header = got(filled, path, format="csv"), got(filled, path, accept=CSV)
    assert by_name.text == by_header.text
    table = rows(by_name)
    assert [row["id"] for row in table] == [item["id"] for item in items]
    assert len(got(filled, path, format="csv", limit="3").text.splitlines()) == min(3, len(items)) + 1


@pytest.mark.parametrize("name", LISTS)
def test_every_list_of_a_utility_is_a_file_too(filled: Place, name: str) -> None:
    path = LISTS[name].path.replace("{utility:str}", filled.code)
    page = got(filled, path)
    if page.status_code != 200:
        pytest.skip(f"It needs more than a utility: {page.json()['detail']}")
    assert len(rows(got(filled, path, format="csv"))) == len(page.json()["items"])
    assert len(got(filled, path, format="ndjson").text.splitlines()) == len(page.json()["items"])
    wrong = got(filled, path, format="pdf")
    assert (wrong.status_code, wrong.json()["errors"][0]["parameter"]) == (400, "format")


def test_columns_are_the_contract_s_members_and_no_cell_is_a_formula(filled: Place) -> None:
    row = rows(got(filled, f"{filled.base}/premises", format="csv"))[-1]
    assert (row["name"], row["location.latitude"], row["location.longitude"]) == ("'=P 4", "4.0", "2.0")
    gauge = rows(got(filled, f"{filled.base}/gauges", format="csv"))[0]
    assert gauge["units.pressure"] == "psi"
    assert [item["calibrated_on"] for item in json.loads(gauge["calibrations"])] == ["2025-01-15", "2026-01-12"]


def test_a_testing_company_gets_no_contact_in_a_file(place: Place) -> None:
    place.made("premises", name="P", address="A", connection="fire", contact={"name": "R. Rowan", "telephone": "555-0101"})
    whole, seen = (got(place, f"{place.base}/premises", key, format="csv").text for key in ("utility", "testing_company"))
    assert "555-0101" in whole
    assert "555-0101" not in seen


def test_assemblies_and_summaries_are_chosen_by_format_too(filled: Place) -> None:
    assert rows(got(filled, f"{filled.base}/standings", format="csv"))[0]["status"] == "untested"
    assert got(filled, f"{filled.base}/assemblies", format="geojson").json()["type"] == "FeatureCollection"
    assert rows(got(filled, f"{filled.base}/summaries/2026", format="csv"))[-1]["kind"] == "total"
