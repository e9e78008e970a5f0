"""The yearly summary against an independent count, in plain Python, over the reports as they are listed and read."""

import csv
import datetime as dt
import io
import random
import statistics
from collections import defaultdict
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest

from tests.conftest import NOON, Place, World, bearer, certificate, phase

ZONE = ZoneInfo("America/Los_Angeles")
TODAY = dt.date(2026, 6, 1)


def lived(place: Place, world: World, seed: int) -> dict[str, dict[str, Any]]:
    """Three years of tests at a dozen assemblies: passes, failures, repairs, corrections, refused and held ones; the assemblies by id."""
    choose = random.Random(seed)  # noqa: S311 - reproducible
    calibrations = [{"calibrated_on": f"{year}-{month:02}-01"} for year in range(2023, 2027) for month in (1, 5, 9)][:11]
    gauge = place.made(
        "gauges", serial_number="G-9", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1, calibrations=calibrations
    )["id"]
    tester = place.made("testers", name="Tester L", certificates=[certificate(valid_from="2022-01-01")])["id"]
    expired = place.made(
        "testers", name="Tester X", certificates=[certificate(valid_from="2020-01-01", valid_until="2021-01-01")]
    )["id"]
    yard = place.made("premises", name="Yard", address="3 Mill Race", connection="non_residential")["id"]
    assemblies = {}
    for number in range(12):
        facts = {
            "premises_id": choose.choice([place.premises, yard]), "kind": choose.choice(["pvb", "svb"]), "purpose": "point_of_use",
            "hazard": choose.choice(["health", "non_health"]), "in_service": number != 5, "installed_on": f"202{2 + number % 4}-03-01",
        }  # fmt: skip
        assemblies[place.made("assemblies", **facts)["id"]] = facts
    left, *visited = assemblies
    world.clock.moment = dt.datetime(2024, 5, 1, 18, tzinfo=dt.UTC)
    # One passed two years ago and was never seen again: it is overdue.
    assert place.put(uuid4(), place.report(assembly_id=left, gauge_id=gauge, tester_id=tester)).status_code == 201
    for moment in sorted(
        dt.datetime(2023, 6, 1, 18, tzinfo=dt.UTC) + dt.timedelta(days=choose.randrange(1095), minutes=n) for n in range(110)
    ):
        world.clock.moment = moment
        document = {"assembly_id": choose.choice(visited), "gauge_id": gauge, "tester_id": tester}
        drawn = choose.random()
        if drawn < 0.3:
            document["initial_test"] = phase(choose.choice([0.4, 1.8]), choose.choice([0.4, 1.4]))
        elif drawn < 0.45:
            document |= {
                "initial_test": phase(0.4), "final_test": phase(2.0),
                "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
            }  # fmt: skip
        elif drawn < 0.55:
            document["tester_id"] = expired
        elif drawn < 0.62:
            document["initial_test"] = {**phase(), "readings": phase()["readings"][:1]}
        made = place.put(uuid4(), place.report(**document))
        assert made.status_code == 201, made.text
        if choose.random() < 0.12:
            right = place.report(**document) | {
                "initial_test": phase(choose.choice([0.4, 1.8])), "supersedes": made.json()["report"]["id"], "supersedes_because": "misread",
            }  # fmt: skip
            right.pop("final_test", None), right.pop("repairs", None)
            assert place.put(uuid4(), right).status_code == 201
    world.clock.moment = NOON
    assemblies[place.assembly] = {
        "premises_id": place.premises,
        "kind": "pvb",
        "hazard": "health",
        "in_service": True,
        "installed_on": "2020-01-01",
    }
    return assemblies


