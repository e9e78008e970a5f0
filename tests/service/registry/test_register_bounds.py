"""What may be registered: time zones that both of us know, days that can be, organisations that the utility knows; and the utility's own day."""

import datetime as dt
import zoneinfo
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest

import rules
from tests.support.world import Place, World, certificate

# Each is a name on some machines: the machine's own setting, a place-holder of the database, and copies with and without leap seconds.
NO_ZONES = [
    "localtime",
    "Factory",
    "posix/America/Los_Angeles",
    "right/America/Los_Angeles",
    "posixrules",
    "america/los_angeles",
    "PST8",
    "UTC+3",
    "",
    "../UTC",
]


def changed(world: World, path: str, **facts: Any) -> httpx.Response:
    tag = world.operator.get(path).headers["ETag"]
    return world.operator.patch(path, json=facts, headers={"If-Match": tag})


@pytest.mark.parametrize("name", NO_ZONES)
def test_a_time_zone_that_not_both_know_is_refused(place: Place, world: World, name: str) -> None:
    new = {"code": f"zone-{uuid4().hex[:8]}", "name": "Z", "rulebook": "us-wa", "time_zone": name}
    for answer in (world.operator.post("/v1/utilities", json=new), changed(world, place.base, time_zone=name)):
        assert answer.status_code in (400, 422), answer.text
        assert answer.json()["errors"][0]["pointer"] == "/time_zone"


def test_the_time_zones_of_places_are_taken(place: Place, world: World) -> None:
    for name in ("America/New_York", "Europe/Oslo", "Pacific/Kiritimati", "Asia/Kathmandu", "UTC", "Etc/GMT+12"):
        assert changed(world, place.base, time_zone=name).status_code == 200, name


def offsets() -> Iterator[dt.timedelta]:
    """The offset of every time zone in winter and in summer, by the time-zone database."""
    for name in zoneinfo.available_timezones() - {"Factory", "localtime"}:
        for month in (1, 7):
            offset = dt.datetime(2026, month, 1, tzinfo=zoneinfo.ZoneInfo(name)).utcoffset()
            assert offset is not None
            yield offset


def test_the_bounds_of_offsets_are_those_of_the_time_zone_database() -> None:
    # IANA time-zone database, as the package `tzdata` has it.
    bounds = rules.dates.dates().utc_offset
    assert (min(offsets()), max(offsets())) == (dt.timedelta(hours=bounds.at_least), dt.timedelta(hours=bounds.at_most))


@pytest.mark.parametrize(
    ("offset", "status"), [("-12:00", 201), ("+14:00", 201), ("-12:01", 422), ("+14:01", 422), ("+23:59", 422), ("-23:59", 422)]
)
def test_a_moment_has_an_offset_that_clocks_are_set_to(place: Place, world: World, offset: str, status: int) -> None:
    moment = f"2026-05-30T12:00:00{offset}"
    answer = place.put(uuid4(), place.report(performed_at=moment))
    assert answer.status_code == status, answer.text
    verdict = world.client.post("/v1/rules/verdict", json={**judged_by(place), "performed_at": moment})
    assert verdict.status_code == (200 if status == 201 else 422), verdict.text
    if status == 422:
        assert answer.json()["errors"][0]["pointer"] == verdict.json()["errors"][0]["pointer"] == "/performed_at"


def judged_by(place: Place) -> dict[str, Any]:
    """A test as it is judged without storing it."""
    report = place.report()
    return {
        "rulebook": "us-wa",
        "assembly": {"kind": "pvb", "hazard": "health"},
        **{name: report[name] for name in ("units", "line_pressure", "initial_test")},
    }


def flags(place: Place, **report: Any) -> set[str]:
    return {one["code"] for one in place.recorded(**report)["verdict"]["flags"]}


