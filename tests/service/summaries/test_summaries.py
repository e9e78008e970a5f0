"""The yearly summary against an independent count, in plain Python, over the reports as they are listed and read."""

import asyncio
import csv
import datetime as dt
import html
import io
import random
import re
import statistics
from collections import defaultdict
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import parse_qsl, urlsplit
from uuid import uuid4
from zoneinfo import ZoneInfo

import httpx
import pytest

from service.db.pool import Pool
from service.summaries import store as summaries
from service.summaries.summarise import SURVEYS
from tests.rules.standing import plain
from tests.service.notices import test_notices
from tests.service.record.reviews import test_reviews
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, certificate, phase

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
            "premises_id": choose.choice([place.premises, yard]),
            "kind": choose.choice(["pvb", "svb"]),
            **({} if number == 3 else {"purpose": "premises_isolation" if number == 4 else "point_of_use"}),
            "hazard": choose.choice(["health", "non_health"]),
            "in_service": number != 5,
            "installed_on": f"202{2 + number % 4}-03-01",
            # A vacuum breaker is not for where backpressure can occur.
            "backpressure_possible": number % 3 == 1,
        }
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
            document["initial_test"] = phase(choose.choice([0.0, 1.8]), choose.choice([0.0, 1.4]))
        elif drawn < 0.45:
            document |= {
                "initial_test": phase(0.4),
                "final_test": phase(2.0),
                "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
            }
        elif drawn < 0.55:
            # Refused, the failing ones too: what they show counts for the assembly, not as a test of the year.
            document |= {"tester_id": expired, "initial_test": phase(choose.choice([0.0, 1.8]), choose.choice([0.0, 1.4]))}
        elif drawn < 0.62:
            document["initial_test"] = {**phase(), "readings": phase()["readings"][:1]}
        elif drawn < 0.68:
            # Held: who sends it declares another outcome; or repaired, and its final test not completed.
            repaired = {
                "final_test": {**phase(), "readings": phase()["readings"][:1]},
                "repairs": [{"component": "check", "part": "disc", "action": "replaced"}],
            }
            document |= choose.choice(
                [{"initial_test": phase(0.0, 0.0), "declared": "pass"}, {"initial_test": phase(0.0, 0.0), **repaired}]
            )
        made = place.put(uuid4(), place.report(**document))
        assert made.status_code == 201, made.text
        if choose.random() < 0.12:
            right = place.report(**document) | {
                "initial_test": phase(choose.choice([0.4, 1.8])),
                "supersedes": made.json()["report"]["id"],
                "supersedes_because": "misread",
            }
            right.pop("final_test", None), right.pop("repairs", None)
            correction = place.put(uuid4(), right).json()
            if correction["verdict"]["acceptance"] == "held" and (drawn := choose.random()) < 0.7:
                decision = "accepted" if drawn < 0.4 else "refused"
                test_reviews.decide(place, correction["report"]["id"], decision).raise_for_status()
    world.clock.moment = NOON
    for number, assembly in enumerate(visited[:6]):
        place.made(
            "exceptions",
            assembly_id=assembly,
            since=f"{2024 + number % 3}-0{1 + number}-15",
            until="2026-12-31",
            reason="not_accessible",
            because="Locked",
            granted_by="Office",
        )
        place.made(
            "incidents",
            occurred_at=f"202{4 + number % 3}-02-01T08:00:00Z",
            status=("suspected", "unfounded")[number % 2],
            description="D",
            premises=[yard],
        )
    moved(place, assemblies, visited)
    surveyed(place, yard)
    assemblies[place.assembly] = {
        "purpose": "point_of_use",
        "premises_id": place.premises,
        "kind": "pvb",
        "hazard": "health",
        "in_service": True,
        "installed_on": "2020-01-01",
    }
    return assemblies


def patched(place: Place, assembly: str, **facts: Any) -> None:
    """Change an assembly's facts."""
    version = place.get(f"/assemblies/{assembly}").json()["version"]
    answer = place.world.operator.patch(f"{place.base}/assemblies/{assembly}", json=facts, headers={"If-Match": f'"{version}"'})
    assert answer.status_code == 200, answer.text


