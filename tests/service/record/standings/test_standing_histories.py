"""Made-up programmes of a year or two through HTTP and the database: every standing, today's and past days', is what was plainly reported.

What is expected is worked out by tests/rules/standing/plain.py from what the test itself sent, never from the service's own record, except
for the verdicts, which have tests of their own.
"""

import asyncio
import datetime as dt
import json
import random
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest

from service.db.pool import Pool
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.rules.standing import plain
from tests.rules.standing.plain import Case, Happening, Test
from tests.support.databases import in_thread
from tests.support.serving import NOON
from tests.support.world import Place, World, bearer, certificate, phase

START = dt.datetime(2025, 4, 2, 17, tzinfo=dt.UTC)
HERE = ZoneInfo("America/Los_Angeles")
SOON = 30


class Programme:
    """A utility over simulated time, and everything that was reported to it."""

    def __init__(self, world: World, rulebook: str, assemblies: int, source: random.Random) -> None:
        self.world, self.source, self.rulebook = world, source, rulebook
        world.clock.moment = START
        self.place = world.place(rulebook)
        self.uncertified = self.place.made("testers", name="U", certificates=[])["id"]
        self.place.tester = self.place.made("testers", name="T", certificates=[certificate()])["id"]
        self.place.gauge = self.place.made(
            "gauges",
            serial_number="G-2",
            units={"pressure": "psi"},
            accuracy=0.2,
            resolution=0.1,
            calibrations=[{"calibrated_on": str(dt.date(2025, 1, 1) + dt.timedelta(days=90 * n))} for n in range(16)],
        )["id"]
        self.premises = [
            self.place.made("premises", name="P", address="A", connection=connection) for connection in plain.CONNECTIONS[:3]
        ]
        self.assemblies = {
            one["id"]: one
            for one in (
                self.place.made(
                    "assemblies",
                    premises_id=source.choice(self.premises)["id"],
                    kind="pvb",
                    hazard=source.choice(plain.HAZARDS),
                    purpose="point_of_use",
                    **self._optional(),
                )
                for _ in range(assemblies)
            )
        }
        self.tests: dict[str, list[Test]] = {one: [] for one in self.assemblies}
        # By assembly: from each day on, whether it is in service.
        self.services: dict[str, list[tuple[dt.date, bool]]] = {one: [(dt.date.min, True)] for one in self.assemblies}
        self.corrected: set[str] = set()
        # By report: each decision on it with its moment.
        self.decisions: dict[str, list[tuple[dt.datetime, str]]] = {}
        # By incident: each revision with its moment, and the assemblies that stood at its premises then.
        self.incidents: dict[str, list[tuple[dt.datetime, dict[str, Any], set[str]]]] = {}

    def _optional(self) -> dict[str, Any]:
        choices: dict[str, list[Any]] = {
            "installed_on": [None, None, "2025-03-01", "2025-12-15"],
            "season": [None, None, {"starts": "04-31", "ends": "10-31"}],
            "test_interval_months": [None, None, 3, 24],
        }
        chosen = {name: self.source.choice(values) for name, values in choices.items()}
        return {name: value for name, value in chosen.items() if value is not None}

    def pass_time(self) -> None:
        """Days and hours pass; then the register changes, incidents are reported, and reports come in, late ones too."""
        self.world.clock.pass_by(days=self.source.randrange(4, 70), hours=self.source.randrange(24))
        for one in self.source.sample(sorted(self.assemblies), len(self.assemblies) // 8):
            self._change(one)
        if self.source.random() < 0.3:
            self._change_premises()
        for _ in range(2):
            self._report_incident()
        self._decide()
        self._report()

    def _decide(self) -> None:
        """Some held reports are decided on, some of them not for the first time."""
        for one in self.world.operator.get(f"{self.place.base}/reviews?limit=500").json()["items"]:
            if self.source.random() < 0.4:
                decision = self.source.choice(("accepted", "accepted", "refused"))
                self._patch("reviews", one, {"decision": decision, "because": "B", "decided_by": "D"})
                self.decisions.setdefault(one["id"], []).append((self.world.clock.now(), decision))

    def _patch(self, plural: str, thing: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
        path = f"{self.place.base}/{plural}/{thing['id']}"
        answer = self.world.operator.patch(path, json=change, headers={"If-Match": f'"{thing["version"]}"'})
        assert answer.status_code == 200, answer.text
        return dict(answer.json())

    def _change(self, assembly: str) -> None:
        before = self.assemblies[assembly]
        today = self.world.clock.now().astimezone(HERE).date()
        event = {
            "event": self.source.choice(("repair", "reoccupancy")),
            "on": str(today - dt.timedelta(days=self.source.randrange(40))),
        }
        change: dict[str, Any] = self.source.choice(
            [
                {"hazard": self.source.choice(plain.HAZARDS)},
                {"in_service": not before["in_service"]},
                {"premises_id": self.source.choice(self.premises)["id"]},
                {"occurrences": [*before["occurrences"], event]},
                {"season": None, "test_interval_months": None, **self._optional()},
            ]
        )
        self.assemblies[assembly] = self._patch("assemblies", before, change)
        if "in_service" in change:
            self.services[assembly].append((today, change["in_service"]))

    def _change_premises(self) -> None:
        n = self.source.randrange(len(self.premises))
        self.premises[n] = self._patch("premises", self.premises[n], {"connection": self.source.choice(plain.CONNECTIONS)})

    def _report_incident(self) -> None:
        now = self.world.clock.now()
        facts: dict[str, Any] = {
            "occurred_at": (now - dt.timedelta(days=self.source.randrange(90), hours=self.source.randrange(1, 24))).isoformat(),
            "status": self.source.choice(("suspected", "confirmed", "unfounded")),
            "assemblies": self.source.sample(sorted(self.assemblies), self.source.randrange(3)),
            "premises": self.source.sample([one["id"] for one in self.premises], self.source.choice((0, 0, 0, 1))),
        }
        if self.incidents and self.source.random() < 0.5:
            incident, revisions = self.source.choice(list(self.incidents.items()))
            part = self.source.choice((["occurred_at"], ["status"], ["assemblies", "premises"]))
            change = {name: facts[name] for name in part}
            self._patch("incidents", {"id": incident, "version": len(revisions)}, change)
            facts = revisions[-1][1] | change
        else:
            incident = str(uuid4())
            answer = self.world.operator.put(f"{self.place.base}/incidents/{incident}", json={**facts, "description": "D"})
            assert answer.status_code == 201, answer.text
        there = {one["id"] for one in self.assemblies.values() if one["premises_id"] in facts["premises"]}
        self.incidents.setdefault(incident, []).append((now, facts, there))

    def _report(self) -> None:
        """A batch of reports, some of its lines sent twice; two assemblies are never reported on."""
        lines = [self._line(one) for one in list(self.assemblies)[2:] for _ in range(self.source.choice((0, 0, 1, 1, 2)))]
        again = self.source.sample(lines, len(lines) // 10)
        now = self.world.clock.now()
        body = "".join(json.dumps(line) + "\n" for line in [*lines, *again])
        headers = bearer(self.place.keys["testing_company"]) | {"Content-Type": "application/x-ndjson"}
        answer = self.world.client.post(f"{self.place.base}/reports/batches", content=body, headers=headers)
        listed = [json.loads(line) for line in answer.text.splitlines()]
        assert [one["status"] for one in listed] == [201] * len(lines) + [200] * len(again)
        for line, one in zip(lines, listed, strict=False):
            verdict, moment = one["verdict"], dt.datetime.fromisoformat(line["performed_at"])
            initial, last = verdict["initial"], verdict["final"] or verdict["initial"]
            self.tests[line["assembly_id"]].append(
                Test(
                    id=line["id"],
                    day=min(moment, now).astimezone(HERE).date(),
                    moment=moment,
                    received=now,
                    outcome=verdict["outcome"],
                    first=initial["outcome"],
                    first_protection=initial["mechanical_protection"],
                    protection=last["mechanical_protection"],
                    acceptance=verdict["acceptance"],
                    supersedes=line.get("supersedes"),
                    reason=line["reason"],
                )
            )

    def _line(self, assembly: str) -> dict[str, Any]:
        source = self.source
        performed_at = self.world.clock.now() - dt.timedelta(
            days=source.choice((0, 1, 3, 30, 150)), hours=source.randrange(1, 24)
        )
        report = self.place.report(assembly_id=assembly, performed_at=performed_at.isoformat(), initial_test=self._phase())
        if source.random() < 0.2:
            report |= {
                "repairs": [{"component": "check", "part": "disc", "action": "cleaned"}],
                "final_test": self._phase(good=0.8),
            }
        if source.random() < 0.1:
            report["declared"] = source.choice(("pass", "fail"))
        if source.random() < 0.1:
            report["reason"] = "repair"
        if source.random() < 0.1:
            # Dated ahead: it is refused, and its failure counts from its receipt.
            report["performed_at"] = (self.world.clock.now() + dt.timedelta(days=source.choice((2, 300)))).isoformat()
        if source.random() < 0.1:
            report["tester_id"] = self.uncertified
        kept = self.tests[assembly]
        open_ones = [one.id for one in kept if not any(other.supersedes == one.id for other in kept)]
        chosen = source.choice(open_ones) if open_ones else None
        if chosen is not None and source.random() < 0.15 and chosen not in self.corrected:
            report |= {"supersedes": chosen, "supersedes_because": "misread"}
            self.corrected.add(chosen)
        return {**report, "id": str(uuid4())}

    def _phase(self, good: float = 0.7) -> dict[str, Any]:
        check, air_inlet = (
            round(self.source.uniform(*((1.2, 3) if self.source.random() < good else (0.2, 0.8))), 1) for _ in range(2)
        )
        result = phase(check, air_inlet)
        if self.source.random() < 0.05:
            result["readings"].pop()
        return result

    def _decided(self, one: Test, by: dt.datetime | None) -> Test:
        made = [decision for moment, decision in self.decisions.get(one.id, []) if by is None or moment < by]
        return replace(one, acceptance=made[-1]) if made else one

    def case(self, assembly: str, *, reported_by: dt.datetime | None = None, known_by: dt.datetime | None = None) -> Case:
        """What the test knows of an assembly: with what had been reported of incidents (and decided of reports) by a moment, of those known by a moment."""
        facts = self.assemblies[assembly]
        ended = reported_by or known_by
        days = self.services[assembly] if ended is None else [one for one in self.services[assembly] if one[0] < ended.date()]
        happened = [Happening(event=one["event"], day=dt.date.fromisoformat(one["on"])) for one in facts["occurrences"]]
        for revisions in self.incidents.values():
            by_then = [one for one in revisions if reported_by is None or one[0] < reported_by]
            if not by_then or (known_by is not None and revisions[0][0] >= known_by):
                continue
            _, incident, there = by_then[-1]
            if incident["status"] != "unfounded" and (
                assembly in incident["assemblies"] or assembly in there or facts["premises_id"] in incident["premises"]
            ):
                moment = dt.datetime.fromisoformat(incident["occurred_at"])
                suspected = assembly in incident["assemblies"]
                happened.append(
                    Happening(event="incident", day=moment.astimezone(HERE).date(), moment=moment, suspected=suspected)
                )
        month, _, day = facts.get("season", {"starts": ""})["starts"].partition("-")
        installed = facts.get("installed_on")
        return Case(
            rulebook=self.rulebook,
            hazard=facts["hazard"],
            in_service=days[-1][1],
            connection=next(one["connection"] for one in self.premises if one["id"] == facts["premises_id"]),
            installed=None if installed is None else dt.date.fromisoformat(installed),
            season=(int(month), int(day)) if month else None,
            own_months=facts.get("test_interval_months"),
            registered=dt.datetime.fromisoformat(facts["created_at"]).astimezone(HERE).date(),
            happenings=tuple(happened),
            tests=tuple(self._decided(one, reported_by) for one in self.tests[assembly]),
        )


def expected(case: Case, on: dt.date) -> dict[str, Any]:
    """A standing as HTTP states it on a day, by the plain revision."""
    kept = plain.stated(case)
    status, since = plain.on_day(case, on, SOON), kept.since
    if kept.due is not None and status == "overdue":
        since = kept.due + dt.timedelta(days=1)
    elif kept.due is not None and status == "due_soon":
        since = kept.due - dt.timedelta(days=SOON)
    # A severe hazard takes an air gap (Washington: or an RP behind one), so a vacuum breaker that works is not enough there.
    enough = case.hazard != "severe" or kept.protection not in ("full", "degraded")
    protection = kept.protection if enough else "insufficient"
    facts = {"status": status, "due_on": kept.due, "protection": protection, "report_id": kept.report, "since": since}
    return {name: str(value) if isinstance(value, dt.date) else value for name, value in facts.items()}


def check_today(programme: Programme) -> Counter[str]:
    """Every standing in the list is the plain one, and working them out again finds none that differs."""
    on = programme.world.clock.now().astimezone(HERE).date()
    path, met = f"{programme.place.base}/standings?limit=500", Counter[str]()
    while path:
        page = programme.world.operator.get(path).json()
        path = page["next"]
        for one in page["items"]:
            if one["assembly_id"] in programme.assemblies:
                plainly = expected(programme.case(one["assembly_id"]), on)
                assert {name: one[name] for name in plainly} == plainly, programme.case(one["assembly_id"])
                met[one["status"]] += 1
                met["insufficient"] += one["protection"] == "insufficient"
                met["doubted"] += one["protection"] == "unknown" and one["report_id"] is not None
    assert rebuilt(programme.place) == []
    return met


def rebuilt(place: Place) -> list[Any]:
    async def rebuild() -> list[Any]:
        pool = await Pool.open(place.world.database.dsn, size=1)
        try:
            return await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code))
        finally:
            await pool.close()

    return list(in_thread(lambda: asyncio.run(rebuild())))


def check_past(programme: Programme, days: list[dt.date], share: float) -> Counter[str]:
    """A past day's standing is what the record of that day plainly says, and it says so where what was known then has been put right since."""
    met = Counter[str]()
    for on in days:
        ended = dt.datetime.combine(on + dt.timedelta(days=1), dt.time(), HERE)
        for one in programme.source.sample(sorted(programme.assemblies), int(len(programme.assemblies) * share)):
            answer = programme.place.get(f"/assemblies/{one}/standing", as_of=str(on)).json()
            then = programme.case(one, reported_by=ended).knowing(ended)
            plainly = expected(then, on)
            assert {name: answer[name] for name in plainly} == plainly, (on, then)
            corrected = programme.case(one, known_by=ended)
            known = {test.id for test in corrected.tests if test.received < ended}
            while more := {test.id for test in corrected.tests if test.supersedes in known} - known:
                known |= more
            corrected = Case(**{**vars(corrected), "tests": tuple(test for test in corrected.tests if test.id in known)})
            now = expected(corrected, on)
            changed = any(plainly[name] != now[name] for name in ("status", "due_on", "protection", "since"))
            result = answer["later_corrections"] or answer["incidents_revised"] or answer["later_decisions"]
            assert bool(result) == changed, (on, answer, then, corrected)
            met["changed" if changed else "same"] += 1
            met["revised"] += bool(answer["incidents_revised"])
            met["decided"] += bool(answer["later_decisions"])
    return met


def run(world: World, *, assemblies: int, rounds: int, seed: int, share: float) -> tuple[Counter[str], Counter[str]]:
    met, past = Counter[str](), Counter[str]()
    for n, rulebook in enumerate(("us-wa", "us-tx", "us-fl")):
        programme = Programme(world, rulebook, assemblies, random.Random(seed + n))  # noqa: S311 - reproducible on purpose
        days = []
        for _ in range(rounds):
            programme.pass_time()
            days.append(world.clock.now().astimezone(HERE).date() + dt.timedelta(days=programme.source.choice((0, 1, 3))))
        met += check_today(programme)
        past += check_past(programme, days[1:-1], share)
    return met, past


def test_thirty_assemblies_stand_as_their_histories_plainly_say(world: World) -> None:
    met, past = run(world, assemblies=10, rounds=6, seed=11, share=0.3)
    assert met["failed"] > 1
    assert met["insufficient"] > 1
    assert met["doubted"] > 1
    assert past["same"] > past["changed"] > 0


@pytest.mark.slow
def test_two_hundred_assemblies_stand_as_their_histories_plainly_say(world: World) -> None:
    met, past = run(world, assemblies=66, rounds=8, seed=21, share=0.5)
    assert {"current", "due_soon", "overdue", "failed", "untested", "out_of_service", "doubted"} <= {
        name for name, count in met.items() if count > 1
    }
    assert past["changed"] > 10
    assert past["revised"] > 3
    assert past["decided"] > 3


def test_a_standing_that_was_meddled_with_is_found_and_written_anew(world: World) -> None:
    programme = Programme(world, "us-or", 4, random.Random(3))  # noqa: S311 - reproducible on purpose
    programme.pass_time()
    one = min(programme.assemblies)
    world.database.owner(
        "UPDATE record.standing SET basis = jsonb_set(basis::jsonb, '{protection}', '\"full\"')::text, due_on = '2031-01-01' WHERE assembly_id = $1::uuid",
        one,
    )
    assert [str(found) for found in rebuilt(programme.place)] == [one]
    check_today(programme)


def test_reports_and_incidents_that_come_at_once_leave_the_standing_that_follows_from_all(world: World) -> None:
    world.clock.moment = NOON
    place = world.place()
    now = world.clock.now()

    def report(n: int) -> int:
        moment = now - dt.timedelta(minutes=10 * n + 5)
        return place.put(uuid4(), place.report(performed_at=moment.isoformat(), initial_test=phase(1.2 + n / 10))).status_code

    def incident(n: int) -> int:
        facts = {
            "occurred_at": (now - dt.timedelta(minutes=30 * n)).isoformat(),
            "status": "suspected",
            "description": "D",
            "assemblies": [place.assembly],
        }
        return world.operator.post(f"{place.base}/incidents", json=facts).status_code

    with ThreadPoolExecutor(6) as pool:
        listed = [pool.submit(act, n) for n in range(1, 9) for act in (report, incident)]
        assert {one.result() for one in listed} == {201}
    assert rebuilt(place) == []
    # The last test was fifteen minutes ago, the last incident half an hour.
    assert (place.standing()["status"], place.standing()["protection"]) == ("current", "full")
    assert incident(0) == 201
    assert (place.standing()["status"], place.standing()["protection"]) == ("due_soon", "unknown")


def test_repeated_failures_bring_no_shorter_interval_that_the_state_does_not_name(world: World) -> None:
    """WAC 246-290-490 (7)(b)(ii), as a city quotes it: annually, or more frequently *if required by the purveyor*. No figure is the state's."""
    world.clock.moment = NOON - dt.timedelta(days=120)
    place = world.place("us-wa")
    for days, check in ((1, 0.6), (1, 1.8), (60, 1.9), (57, 0.5)):
        world.clock.pass_by(days=days)
        place.recorded(check=check)
    assert place.standing()["status"] == "failed"
    world.clock.moment = NOON
    assert place.recorded(check=2.1)["standing"]["due_on"] == "2027-06-01"
    assert rebuilt(place) == []