def test_certificate_and_calibration_are_judged_by_the_utilitys_own_day(place: Place, world: World) -> None:
    # The same moment is 31 May in Los Angeles, where the utility is, and 1 June in Kiritimati, where the certificate has run out.
    moment = dt.datetime(2026, 5, 31, 22, 0, tzinfo=dt.timezone(dt.timedelta(hours=-7)))
    tester = place.made("testers", name="B", certificates=[certificate(valid_until="2026-05-31")])["id"]
    gauge = place.made(
        "gauges",
        serial_number="G-9",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": "2025-05-31"}],
    )["id"]
    result = set[frozenset[str]]()
    for hours in (-12, -7, 0, 14):
        there = moment.astimezone(dt.timezone(dt.timedelta(hours=hours))).isoformat()
        assembly = place.new_assembly("pvb")
        result.add(frozenset(flags(place, performed_at=there, tester_id=tester, gauge_id=gauge, assembly_id=assembly)))
    # However the report writes the moment, it is the same day.
    assert len(result) == 1
    assert not {"tester_not_certified", "gauge_calibration_expired"} & set(next(iter(result)))
    later = (moment + dt.timedelta(hours=3)).isoformat()
    after = flags(place, performed_at=later, tester_id=tester, gauge_id=gauge, assembly_id=place.new_assembly("pvb"))
    assert {"tester_not_certified", "gauge_calibration_expired"} <= after


@pytest.mark.parametrize(
    ("day", "status"),
    [
        ("1899-12-31", 422),
        ("1900-01-01", 201),
        ("2027-06-02", 201),
        ("2027-06-03", 422),
        ("0001-01-01", 422),
        ("9999-12-31", 422),
    ],
)
def test_a_day_of_installation_is_one_that_can_be(place: Place, world: World, day: str, status: int) -> None:
    document = {"premises_id": place.premises, "kind": "pvb", "hazard": "health", "purpose": "point_of_use", "installed_on": day}
    answer = world.operator.post(f"{place.base}/assemblies", json=document)
    assert answer.status_code == status, answer.text
    patched = changed(world, f"{place.base}/assemblies/{place.new_assembly('pvb')}", installed_on=day)
    assert patched.status_code == (200 if status == 201 else 422)
    if status == 422:
        assert answer.json()["errors"][0]["pointer"] == patched.json()["errors"][0]["pointer"] == "/installed_on"


def test_an_import_says_which_row_has_a_day_of_installation_that_cannot_be(place: Place) -> None:
    sheet = "premises number,address,connection type,customer,serial no.,type,hazard,protection,installed\nC-1,1 Lane,fire,F,S-1,PVB,high,point of use,2062-01-01\n"
    headers = {"Authorization": f"Bearer {place.keys['utility']}", "Content-Type": "text/csv"}
    answer = place.world.client.post(f"{place.base}/imports", content=sheet, headers=headers)
    assert answer.status_code == 200, answer.text
    [problem] = answer.json()["problems"]
    assert (problem["row"], problem.get("heading")) == (2, "installed"), problem


def things(organisation: str) -> dict[str, dict[str, Any]]:
    return {
        "testers": {"name": "T", "certificates": [], "organisation_id": organisation},
        "gauges": {
            "serial_number": "G",
            "units": {"pressure": "psi"},
            "accuracy": 0.2,
            "resolution": 0.1,
            "calibrations": [],
            "organisation_id": organisation,
        },
    }


@pytest.mark.parametrize("plural", ["testers", "gauges"])
def test_a_tester_names_only_an_organisation_that_its_utility_knows(place: Place, world: World, plural: str) -> None:
    own, elsewhere = place.organisations["testing_company"], world.place().organisations["testing_company"]
    refused = [world.operator.post(f"{place.base}/{plural}", json=things(one)[plural]) for one in (elsewhere, str(uuid4()))]
    assert [one.status_code for one in refused] == [422, 422]
    # Another utility's company cannot be distinguished from one that there is not.
    assert refused[0].json() == refused[1].json()
    assert refused[0].json()["errors"][0]["pointer"] == "/organisation_id"
    made = place.made(plural, **things(own)[plural])
    path = f"{place.base}/{plural}/{made['id']}"
    assert changed(world, path, organisation_id=elsewhere).status_code == 422
    # What is registered stays, and can be changed otherwise, though the company may not act here any more.
    world.operator.delete(f"{place.base}/grants/{own}").raise_for_status()
    other = {"testers": {"name": "U"}, "gauges": {"serial_number": "H"}}[plural]
    assert changed(world, path, **other).status_code == 200