def moved(place: Place, assemblies: dict[str, dict[str, Any]], visited: list[str]) -> None:
    """One is removed, one taken out and put back, one replaced, one registered as out of service with its day."""
    patched(place, visited[6], in_service=False, service_since="2025-07-01", service_because="Building demolished")
    patched(place, visited[7], in_service=False, service_since="2024-03-01", service_because="Premises empty")
    patched(place, visited[7], in_service=True, service_since="2026-02-01", service_because="Premises let again")
    old = assemblies[visited[8]]
    for facts in (
        {**old, "installed_on": "2025-09-10", "replaces": visited[8]},
        {**old, "installed_on": "2023-04-01", "in_service": False, "service_since": "2026-01-15"},
    ):
        assemblies[place.made("assemblies", **facts)["id"]] = facts


def surveyed(place: Place, yard: str) -> None:
    """Surveys of two premises: one twice and once corrected, one that is overdue; and premises without an assembly."""
    place.made("premises", name="Bare Lot", address="9 Mill Race", connection="residential")
    common = {"assessed_by": "Office", "hazard": "health"}
    for facts in (
        {
            "premises_id": yard,
            "assessed_on": "2024-02-01",
            "next_due_on": "2025-02-01",
            "cross_connections_found": 3,
            "isolation_exception": "No process water on site.",
        },
        {"premises_id": yard, "assessed_on": "2025-03-05", "next_due_on": "2026-03-01", "cross_connections_corrected": 2},
        {
            "premises_id": place.premises,
            "assessed_on": "2025-04-01",
            "next_due_on": "2025-10-01",
            "cross_connections_found": 1,
            "isolation_exception": "Listed type, but only an office is left.",
        },
    ):
        made = place.made("hazard-assessments", **common, **facts)
    wrong = {
        "premises_id": place.premises,
        "assessed_on": "2025-04-02",
        "next_due_on": "2025-10-01",
        "cross_connections_found": 2,
        "isolation_exception": "Listed type, but only an office is left.",
    }
    place.made(
        "hazard-assessments", **common, **wrong, supersedes=made["id"], supersedes_because="Another day, and one more found."
    )


def stands(line: dict[str, Any], lines: dict[str, dict[str, Any]]) -> bool:
    """Whether a report is one of the tests made; nothing is corrected twice here."""
    correction, corrected = lines.get(line["superseded_by"]), lines.get(line["supersedes"])
    if line["acceptance"] == "refused":
        return False
    if correction is not None:
        return bool(line["outcome"] == "fail" and correction["acceptance"] != "accepted")
    return not (corrected and corrected["outcome"] == "fail" and line["acceptance"] == "held")


def history_of(lines: list[tuple[dict[str, Any], dict[str, Any]]]) -> tuple[list[plain.Test], list[plain.Test]]:
    """What an assembly went through, by its lines and verdicts: all its tests, and those of them that say anything, in their order."""
    tests = []
    for line, verdict in lines:
        moment, received = (dt.datetime.fromisoformat(line[name]) for name in ("performed_at", "received_at"))
        tests.append(
            plain.Test(
                id=line["id"],
                day=min(moment, received).astimezone(ZONE).date(),
                moment=moment,
                received=received,
                outcome=line["outcome"],
                first=verdict["initial"]["outcome"],
                first_protection=verdict["initial"]["protection"],
                protection=line["protection"],
                acceptance=line["acceptance"],
                supersedes=line["supersedes"],
                reason=line["reason"],
            )
        )
    return tests, sorted(plain.counting(tests), key=lambda test: plain.sooner(test, tests))


def unprotected(tests: list[plain.Test], history: list[plain.Test], first: dt.date, last: dt.date) -> int:
    """The days within those on which it had failed with no barrier left; a milder failure that nobody accepted ends nothing."""
    days, lost = set(), False
    for index, test in enumerate(history):
        failed = plain.is_failure(test, tests)
        if not failed or test.acceptance == "accepted" or not lost:
            lost = failed and plain.left_by(test, failed=True) == "lost"
        end = history[index + 1].day if index + 1 < len(history) else dt.date.max
        if lost:
            days |= {day for n in range((last - first).days + 1) if test.day <= (day := first + dt.timedelta(days=n)) < end}
    return len(days)


def overdue(place: Place, assembly: str, last: dt.date) -> bool:
    """Whether its test was late on that day by what was known then; before it was registered nothing was."""
    answer = place.get(f"/assemblies/{assembly}/standing", as_of=str(last))
    if answer.status_code == 422:
        return False
    body = answer.json()
    return bool(body["status"] == "overdue" or (body["status"] == "untested" and body["due_on"] < str(last)))