def recount(place: Place, assemblies: dict[str, dict[str, Any]], year: int) -> dict[tuple[str, str] | None, dict[str, Any]]:
    """The figures, counted from what the interface tells of each report and standing, with no SQL."""
    page = place.get("/reports", limit=500).json()
    assert page["next"] is None
    first, last = dt.date(year, 1, 1), min(dt.date(year, 12, 31), TODAY)
    counted = defaultdict(list)
    for line in page["items"]:
        if line["superseded_by"] is None and line["acceptance"] != "refused":
            verdict = place.get(f"/reports/{line['id']}").json()["verdict"]
            day = dt.datetime.fromisoformat(line["performed_at"]).astimezone(ZONE).date()
            counted[line["assembly_id"]].append((line["performed_at"], day, line, verdict["initial"]["outcome"]))
    figures: dict[Any, dict[str, Any]] = defaultdict(lambda: defaultdict(int))
    days_to_repair = defaultdict(list)
    for assembly, facts in assemblies.items():
        tests = sorted(counted[assembly], key=lambda one: one[:2])
        of_year = [one for one in tests if first <= one[1] <= last]
        decided = [
            one
            for one in tests
            if one[2]["outcome"] == "fail" or (one[2]["outcome"], one[2]["acceptance"]) == ("pass", "accepted")
        ]
        there = facts["in_service"] and dt.date.fromisoformat(facts["installed_on"]) <= last
        for group in ((facts["kind"], facts["hazard"]), None):
            told = figures[group]
            if there:
                tested = any(first <= one[1] <= last for one in decided)
                told["assemblies"] += 1
                told["tested" if tested else "not_tested"] += 1
                told["overdue"] += place.standing(assembly)["status"] == "overdue"
            told["tests"] += len(of_year)
            for one in of_year:
                name = {"fail": "failed", "pass": "passed"}.get(one[2]["outcome"], "undecided")
                told["undecided" if one[2]["outcome"] == "pass" and one not in decided else name] += 1
                told["repaired_at_once"] += one in decided and one[2]["outcome"] == "pass" and one[3] == "fail"
            for index, one in enumerate(decided):
                if one[2]["outcome"] == "fail" and one[2]["protection"] == "lost":
                    end = decided[index + 1][1] if index + 1 < len(decided) else dt.date.max
                    told["unprotected_days"] += sum(
                        one[1] <= first + dt.timedelta(days=n) < end for n in range((last - first).days + 1)
                    )
                begins = "fail" in (one[2]["outcome"], one[3]) and (index == 0 or decided[index - 1][2]["outcome"] != "fail")
                if begins and first <= one[1] <= last:
                    told["failures"] += 1
                    mended = [later[1] for later in decided[index:] if later[2]["outcome"] == "pass"]
                    told["repaired" if mended else "unrepaired"] += 1
                    if mended:
                        days_to_repair[group].append((mended[0] - one[1]).days)
    for group, days in days_to_repair.items():
        figures[group]["median_days_to_repair"] = statistics.median(days)
    return figures


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_figures_are_those_of_an_independent_count(place: Place, world: World, seed: int) -> None:
    assemblies = lived(place, world, seed)
    seen: dict[str, float] = defaultdict(int)
    for year in range(2022, 2027):
        told = place.get(f"/summaries/{year}", key="regulator").json()
        counted = recount(place, assemblies, year)
        groups = {(one.pop("kind"), one.pop("hazard")): one for one in told["groups"]}
        for group, figures in [*groups.items(), (None, told["total"])]:
            zero = dict.fromkeys(figures, 0) | {"median_days_to_repair": None}
            assert figures == zero | dict(counted[group]), (year, group)
            for name, value in figures.items():
                seen[name] += value or 0
            assert figures["assemblies"] == figures["tested"] + figures["not_tested"]
            assert figures["tests"] == figures["passed"] + figures["failed"] + figures["undecided"]
            assert figures["failures"] == figures["repaired"] + figures["unrepaired"]
        for name in told["total"]:
            if name != "median_days_to_repair":
                assert told["total"][name] == sum(one[name] for one in groups.values())
        assert told["premises"] == sum(one["premises"] for one in told["connections"])
    # Every figure has been something, or nothing was compared.
    assert all(seen.values()), seen


def test_the_table_holds_the_same_figures(place: Place, world: World) -> None:
    place.recorded()
    headers = bearer(place.keys["utility"]) | {"Accept": "text/csv"}
    answer = world.client.get(f"{place.base}/summaries/2026", headers=headers)
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    told = place.get("/summaries/2026").json()
    assert [row["kind"] for row in rows] == ["pvb", "total"]
    assert {name: rows[-1][name] for name in told["total"]} == {
        name: "" if value is None else str(value) for name, value in told["total"].items()
    }
    assert (told["total"]["tests"], told["total"]["passed"], told["until"]) == (1, 1, "2026-06-01")


@pytest.mark.parametrize(("year", "status"), [("2027", 422), ("0", 422), ("99999999999", 422), ("last", 404)])
def test_a_year_that_cannot_be_counted_is_refused(place: Place, year: str, status: int) -> None:
    assert place.get(f"/summaries/{year}").status_code == status
