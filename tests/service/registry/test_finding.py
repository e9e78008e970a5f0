"""Everything can be found: by every mark to the letter, by the beginnings of words, testers and gauges that expire, reports by what they are."""

import csv
import datetime as dt
import io
from typing import Any

import pytest

from tests.support.world import Place, bearer, certificate, phase


def ids(place: Place, path: str, key: str = "utility", **query: str) -> list[str]:
    """The ids that a list has, all pages of two."""
    answer = place.get(path, key, **query | {"limit": "2"})
    found: list[str] = []
    while True:
        assert answer.status_code == 200, answer.text
        page = answer.json()
        found += [item["assembly_id" if path == "/standings" else "id"] for item in page["items"]]
        if page["next"] is None:
            return found
        answer = place.world.client.get(page["next"], headers=bearer(place.keys[key]))


@pytest.fixture
def town(place: Place) -> dict[str, str]:
    """Names of a few things: the ids by those."""
    mill = place.made("premises", name="Café Mühle, North", address="12-14 Sluice Lane", connection="fire", reference="C-100")[
        "id"
    ]
    yard = place.made("premises", name="Mill Yard", address="9 Fen Street", connection="fire", reference="C-1000")["id"]
    tester = place.made("testers", name="Anna Alder", certificates=[certificate(certificate="BAT 77-A")])["id"]
    gauge = place.made(
        "gauges", serial_number="GX 500/7", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1, calibrations=[]
    )["id"]
    made: dict[str, Any] = {"kind": "rp", "hazard": "health"}
    one = place.made("assemblies", premises_id=mill, serial_number="A-100", assembly_number="7", meter="M-7", **made)["id"]
    two = place.made("assemblies", premises_id=yard, serial_number="a-1009", assembly_number="70", meter="M-70", **made)["id"]
    return {"mill": mill, "yard": yard, "tester": tester, "gauge": gauge, "one": one, "two": two}


def test_every_mark_finds_to_the_letter(place: Place, town: dict[str, str]) -> None:
    assert ids(place, "/premises", reference="C-100") == [town["mill"]]
    assert ids(place, "/premises", reference="c-100") == []
    assert ids(place, "/testers", certificate="BAT 77-A") == [town["tester"]]
    assert ids(place, "/testers", certificate="BAT 77") == []
    assert ids(place, "/gauges", serial_number="GX 500/7") == [town["gauge"]]
    for path in ("/assemblies", "/standings"):
        for name, value in (("serial_number", "A-100"), ("assembly_number", "7"), ("meter", "M-7"), ("reference", "C-100")):
            for sort in ("assembly_id", "due_on"):
                assert ids(place, path, sort=sort, **{name: value}) == [town["one"]], name
        assert ids(place, path, serial_number="A-100", reference="C-1000") == []
        assert ids(place, path, reference="C-100", status="untested", kind="rp") == [town["one"]]
        assert ids(place, path, reference="C-100", status="failed") == []


@pytest.mark.parametrize(
    ("q", "found"),
    [
        ("cafe", (["mill"], ["one"])),
        ("CAFÉ sluice", (["mill"], ["one"])),
        ("muh", (["mill"], ["one"])),
        ("mi", (["yard"], ["two"])),
        ("m", (["mill", "yard"], ["one", "two"])),
        ("12-14", (["mill"], ["one"])),
        ("14", (["mill"], ["one"])),
        ("c100", (["mill", "yard"], ["one", "two"])),
        ("a-100", ([], ["one", "two"])),
        ("a1009", ([], ["two"])),
        ("1009 fen", ([], ["two"])),
        ("mill a-1009", ([], ["two"])),
        ("mill nowhere", ([], [])),
    ],
)
def test_the_beginnings_of_words_find_names_addresses_and_numbers(
    place: Place, town: dict[str, str], monkeypatch: pytest.MonkeyPatch, q: str, found: tuple[list[str], list[str]]
) -> None:
    premises, assemblies = found
    for few in (500, 0):
        # With none counted as few, every word is looked up along the list.
        monkeypatch.setattr("service.registry.finding.FEW", few)
        assert sorted(ids(place, "/premises", q=q)) == sorted(town[name] for name in premises)
        for sort in ("assembly_id", "due_on"):
            assert sorted(ids(place, "/standings", q=q, sort=sort)) == sorted(town[name] for name in assemblies)


def test_testers_and_gauges_are_found_by_words_and_what_changed_is_found_as_it_is_now(place: Place, town: dict[str, str]) -> None:
    assert ids(place, "/testers", q="alder 77") == [town["tester"]]
    assert ids(place, "/gauges", q="gx500") == []
    assert ids(place, "/gauges", q="500") == [town["gauge"]]
    assert ids(place, "/gauges", q="gx 5007") == [town["gauge"]]
    headers = bearer(place.keys["utility"]) | {"If-Match": '"1"', "Content-Type": "application/merge-patch+json"}
    changed = place.world.client.patch(f"{place.base}/testers/{town['tester']}", json={"name": "Berta Birch"}, headers=headers)
    assert changed.status_code == 200
    assert (ids(place, "/testers", q="alder"), ids(place, "/testers", q="birch")) == ([], [town["tester"]])


def test_a_search_without_a_word_is_refused(place: Place) -> None:
    for q in ("?!", "a b c d e f g h i"):
        answer = place.get("/premises", q=q)
        assert (answer.status_code, answer.json()["errors"][0]["code"]) == (422, "search_words")
    assert place.get("/premises", q="").status_code == 400


