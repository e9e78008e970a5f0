"""Screenings over HTTP: what a run finds in a record, that running again changes nothing, who sees it, and what people decide."""

import datetime as dt
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.screenings.geodesy import metres_at_most, metres_between
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, phase

DAY = dt.datetime(2026, 5, 12, 9, tzinfo=dt.timezone(dt.timedelta(hours=-7)))


def run(place: Place, **parameters: Any) -> dict[str, Any]:
    answer = place.world.client.post(f"{place.base}/screenings/runs", params=parameters, headers=bearer(place.keys["utility"]))
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def listed(place: Place, **parameters: Any) -> list[dict[str, Any]]:
    answer = place.get("/screenings", **parameters)
    assert answer.status_code == 200, answer.text
    return list(answer.json()["items"])


def decide(place: Place, screening: dict[str, Any], key: str = "utility", tag: str | None = None, **document: Any) -> Any:
    result = {
        "disposition": "explained",
        "because": "The clock of the app was wrong.",
        "decided_by": "Programme office",
    } | document
    headers = bearer(place.keys[key]) | {"If-Match": tag or f'"{screening["version"]}"'}
    return place.world.client.patch(f"{place.base}/screenings/{screening['id']}", json=result, headers=headers)


def at(place: Place, moment: dt.datetime, **changes: Any) -> str:
    return str(place.recorded(performed_at=moment.isoformat(), **changes)["report"]["id"])


@pytest.fixture(scope="module")
def screened(world: World) -> Iterator[Place]:
    """A utility with one of everything that a few reports can show, screened once."""
    place = world.place()
    far = place.made("premises", name="Far", address="Far", connection="fire", location={"latitude": 48.0, "longitude": -122.0})
    near = place.made("premises", name="Near", address="N", connection="fire", location={"latitude": 47.0, "longitude": -122.0})
    facts = {"kind": "pvb", "hazard": "health", "purpose": "point_of_use"}
    there = place.made("assemblies", premises_id=far["id"], **facts, serial_number="S-77")["id"]
    here = place.made("assemblies", premises_id=near["id"], **facts, serial_number="s-77")["id"]
    at(place, DAY.replace(hour=2), check=1.7)
    at(place, DAY, assembly_id=here, check=1.6)
    at(place, DAY + dt.timedelta(minutes=30), assembly_id=there, check=1.5)
    for minutes in range(14):
        at(place, DAY + dt.timedelta(days=1, minutes=3 * minutes), check=1.2 + minutes / 10)
    wrong = at(place, DAY.replace(day=20, hour=3), check=1.7)
    at(place, DAY.replace(day=20, hour=13), check=1.7, supersedes=wrong, supersedes_because="Typed wrong.")
    for serial, size in (("S-78", 1.0), ("Q-12345", 1.0), ("Q-12345", 2.0)):
        thing = world.client.get(f"{place.base}/assemblies/{place.assembly}", headers=bearer(place.keys["utility"]))
        world.client.patch(
            f"{place.base}/assemblies/{place.assembly}",
            json={"serial_number": serial, "nominal_size": {"size": size, "units": {"length": "in"}}},
            headers=bearer(place.keys["utility"]) | {"If-Match": thing.headers["etag"]},
        ).raise_for_status()
    made = run(place)
    assert (made["tests"], made["found"], made["new"], made["renewed"]) == (18, 6, 6, 0)
    yield place
    world.clock.moment = NOON


def test_a_run_points_out_what_the_record_shows(screened: Place) -> None:
    found = listed(screened)
    assert sorted(one["screen"] for one in found) == [
        "identity_changed",
        "identity_changed",
        "implausible_hour",
        "serial_number_shared",
        "too_far_to_travel",
        "too_many_tests",
    ]
    for one in found:
        assert one["disposition"] == "open"
        assert 0 < one["false_alarms"] <= 0.05
        assert "not a finding of fault" in one["caution"]
    by_screen = {one["screen"]: one for one in found}
    travel = by_screen["too_far_to_travel"]
    assert travel["evidence"]["figures"]["kilometres"] == pytest.approx(metres_between(47, -122, 48, -122) / 1000, abs=0.001)
    assert (travel["subject"], travel["subject_id"]) == ("tester", screened.tester)
    # Reported in the utility's own time zone.
    assert "02:00" in by_screen["implausible_hour"]["message"]
    # The report that was dated at night by a slip is superseded, and says nothing.
    assert by_screen["implausible_hour"]["on"] == "2026-05-12"


def test_running_again_changes_nothing(screened: Place) -> None:
    before = listed(screened)
    again = run(screened)
    assert (again["found"], again["new"], again["renewed"]) == (6, 0, 0)
    assert listed(screened) == before