def served(place: Place, assembly: str, on: dt.date) -> bool:
    """Whether it was in service on that day, by its periods."""
    [period] = [
        one
        for one in place.get(f"/assemblies/{assembly}/service-periods").json()["periods"]
        if (one["since"] or "0001-01-01") <= str(on) <= (one["until"] or "9999-12-31")
    ]
    return bool(period["in_service"])


def moves(place: Place, assembly: str, first: dt.date, last: dt.date) -> list[str]:
    """What became of it in those days: new, removed, replaced."""
    facts = place.get(f"/assemblies/{assembly}").json()
    found = ["new"] if str(first) <= facts.get("installed_on", "") <= str(last) and "replaces" not in facts else []
    if facts.get("retired_because") == "replaced" and str(first) <= facts["retired_on"] <= str(last):
        return [*found, "replaced"]
    ended = [
        one
        for one in place.get(f"/assemblies/{assembly}/service-periods").json()["periods"]
        if not one["in_service"] and one["since"] and str(first) <= one["since"] <= str(last) <= (one["until"] or "9999-12-31")
    ]
    return [*found, "removed"] if ended else found


def surveys(place: Place, first: dt.date, last: dt.date) -> dict[str, int]:
    """The figures of surveys, from the assessments as they are listed."""
    counts = dict.fromkeys(SURVEYS, 0)
    listed = [one for one in place.get("/hazard-assessments", limit=500).json()["items"] if "superseded_by" not in one]
    for premises in {one["premises_id"] for one in listed}:
        made = sorted(one["assessed_on"] for one in listed if one["premises_id"] == premises and one["assessed_on"] <= str(last))
        for one in (one for one in listed if one["premises_id"] == premises and one["assessed_on"] <= str(last)):
            in_year = str(first) <= one["assessed_on"]
            counts["hazard_assessments"] += in_year
            for name in ("found", "corrected"):
                counts[f"cross_connections_{name}"] += one.get(f"cross_connections_{name}", 0) if in_year else 0
            followed = [day for day in made if day > one["assessed_on"]]
            due = "next_due_on" in one and one["next_due_on"] <= str(last) and (not followed or followed[0] >= str(first))
            counts["hazard_assessments_due"] += due
            counts["hazard_assessments_overdue"] += due and not followed
            counts["isolation_exceptions"] += not followed and "isolation_exception" in one
    return counts