def test_a_testing_company_finds_what_it_sees_and_never_a_contact(place: Place, town: dict[str, str]) -> None:
    company = place.organisations["testing_company"]
    place.world.operator.put(f"{place.base}/assembly-grants/{company}", json={"assemblies": "listed"}).raise_for_status()
    place.world.operator.put(f"{place.base}/assembly-grants/{company}/{town['one']}").raise_for_status()
    assert ids(place, "/standings", "testing_company", q="m") == [town["one"]]
    assert ids(place, "/premises", "testing_company", q="m") == [town["mill"]]
    assert ids(place, "/standings", "testing_company", serial_number="a-1009") == []
    place.made("premises", name="P", address="A", connection="fire", contact={"name": "Zacharias", "telephone": "555-0101"})
    assert ids(place, "/premises", q="zacharias") == ids(place, "/premises", q="555") == []


def test_testers_and_gauges_that_expire_are_listed_the_earliest_first(place: Place) -> None:
    # The world's own tester holds a certificate to 2028-02-29, and its gauge was calibrated on 2026-01-12.
    first = place.made(
        "testers", name="F", certificates=[certificate(valid_until="2026-07-01"), certificate(valid_until="2026-06-01")]
    )["id"]
    second = place.made("testers", name="S", certificates=[certificate(valid_until="2026-06-20")])["id"]
    place.made("testers", name="N", certificates=[])
    assert ids(place, "/testers", expires_before="2026-07-02") == [second, first]
    assert ids(place, "/testers", expires_before="2026-07-01") == [second]
    assert ids(place, "/testers", expires_before="2028-03-01") == [second, first, place.tester]
    gauge = place.made(
        "gauges",
        serial_number="G-2",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": "2025-08-31"}, {"calibrated_on": "2024-01-01"}],
    )["id"]
    # The rulebook has 12 months for a gauge: the last day is the same day of the next year.
    assert ids(place, "/gauges", expires_before="2026-08-31") == []
    assert ids(place, "/gauges", expires_before="2026-09-01") == [gauge]
    assert ids(place, "/gauges", expires_before="2027-01-13") == [gauge, place.gauge]
    assert ids(place, "/gauges", expires_before="0001-01-01") == []
    assert len(ids(place, "/gauges", expires_before="9999-12-31")) == 2


def test_reports_are_found_by_what_they_are(place: Place) -> None:
    tester = place.made("testers", name="T2", certificates=[certificate(certificate="T-2")])["id"]
    gauge = place.made(
        "gauges",
        serial_number="G-2",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": "2026-02-01"}],
    )["id"]
    first = place.recorded(check=1.7)["report"]["id"]
    place.world.clock.pass_by(days=1)
    failed = place.recorded(check=0.4, tester_id=tester)["report"]["id"]
    place.world.clock.pass_by(days=1)
    near = place.recorded(check=1.1, gauge_id=gauge, assembly_id=place.new_assembly("pvb"))
    assert "near_limit" in [flag["code"] for flag in near["verdict"]["flags"]]
    near_id = near["report"]["id"]
    earlier = place.recorded(check=1.6, performed_at="2026-05-20T09:00:00-07:00", assembly_id=place.new_assembly("pvb"))
    earlier_id = earlier["report"]["id"]
    assert ids(place, "/reports") == [first, failed, near_id, earlier_id]
    assert ids(place, "/reports", tester_id=tester) == [failed]
    assert ids(place, "/reports", tester_id=place.tester) == [earlier_id, first, near_id]
    assert ids(place, "/reports", gauge_id=gauge) == [near_id]
    assert ids(place, "/reports", outcome="fail") == [failed]
    assert ids(place, "/reports", outcome="incomplete") == []
    assert ids(place, "/reports", outcome="pass", acceptance="accepted") == [first, near_id, earlier_id]
    assert near_id in ids(place, "/reports", flag="near_limit")
    assert ids(place, "/reports", flag="near_limit", tester_id=tester) == []
    assert ids(place, "/reports", performed_before="2026-06-02") == [earlier_id, first]
    assert ids(place, "/reports", performed_from="2026-06-02", performed_before="2026-06-04") == [failed, near_id]
    assert ids(place, "/reports", received_from="2026-06-02T19:00:00Z") == [failed, near_id, earlier_id]
    assert ids(place, "/reports", received_before="2026-06-02T12:00:00-07:00") == [first]
    assert place.get("/reports", received_from="2026-06-02T19:00:00").status_code == 400


def test_a_file_of_reports_has_a_column_a_reading(place: Place) -> None:
    place.recorded(check=1.7, final_test=phase(1.8), repairs=[{"component": "check", "part": "disc", "action": "cleaned"}])
    place.recorded(check=1.9)
    rows = list(csv.DictReader(io.StringIO(place.get("/reports", format="csv").text, newline="")))
    assert [row["initial_test.check.held_at"] for row in rows] == ["1.7", "1.9"]
    assert [row["final_test.check.held_at"] for row in rows] == ["1.8", ""]
    assert (rows[0]["initial_test.air_inlet.opened_fully"], rows[0]["units.pressure"], rows[0]["line_pressure"]) == (
        "true",
        "psi",
        "62.0",
    )
    [first, _] = place.get("/reports", readings="true").json()["items"]
    assert first["initial_test"]["readings"] == phase(1.7)["readings"]
    assert "initial_test" not in place.get("/reports").json()["items"][0]
    assert dt.datetime.fromisoformat(first["performed_at"])