def test_a_test_without_a_time_of_day_says_nothing_of_travel(place: Place) -> None:
    """Midnight to the second is a day whose time was not reported; the tests on either side of it are compared with each other."""
    spots = []
    for latitude in (47.0, 48.0):
        premises = place.made(
            "premises", name="P", address="A", connection="fire", location={"latitude": latitude, "longitude": -122.0}
        )
        facts = {"kind": "pvb", "hazard": "health", "purpose": "point_of_use"}
        spots.append(place.made("assemblies", premises_id=premises["id"], **facts)["id"])
    at(place, DAY.replace(hour=23, minute=50) - dt.timedelta(days=1), assembly_id=spots[0])
    at(place, DAY.replace(hour=0), assembly_id=spots[1], check=1.5)
    at(place, DAY.replace(hour=0, minute=20), assembly_id=spots[1], check=1.4)
    run(place)
    [found] = listed(place, screen="too_far_to_travel")
    assert found["evidence"]["figures"]["minutes"] == 30


def test_an_earlier_year_is_looked_at_when_asked_for(place: Place) -> None:
    at(place, dt.datetime(2024, 3, 4, 2, tzinfo=dt.timezone(dt.timedelta(hours=-8))))
    assert run(place)["found"] == 0
    result = run(place, since="2024-06-01")
    assert (result["since"], result["new"]) == ("2024-01-01", 1)


def test_open_evidence_is_renewed_and_decided_evidence_stands(place: Place) -> None:
    for minutes in range(14):
        at(place, DAY + dt.timedelta(minutes=3 * minutes), check=1.2 + minutes / 10)
    run(place)
    [one] = listed(place)
    at(place, DAY + dt.timedelta(minutes=59), check=1.25)
    assert run(place)["renewed"] == 1
    [renewed] = listed(place)
    assert (renewed["id"], renewed["version"]) == (one["id"], 2)
    assert renewed["evidence"]["figures"]["in_the_day"] == 15
    assert decide(place, renewed).status_code == 200
    at(place, DAY + dt.timedelta(minutes=58), check=1.35)
    assert run(place)["renewed"] == 0
    assert listed(place)[0]["evidence"] == renewed["evidence"]


def test_a_decision_is_kept_with_all_before_it(screened: Place, world: World) -> None:
    [one] = listed(screened, screen="implausible_hour")
    first = decide(screened, one)
    assert (first.status_code, first.headers["etag"], first.json()["disposition"]) == (200, '"2"', "explained")
    assert first.json()["decision"]["because"] == "The clock of the app was wrong."
    stale = decide(screened, one, disposition="dismissed")
    assert (stale.status_code, stale.json()["type"]) == (412, "/problems/stale")
    second = decide(screened, first.json(), disposition="confirmed", because="The tester says so.")
    read = screened.get(f"/screenings/{one['id']}")
    assert read.headers["etag"] == second.headers["etag"] == '"3"'
    assert [row["disposition"] for row in read.json()["history"]] == ["explained", "confirmed"]
    assert read.json()["decision"] == read.json()["history"][-1]
    assert read.json()["history"][0]["organisation_id"] == screened.organisations["utility"]
    assert one["id"] not in [row["id"] for row in listed(screened, disposition="open")]
    assert [row["id"] for row in listed(screened, disposition="confirmed")] == [one["id"]]
    path = f"{screened.base}/screenings/{one['id']}"
    without = world.client.patch(path, json={}, headers=bearer(screened.keys["utility"]))
    assert without.status_code in (400, 428)


def test_a_decision_says_why_and_who(screened: Place) -> None:
    [one] = listed(screened, screen="too_far_to_travel")
    refused = decide(screened, one, disposition="guilty", because="", extra=1)
    assert refused.status_code == 400
    assert {row["pointer"] for row in refused.json()["errors"]} == {"/disposition", "/because", "/extra"}


def test_screenings_are_found_by_what_they_are_about(screened: Place) -> None:
    every = listed(screened)
    assert listed(screened, tester_id=screened.tester) == [one for one in every if one["subject"] == "tester"]
    of_assembly = listed(screened, assembly_id=screened.assembly)
    assert {one["screen"] for one in of_assembly} == {"identity_changed", "implausible_hour", "too_many_tests"}
    assert listed(screened, assembly_id=uuid4()) == []
    assert listed(screened, gauge_id=screened.gauge) == []
    assert {one["on"] for one in listed(screened, since="2026-05-13")} <= {"2026-05-13", "2026-06-01"}
    pages: list[str] = []
    path: str | None = f"{screened.base}/screenings?limit=2"
    while path is not None:
        answer = screened.world.client.get(path, headers=bearer(screened.keys["regulator"])).json()
        pages += [one["id"] for one in answer["items"]]
        path = answer["next"]
    assert pages == [one["id"] for one in every]