def recount(place: Place, assemblies: dict[str, dict[str, Any]], year: int) -> dict[tuple[str, str] | None, dict[str, Any]]:
    """The figures, counted from what the interface states of each report, standing and exception, with no SQL."""
    page = place.get("/reports", limit=500).json()
    assert page["next"] is None
    first, last = dt.date(year, 1, 1), min(dt.date(year, 12, 31), TODAY)
    counted = defaultdict(list)
    all_lines = defaultdict(list)
    lines = {line["id"]: {**line, "acceptance": line["decision"] or line["acceptance"]} for line in page["items"]}
    for line in lines.values():
        verdict = place.get(f"/reports/{line['id']}").json()["verdict"]
        all_lines[line["assembly_id"]].append((line, verdict))
        if stands(line, lines):
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
        there = served(place, assembly, last) and dt.date.fromisoformat(facts["installed_on"]) <= last
        for group in ((facts["kind"], facts["hazard"]), None):
            result = figures[group]
            if there:
                tested = any(first <= one[1] <= last for one in decided)
                result["assemblies"] += 1
                result["tested" if tested else "not_tested"] += 1
                result["overdue"] += overdue(place, assembly, last)
                result[facts.get("purpose", "purpose_not_stated")] += 1
                result["insufficient"] += place.standing(assembly)["protection"] == "insufficient"
            for move in moves(place, assembly, first, last):
                result[move] += 1
            result["tests"] += len(of_year)
            for one in of_year:
                name = {"fail": "failed", "pass": "passed"}.get(one[2]["outcome"], "undecided")
                result["undecided" if one[2]["outcome"] == "pass" and one not in decided else name] += 1
                result["repaired_at_once"] += one in decided and one[2]["outcome"] == "pass" and one[3] == "fail"
            everything, history = history_of(all_lines[assembly])
            result["unprotected_days"] += unprotected(everything, history, first, last)
            for index, test in enumerate(history):
                begins = "fail" in (test.outcome, test.first) and (
                    index == 0 or plain.is_valid_pass(history[index - 1], everything)
                )
                if begins and first <= test.day <= last:
                    result["failures"] += 1
                    repaired = [later.day for later in history[index:] if plain.is_valid_pass(later, everything)]
                    result["repaired" if repaired else "unrepaired"] += 1
                    if repaired:
                        days_to_repair[group].append((repaired[0] - test.day).days)
    for one in place.get("/exceptions", limit=500).json()["items"]:
        if first <= dt.date.fromisoformat(one["since"]) <= last:
            facts = assemblies[one["assembly_id"]]
            for group in ((facts["kind"], facts["hazard"]), None):
                figures[group]["exceptions"] += 1
    for group, days in days_to_repair.items():
        figures[group]["median_days_to_repair"] = statistics.median(days)
        figures[group]["days_to_repair"] = days
    return figures


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)])
def test_the_figures_are_those_of_an_independent_count(place: Place, world: World, seed: int) -> None:
    assemblies = lived(place, world, seed)
    seen: dict[str, float] = defaultdict(int)
    for year in range(2022, 2027):
        body = place.get(f"/summaries/{year}", key="regulator").json()
        counted = recount(place, assemblies, year)
        groups = {(one.pop("kind"), one.pop("hazard")): one for one in body["groups"]}
        for group, figures in [*groups.items(), (None, body["total"])]:
            rates = figures.pop("rates")
            zero = dict.fromkeys(figures, 0) | {"median_days_to_repair": None}
            own = dict(counted[group])
            own.pop("days_to_repair", None)
            assert figures == zero | own, (year, group)
            assert rates == {
                name: figures[part] / whole if whole else None
                for name, part, whole in (
                    ("tested", "tested", figures["assemblies"]),
                    ("overdue", "overdue", figures["assemblies"]),
                    ("failed", "failed", figures["passed"] + figures["failed"]),
                    ("repaired", "repaired", figures["failures"]),
                )
            }
            for name, value in figures.items():
                seen[name] += value or 0
            assert figures["assemblies"] == figures["tested"] + figures["not_tested"]
            assert figures["tests"] == figures["passed"] + figures["failed"] + figures["declared"] + figures["undecided"]
            assert figures["failures"] == figures["repaired"] + figures["unrepaired"]
        first, last = dt.date(year, 1, 1), min(dt.date(year, 12, 31), TODAY)
        happened = [one for one in place.get("/incidents").json()["items"] if one["status"] != "unfounded"]
        assert body["incidents"] == sum(first <= dt.date.fromisoformat(one["occurred_on"]) <= last for one in happened)
        seen["incidents"] += body["incidents"]
        for name in body["total"]:
            if name != "median_days_to_repair":
                assert body["total"][name] == sum(one[name] for one in groups.values())
        assert body["premises"] == sum(one["premises"] for one in body["connections"])
        all_premises = len(place.get("/premises", limit=500).json()["items"])
        assert body["without_assembly"] == all_premises - body["premises"] >= 1
        assert {name: body[name] for name in SURVEYS} == surveys(place, first, last)
        for name in SURVEYS:
            seen[name] += body[name]
        assert len(body["isolation_exceptions_listed"]) == body["isolation_exceptions"]
    # Every figure has been something, or nothing was compared.
    # Results declared on paper come from imports alone (tests/service/imports/test_history_import.py).
    # Notices have a test of their own below.
    assert [name for name, value in seen.items() if not value] == ["declared", "notices"], seen


def test_the_table_holds_the_same_figures(place: Place, world: World) -> None:
    place.recorded()
    headers = bearer(place.keys["utility"]) | {"Accept": "text/csv"}
    answer = world.client.get(f"{place.base}/summaries/2026", headers=headers)
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    body = place.get("/summaries/2026").json()
    assert [row["kind"] for row in rows] == ["pvb", "total"]
    rates = body["total"].pop("rates")
    assert {name: rows[-1][f"{name}_rate"] for name in rates} == {
        name: "" if value is None else str(value) for name, value in rates.items()
    }
    assert {name: rows[-1][name] for name in body["total"]} == {
        name: "" if value is None else str(value) for name, value in body["total"].items()
    }
    assert (body["total"]["tests"], body["total"]["passed"], body["until"]) == (1, 1, "2026-06-01")


@pytest.mark.parametrize(("year", "status"), [("2027", 422), ("0", 422), ("99999999999", 422), ("last", 404)])
def test_a_year_that_cannot_be_counted_is_refused(place: Place, year: str, status: int) -> None:
    assert place.get(f"/summaries/{year}").status_code == status


