"""The trend of an assembly over HTTP: from the reports that count, stated for the day of the next test, in the asked unit."""

import datetime as dt
from uuid import uuid4

import pytest
from scipy import stats

from tests.support.world import Place, certificate, phase

YEARS = {2021: 2.0, 2022: 1.8, 2023: 1.7, 2024: 1.5, 2025: 1.3, 2026: 1.2}


_VETERANS: dict[str, str] = {}


def veteran(place: Place) -> str:
    """A tester certified for all the years of these tests; a report by one who was not is refused, and counts for nothing."""
    if place.code not in _VETERANS:
        held = [certificate(valid_from="2018-01-01")]
        _VETERANS[place.code] = place.made("testers", name="Tester V", certificates=held)["id"]
    return _VETERANS[place.code]


def made_in(place: Place, year: int, check: float, **changes: object) -> str:
    at = dt.datetime(year, 5, 12, 9, tzinfo=dt.timezone(dt.timedelta(hours=-7)))
    return str(place.recorded(performed_at=at.isoformat(), check=check, tester_id=veteran(place), **changes)["report"]["id"])


def test_a_weakening_check_is_reported_with_its_chance_of_failing(place: Place) -> None:
    made = {year: made_in(place, year, check) for year, check in YEARS.items()}
    wrong = made_in(place, 2020, 0.3)
    made_in(place, 2020, 2.1, supersedes=wrong, supersedes_because="Typed wrong.")
    answer = place.get(f"/assemblies/{place.assembly}/trend")
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert body["next_test_on"] == max(place.standing()["due_on"], "2026-06-01")
    assert body["units"] == {"pressure": "psi"}
    assert "licensed" in body["caution"] or "local" in body["caution"]
    check = next(one for one in body["components"] if one["component"] == "check")
    assert [one["value"] for one in check["readings"]] == [2.1, *YEARS.values()]
    assert [one["report_id"] for one in check["readings"]][1:] == list(made.values())
    days = [dt.date.fromisoformat(one["on"]).toordinal() / 365.25 for one in check["readings"]]
    line = stats.linregress(days, [2.1, *YEARS.values()])
    assert check["slope"]["per_year"] == pytest.approx(line.slope, rel=1e-6)
    assert check["slope"]["standard_error"] == pytest.approx(line.stderr, rel=1e-6)
    assert (check["minimum"], check["quantity"]) == (1.0, "held_at")
    ahead = place.get(f"/assemblies/{place.assembly}/trend", on="2028-05-12").json()
    later = next(one for one in ahead["components"] if one["component"] == "check")
    assert later["next_test"]["chance_below_minimum"] > 0.5
    assert "before the next test" in later["suggestion"]


def test_it_is_reported_in_the_asked_unit(place: Place) -> None:
    for year, value in YEARS.items():
        made_in(place, year, value)
    body = place.get(f"/assemblies/{place.assembly}/trend", pressure="kPa").json()
    check = next(one for one in body["components"] if one["component"] == "check")
    assert check["readings"][0]["value"] == pytest.approx(13.789515, rel=1e-6)
    assert body["units"] == {"pressure": "kPa"}


def test_a_repair_begins_anew(place: Place) -> None:
    made_in(place, 2024, 1.6)
    made_in(
        place,
        2025,
        0.6,
        final_test=phase(2.2),
        repairs=[{"component": "check", "part": "spring", "action": "replaced"}],
        reason="periodic",
    )
    body = place.get(f"/assemblies/{place.assembly}/trend").json()
    check = next(one for one in body["components"] if one["component"] == "check")
    assert [one["value"] for one in check["readings"]] == [2.2]
    assert check["repaired_on"] == "2025-05-12"
    inlet = next(one for one in body["components"] if one["component"] == "air_inlet")
    assert len(inlet["readings"]) == 2


def test_a_refused_report_does_not_count(place: Place) -> None:
    """The tester of the place was certified in 2025 only."""
    made_in(place, 2024, 1.6)
    at = dt.datetime(2024, 6, 12, 9, tzinfo=dt.UTC)
    assert place.recorded(performed_at=at.isoformat(), check=1.1)["verdict"]["acceptance"] == "refused"
    body = place.get(f"/assemblies/{place.assembly}/trend").json()
    assert [len(one["readings"]) for one in body["components"]] == [1, 1]


def test_an_assembly_never_tested_has_no_trend_and_one_not_there_is_not_found(place: Place) -> None:
    body = place.get(f"/assemblies/{place.assembly}/trend").json()
    # Nothing states when it was installed, so that its first test is due from the day it was registered.
    assert (body["components"], body["next_test_on"]) == ([], "2026-06-01")
    assert place.get(f"/assemblies/{uuid4()}/trend").status_code == 404
    refused = place.get(f"/assemblies/{place.assembly}/trend", on="2026-05-31")
    assert (refused.status_code, refused.json()["errors"][0]["parameter"]) == (422, "on")