def test_a_testing_company_sees_none_of_it_and_a_regulator_only_reads(screened: Place, world: World) -> None:
    [one, *_] = listed(screened)
    for path in ("/screenings", f"/screenings/{one['id']}"):
        assert screened.get(path, key="testing_company").status_code == 403
        assert screened.get(path, key="regulator").status_code == 200
        assert world.operator.get(screened.base + path).status_code == 200
    for key in ("testing_company", "regulator"):
        assert decide(screened, one, key=key).status_code == 403
        path = f"{screened.base}/screenings/runs"
        assert world.client.post(path, headers=bearer(screened.keys[key])).status_code == 403
    # Nor does the change feed, which testing companies read, list them.
    feed = screened.get("/changes", limit=500).json()["items"]
    assert {row["resource"] for row in feed} & {"screenings", "screening"} == set()
    other = world.place()
    assert other.get(f"/screenings/{one['id']}").status_code == 404
    assert listed(other) == []


def test_a_tester_who_copies_the_report_before_is_compared_with_the_other(place: Place) -> None:
    """Ten assemblies, one tester with new numbers each time, another who comes after with the same ones; counted here by hand."""
    copier = place.made("testers", name="Tester B", certificates=[])["id"]
    assemblies = [place.new_assembly("pvb") for _ in range(10)]
    for number in range(111):
        moment = dt.datetime(2026, 1, 5, 9, number % 10 * 5, tzinfo=DAY.tzinfo) + dt.timedelta(days=number)
        read = phase(1.1 + number % 13 / 10, 1.1 + number % 7 / 10)
        at(place, moment, assembly_id=assemblies[number % 10], initial_test=read)
        if number < 40:
            at(place, moment + dt.timedelta(hours=2), assembly_id=assemblies[number % 10], initial_test=read, tester_id=copier)
    assert run(place)["tests"] == 151
    [found] = listed(place, screen="repeats_last_test")
    assert (found["subject_id"], found["occasion"]) == (copier, "2026")
    others = 111 - 10  # the first test of each assembly has nothing before it
    figures = found["evidence"]["figures"]
    assert (figures["tests"], figures["repeated"]) == (40, 40)
    assert figures["expected"] == pytest.approx(40 / (others + 1), abs=0.001)
    assert found["evidence"]["chance"] == pytest.approx(stats.binom.sf(39, 40, 1.5 / (others + 1)), rel=1e-6)
    assert len(found["evidence"]["report_ids"]) == 40


def test_a_gauge_that_shifts_within_its_calibration_interval_is_pointed_out(place: Place) -> None:
    """Forty-four tests by one gauge, 0.6 psi higher in the later half, among as many by another that stays as it was."""
    steady = place.made("gauges", serial_number="G-2", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1, calibrations=[])[
        "id"
    ]
    for number in range(44):
        moment = dt.datetime(2026, 3, 5, 9, tzinfo=DAY.tzinfo) + dt.timedelta(days=number)
        values = (1.3 + number % 5 / 10, 1.2 + number % 7 / 10)
        at(place, moment, gauge_id=steady, initial_test=phase(*values))
        shifted = 0.6 if number >= 22 else 0.0
        at(place, moment + dt.timedelta(hours=2), initial_test=phase(values[0] + shifted, values[1] + shifted))
    run(place)
    [found] = listed(place, screen="gauge_shift")
    assert (found["subject"], found["subject_id"], found["occasion"]) == ("gauge", place.gauge, "2026-01-12")
    assert found["evidence"]["figures"]["shift_psi"] == pytest.approx(0.6, abs=0.11)
    assert found["evidence"]["comparisons"] == 2
    assert listed(place, gauge_id=place.gauge) == [found]


KARNEY = [
    # Karney (2013), Algorithms for geodesics, J. Geodesy 87, 43-55, table 2 (the direct problem, from 40° N); from memory.
    ((40.0, 0.0), (41.79331020506, 137.84490004377), 10_000_000.0),
    # GeographicLib's own documentation of the inverse problem: JFK to LHR, and Wellington to Salamanca; from memory.
    ((40.6, -73.8), (51.6, -0.5), 5_551_759.400),
    ((-41.32, 174.81), (40.96, -5.50), 19_959_679.267),
    # A degree of latitude at the equator and a quarter of the meridian (WGS 84: 10 001 965.729 m); from memory.
    ((0.0, 0.0), (90.0, 0.0), 10_001_965.729),
    ((0.0, 0.0), (0.0, 1.0), 111_319.491),
]


@pytest.mark.parametrize(("one", "other", "metres"), KARNEY)
def test_distances_are_those_published(one: tuple[float, float], other: tuple[float, float], metres: float) -> None:
    assert metres_between(*one, *other) == pytest.approx(metres, abs=0.001)
    assert metres_between(*other, *one) == pytest.approx(metres, abs=0.001)


@given(*[st.floats(-90, 90), st.floats(-180, 180)] * 2)
def test_the_quick_bound_never_lies_below_the_distance(lat: float, lon: float, other_lat: float, other_lon: float) -> None:
    assert metres_at_most(lat, lon, other_lat, other_lon) >= metres_between(lat, lon, other_lat, other_lon) - 1e-6