COUNTED = (
    "assemblies",
    "premises_isolation",
    "point_of_use",
    "purpose_not_stated",
    "new",
    "removed",
    "replaced",
    "notices",
    "tested",
    "not_tested",
    "overdue",
    "insufficient",
    "tests",
    "passed",
    "failed",
    "declared",
    "undecided",
    "repaired_at_once",
    "failures",
    "repaired",
    "unrepaired",
    "exceptions",
)


def rows_of(place: Place, result: dict[str, Any], **asked: Any) -> list[dict[str, Any]]:
    """The rows behind a figure, page by page, from the address that the summary gives."""
    path, found = result["rows"].partition("{")[0], []
    answer = place.world.client.get(path, params={"limit": 7, **asked}, headers=bearer(place.keys["regulator"]))
    while True:
        assert answer.status_code == 200, answer.text
        found += answer.json()["items"]
        if answer.json()["next"] is None:
            return found
        answer = place.world.client.get(answer.json()["next"], headers=bearer(place.keys["regulator"]))


def test_each_figure_can_be_followed_to_its_rows(place: Place, world: World) -> None:
    lived(place, world, 4)
    walked = 0
    for year in (2024, 2026):
        body = place.get(f"/summaries/{year}", key="regulator").json()
        groups = [({"kind": one["kind"], "hazard": one["hazard"]}, one) for one in body["groups"]]
        for asked, figures in [({}, body["total"]), *groups]:
            for name in COUNTED:
                found = rows_of(place, body, figure=name, **asked)
                assert len(found) == figures[name], (year, asked, name)
                assert len({one["id"] for one in found}) == len(found)
                walked += len(found)
            assert (
                sum(one["days"] for one in rows_of(place, body, figure="unprotected_days", **asked))
                == figures["unprotected_days"]
            )
            days = [one["days"] for one in rows_of(place, body, figure="repaired", **asked)]
            assert figures["median_days_to_repair"] == (statistics.median(days) if days else None)
        assert len(rows_of(place, body, figure="premises")) == body["premises"]
        for one in body["connections"]:
            assert len(rows_of(place, body, figure="premises", connection=one["connection"])) == one["premises"]
        assert len(rows_of(place, body, figure="incidents")) == body["incidents"]
        assert len(rows_of(place, body, figure="without_assembly")) == body["without_assembly"]
        for name in SURVEYS:
            assert sum(one["count"] or 1 for one in rows_of(place, body, figure=name)) == body[name]
        for one, listed in zip(
            rows_of(place, body, figure="isolation_exceptions"), body["isolation_exceptions_listed"], strict=True
        ):
            assert (one["id"], one["because"]) == (listed["id"], listed["because"])
        # What a row names can be read, and is what the figure says.
        for name, holds in (
            ("failed", lambda thing: thing["verdict"]["outcome"] == "fail"),
            ("not_tested", lambda thing, until=body["until"]: served(place, thing["id"], dt.date.fromisoformat(until))),
        ):
            for one in rows_of(place, body, figure=name):
                assert holds(world.client.get(one["href"], headers=bearer(place.keys["regulator"])).json())
    assert walked > 200
    headers = bearer(place.keys["utility"]) | {"Accept": "text/csv"}
    answer = world.client.get(body["rows"].partition("{")[0], params={"figure": "tests"}, headers=headers)
    assert len(list(csv.DictReader(io.StringIO(answer.text, newline="")))) == body["total"]["tests"]


@pytest.mark.slow
def test_over_several_utilities_figures_add_up_and_the_median_is_of_all_repairs(place: Place, world: World) -> None:
    other = world.place()
    world.operator.put(f"{other.base}/grants/{place.organisations['regulator']}").raise_for_status()
    lives = [(one, lived(one, world, seed)) for one, seed in ((place, 5), (other, 6))]
    world.clock.pass_by(seconds=6)
    differed = 0
    for year in (2024, 2025, 2026):
        answer = world.client.get(f"/v1/summaries/{year}", headers=bearer(place.keys["regulator"]))
        body = answer.json()
        singles = [one.get(f"/summaries/{year}").json() for one, _ in lives]
        assert body["utilities"] == sorted(singles, key=lambda one: str(one["utility"]))
        for name in (*COUNTED, "unprotected_days"):
            assert body["total"][name] == sum(one["total"][name] for one in singles)
        days = [day for one, assemblies in lives for day in recount(one, assemblies, year)[None].get("days_to_repair", [])]
        assert body["total"]["median_days_to_repair"] == (statistics.median(days) if days else None)
        medians = [one["total"]["median_days_to_repair"] for one in singles if one["total"]["repaired"]]
        differed += bool(medians) and body["total"]["median_days_to_repair"] != statistics.median(medians)
        for group in body["groups"]:
            same = [g for one in singles for g in one["groups"] if (g["kind"], g["hazard"]) == (group["kind"], group["hazard"])]
            assert group["tests"] == sum(one["tests"] for one in same)
        assert body["premises"] == sum(one["premises"] for one in singles)
        assert body["incidents"] == sum(one["incidents"] for one in singles)
    # A median of medians would not do.
    assert differed
    own = world.client.get("/v1/summaries/2026", headers=bearer(place.keys["utility"])).json()
    assert [one["utility"] for one in own["utilities"]] == [place.code]
    headers = bearer(place.keys["regulator"]) | {"Accept": "text/csv"}
    rows = list(csv.DictReader(io.StringIO(world.client.get("/v1/summaries/2026", headers=headers).text, newline="")))
    assert [row["utility"] for row in rows if row["kind"] == "total"] == [*sorted([place.code, other.code]), "all"]
    assert rows[-1]["tests"] == str(body["total"]["tests"])
    assert world.client.get("/v1/summaries/2027", headers=bearer(place.keys["regulator"])).status_code == 422


def page_of(place: Place, path: str) -> httpx.Response:
    """A page, as a browser asks for it."""
    headers = bearer(place.keys["regulator"]) | {"Accept": "text/html"}
    answer = place.world.client.get(path, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("text/html")
    return answer


def test_the_page_leads_from_each_figure_to_its_rows_and_needs_nothing_from_elsewhere(place: Place, world: World) -> None:
    lived(place, world, 7)
    body = place.get("/summaries/2025").json()
    answer = page_of(place, f"{place.base}/summaries/2025")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert not re.search(r"<script|<iframe|<object|<embed|<link|@import|url\(|https?://", answer.text)
    links = re.findall(r'<a href="([^"]+)">([\d,.]+)</a>', answer.text)
    assert len(links) > 20
    for href, figure in links:
        asked = dict(parse_qsl(urlsplit(html.unescape(href)).query))
        found = rows_of(place, body, **asked)
        number = float(figure.replace(",", ""))
        if asked["figure"] == "unprotected_days":
            assert sum(one["days"] for one in found) == number
        else:
            assert number in (
                sum(one["count"] or 1 for one in found),
                statistics.median(one["days"] for one in found) if asked["figure"] == "repaired" else None,
            )
    # Every figure of the total is on the page.
    numbers = re.findall(r'<td class="figure total">(?:<a [^>]+>)?([\d,.–%]+)', answer.text)
    for value in body["total"].values():
        if isinstance(value, int):
            assert f"{value:,}" in numbers


def test_names_on_the_page_are_text_and_nothing_more(place: Place, world: World) -> None:
    path = f"/v1/utilities/{place.code}"
    tag = world.operator.get(path).headers["etag"]
    headers = {"If-Match": tag, "Content-Type": "application/merge-patch+json"}
    world.operator.patch(path, json={"name": '<b>Water</b> & "Co"'}, headers=headers).raise_for_status()
    text = page_of(place, f"{place.base}/summaries/2026").text
    assert "&lt;b&gt;Water&lt;/b&gt; &amp; &#34;Co&#34;" in text
    assert "<b>" not in text


@pytest.mark.parametrize("asked", [{}, {"figure": "colour"}, {"figure": "tests", "kind": "rpx"}, {"figure": "tests", "limit": 0}])
def test_rows_of_no_figure_are_refused(place: Place, asked: dict[str, Any]) -> None:
    assert place.get("/summaries/2026/rows", **asked).status_code == 400
    assert place.get("/summaries/2027/rows", figure="tests").status_code == 422


@pytest.mark.slow
def test_counting_in_several_sessions_states_the_same(place: Place, world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    lived(place, world, 8)
    alone = [place.get(f"/summaries/{year}").json() for year in (2024, 2025, 2026)]
    fanned: list[bool] = []
    spare = Pool.spare

    @asynccontextmanager
    async def noted(pool: Pool, wanted: int) -> AsyncIterator[bool]:
        async with spare(pool, wanted) as may:
            fanned.append(may)
            yield may

    monkeypatch.setattr(summaries, "LARGE", 1)
    monkeypatch.setattr(Pool, "spare", noted)
    assert [place.get(f"/summaries/{year}").json() for year in (2024, 2025, 2026)] == alone
    assert fanned == [True] * 3
    # Asked by more at once than there are connections, each gets its answer.
    with ThreadPoolExecutor(24) as many:
        result = list(many.map(lambda _: place.get("/summaries/2026").json(), range(48)))
    assert result == [alone[-1]] * 48
    assert {True, False} <= set(fanned)


async def test_every_session_of_a_summary_reads_the_same_snapshot(
    place: Place, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool = await Pool.open(world.database.dsn, size=6)
    spare, fanned = Pool.spare, []

    @asynccontextmanager
    async def disturbed(own: Pool, wanted: int) -> AsyncIterator[bool]:
        async with spare(own, wanted) as may:
            # What is written once the summary has begun, before the other sessions have, is in none of its figures.
            await asyncio.to_thread(
                world.database.owner,
                "UPDATE record.premises SET connection = 'fire', version = version + 1 WHERE utility_id = $1",
                place.code,
            )
            fanned.append(may)
            yield may

    place.recorded()
    monkeypatch.setattr(summaries, "LARGE", 1)
    monkeypatch.setattr(Pool, "spare", disturbed)
    days = summaries.Days(first=dt.date(2026, 1, 1), last=TODAY, today=TODAY)
    result = await summaries.SummaryStore(pool).year(place.code, days)
    await pool.close()
    assert (result.connections, fanned) == ({"irrigation": 1}, [True])
    assert place.get("/summaries/2026").json()["connections"] == [{"connection": "fire", "premises": 1, "without_assembly": 0}]


def test_an_assembly_that_was_never_tested_is_overdue_from_the_day_after_its_first_test_was_due(
    place: Place, world: World
) -> None:
    """Common practice, no source: the register's day stands in for an installation that nobody dated; see tests/rules/standing."""
    installed = place.new_assembly("svb", installed_on="2026-05-30")
    place.new_assembly("svb", installed_on="2026-05-30", in_service=False)

    def late() -> list[str]:
        total = place.get("/summaries/2026").json()["total"]
        rows = place.get("/summaries/2026/rows", figure="overdue").json()["items"]
        assert total["overdue"] == len(rows)
        return sorted(one["id"] for one in rows)

    assert late() == [installed]
    world.clock.pass_by(days=1)
    assert late() == sorted([installed, place.assembly])
    place.recorded()
    assert late() == [installed]


def test_a_past_year_states_what_was_overdue_on_its_last_day_by_what_was_known_then(place: Place, world: World) -> None:
    """Washington tests yearly, WAC 246-290-490(7)(b); this utility lies in Los Angeles, whose year ends eight hours after UTC's."""
    late, met, reported_late, reworked, never, again, released, due_that_day = (place.new_assembly("pvb") for _ in range(8))
    gauge = place.made(
        "gauges",
        serial_number="G-9",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": f"20{n}-01-02"} for n in range(25, 29)],
    )["id"]

    def test(assembly: str, moment: dt.datetime, *, received: dt.datetime | None = None, **more: Any) -> str:
        world.clock.moment = received or moment
        report = place.report(
            assembly_id=assembly, gauge_id=gauge, performed_at=(moment - dt.timedelta(hours=1)).isoformat(), **more
        )
        answer = place.put(uuid4(), report)
        assert answer.status_code == 201, answer.text
        return str(answer.json()["report"]["id"])

    first = dt.datetime(2026, 6, 2, 19, tzinfo=dt.UTC)
    for assembly in (place.assembly, late, met, reported_late, reworked, again, released):
        test(assembly, first)
    # Due on the last day of 2027, and so not overdue before the next.
    test(due_that_day, dt.datetime(2026, 12, 31, 20, tzinfo=dt.UTC))
    # Of 2027: one was tested on its very last evening, after midnight UTC; one too, and that was reported in January.
    test(met, dt.datetime(2028, 1, 1, 7, tzinfo=dt.UTC))
    test(reported_late, dt.datetime(2027, 12, 1, 19, tzinfo=dt.UTC), received=dt.datetime(2028, 1, 1, 9, tzinfo=dt.UTC))
    test(late, dt.datetime(2028, 2, 1, 19, tzinfo=dt.UTC))
    # A repair makes the next test due again, though the last is recent.
    test(reworked, dt.datetime(2027, 9, 1, 19, tzinfo=dt.UTC))
    world.clock.moment = dt.datetime(2027, 10, 1, 19, tzinfo=dt.UTC)
    one = place.get(f"/assemblies/{reworked}").json()
    headers = {"If-Match": f'"{one["version"]}"'}
    repair = {"occurrences": [{"event": "repair", "on": "2027-10-01"}]}
    assert world.operator.patch(f"{place.base}/assemblies/{reworked}", json=repair, headers=headers).status_code == 200
    # One that failed is not overdue but failed; one that waits for a decision is, though it is released afterwards.
    test(again, dt.datetime(2027, 9, 1, 19, tzinfo=dt.UTC), check=0.4)
    held = test(released, dt.datetime(2027, 9, 1, 19, tzinfo=dt.UTC), declared="fail")
    world.clock.moment = dt.datetime(2028, 3, 1, 19, tzinfo=dt.UTC)
    test_reviews.decide(place, held, "accepted").raise_for_status()
    rows = place.get("/summaries/2027/rows", figure="overdue").json()["items"]
    assert {row["id"] for row in rows} == {place.assembly, late, reported_late, reworked, never, released}
    total = place.get("/summaries/2027").json()["total"]
    assert (total["overdue"], total["rates"]["overdue"]) == (6, 6 / 9)
    assert place.get("/summaries/2027/rows", figure="overdue", kind="rp").json()["items"] == []
    # Before the register knew of them, nothing was overdue; in the year that runs, the standings of today count.
    assert place.get("/summaries/2025").json()["total"]["overdue"] == 0
    assert {row["id"] for row in place.get("/summaries/2028/rows", figure="overdue").json()["items"]} == {
        place.assembly,
        never,
        reworked,
        due_that_day,
    }
    everywhere = world.operator.get("/v1/summaries/2027").json()["utilities"]
    assert next(one for one in everywhere if one["utility"] == place.code)["total"]["overdue"] == 6


def test_a_past_year_stays_as_it_was_when_an_assembly_retires_today(place: Place, world: World) -> None:
    lived(place, world, 9)
    serving = [
        one for one in place.get("/assemblies", limit=500).json()["items"] if one["in_service"] and "replaced_by" not in one
    ]
    before = {year: place.get(f"/summaries/{year}").json() for year in range(2022, 2026)}
    assert before[2025]["total"]["assemblies"] > 6
    this_year = place.get("/summaries/2026").json()["total"]
    for one in serving[:-1]:
        patched(place, one["id"], in_service=False, service_because="Water turned off")
    last = serving[-1]
    replacement = {name: last[name] for name in ("premises_id", "kind", "hazard")}
    place.made("assemblies", **replacement, replaces=last["id"], installed_on="2026-06-01")
    assert {year: place.get(f"/summaries/{year}").json() for year in range(2022, 2026)} == before
    total = place.get("/summaries/2026").json()["total"]
    assert (total["assemblies"], total["removed"], total["replaced"]) == (1, this_year["removed"] + len(serving) - 1, 1)
    # And what it was on the last day of last year is the same too.
    assert all(
        place.get(f"/assemblies/{one['id']}/standing", as_of="2026-06-01").json()["status"] == "out_of_service" for one in serving
    )


def test_notices_are_counted_by_step_in_the_year_in_which_they_were_first_sent(place: Place, world: World) -> None:
    place.recorded()
    place.new_assembly("svb", hazard="non_health", installed_on="2026-01-01")
    test_notices.run(place)
    notices = place.get("/notices", limit=500).json()["items"]
    assert notices
    for notice in notices:
        sent = world.operator.patch(
            f"{place.base}/notices/{notice['id']}", json={"state": "sent"}, headers={"If-Match": f'"{notice["version"]}"'}
        )
        assert sent.status_code == 200, sent.text
    body = place.get("/summaries/2026").json()
    assert body["total"]["notices"] == len(notices) == sum(one["sent"] for one in body["notices"])
    assert {one["step"] for one in body["notices"]} == {one["step"] for one in notices}
    assert {row["id"] for row in rows_of(place, body, figure="notices")} == {one["id"] for one in notices}
    assert place.get("/summaries/2025").json()["total"]["notices"] == 0
