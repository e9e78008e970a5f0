"""Fifteen months of a utility, day by day: what runs prepared is what a plain reporting of the schedule says, nothing more and nothing less.

Tests pass, fail and are corrected, assemblies go out of service and come back, runs are missed for weeks, and what is prepared is sent,
bounces or is cancelled. The plain reporting below knows no windows, no SQL and nothing of the service: it goes through the
assemblies one by one, as a clerk with a calendar would.
"""

import datetime as dt
import random
from typing import Any

import pytest

from service.db.pool import Pool
from service.notices.runs import NoticeRuns
from service.notices.store import NoticeStore
from service.registry.store import RegistryStore
from tests.service.notices.test_notices import LOST, listed, patch
from tests.support.serving import NOON
from tests.support.world import Place, World, certificate, phase

DAYS = 460
ASSEMBLIES = 10
TESTS = {"pass": {}, "degraded": {"initial_test": phase(0.6)}, "lost": LOST}
# The common schedule as a clerk would have it on the wall: the first day of each step, counted from the due day. Common practice.
WALL = [(60, "overdue_final"), (30, "overdue_second"), (1, "overdue_first"), (-30, "due")]


class Card:
    """What the clerk knows of one assembly, and the notices that the clerk has written about it."""

    def __init__(self, *, registered: dt.date | None = None) -> None:
        self.registered = registered
        """The day it came into the register, of one that nobody ever tests: its first test is due from then (common practice, no source)."""
        self.tests: list[tuple[str, dt.date, str]] = []
        """Those that were not corrected, as they were performed: report, day, outcome."""
        self.in_service = True
        self.returned: list[dt.date] = []
        """The days on which it came back into service: it is tested then."""
        self.notices: list[dict[str, Any]] = []

    def about(self) -> tuple[str, str | dt.date] | None:
        """What there is to report: a failing report by what is left, or the due day; nothing, if nothing.

        Oregon tests once every 12 months (OAR 333-061-0070(6)); that an assembly is tested when it serves again is common practice.
        """
        if self.registered is not None:
            return "due", self.registered
        if not self.in_service or not self.tests:
            return None
        report, day, outcome = self.tests[-1]
        if outcome != "pass":
            return ("unprotected" if outcome == "lost" else "failed"), report
        return "due", min([day.replace(year=day.year + 1), *(back for back in self.returned if back > day)])

    def strike(self) -> None:
        """Strike out what was not sent and no longer holds."""
        for one in self.notices:
            if one["state"] in ("prepared", "delivery_failed") and one["about"] != self.about():
                one["state"] = "withdrawn"

    def write(self, on: dt.date) -> None:
        """Write the notice that is right on that day, unless it was written before."""
        about = self.about()
        if about is None:
            return
        kind, of = about
        step = kind
        if isinstance(of, dt.date):
            late = (on - of).days
            if late < WALL[-1][0]:
                return
            step = next(step for days, step in WALL if late >= days)
        before = [one for one in self.notices if one["about"] == about and one["state"] != "withdrawn"]
        if any(one["step"] == step for one in before):
            return
        for one in before:
            if one["state"] in ("prepared", "delivery_failed"):
                one["state"] = "withdrawn"
        self.notices.append({"step": step, "about": about, "state": "prepared", "on": on})


@pytest.mark.slow
async def test_a_year_of_runs_is_what_a_clerk_with_a_calendar_would_have_written(world: World) -> None:
    place = world.place("us-or")
    at_random = random.Random(23)  # noqa: S311 - the same every time
    gauge = place.made(
        "gauges",
        serial_number="G-3",
        units={"pressure": "psi"},
        accuracy=0.2,
        resolution=0.1,
        calibrations=[{"calibrated_on": str(dt.date(2026, 1, 1) + dt.timedelta(days=90 * n))} for n in range(9)],
    )["id"]
    tester = place.made("testers", name="T", certificates=[certificate(valid_until="2030-01-01")])["id"]
    cards = {place.new_assembly("pvb"): Card() for _ in range(ASSEMBLIES)}
    every = cards | {place.assembly: Card(registered=NOON.date())}
    pool = await Pool.open(world.database.dsn, size=2)
    runs = NoticeRuns(NoticeStore(pool), RegistryStore(pool), world.clock)
    missed = 0
    for day in range(DAYS):
        world.clock.moment = NOON + dt.timedelta(days=day)
        today = world.clock.moment.date()
        for assembly, card in cards.items():
            # All are tested at first, and each again about once a year; a failed one is repaired after some weeks.
            failing = bool(card.tests) and card.tests[-1][2] != "pass"
            if not card.tests or at_random.random() < (0.03 if failing else 0.0015):
                outcome = at_random.choices(list(TESTS), [7, 2, 1])[0]
                result = place.recorded(assembly_id=assembly, gauge_id=gauge, tester_id=tester, **TESTS[outcome])
                assert result["verdict"]["acceptance"] == "accepted"
                card.tests.append((result["report"]["id"], today, outcome))
            elif at_random.random() < 0.002:
                outcome = at_random.choice(list(TESTS))
                wrong = card.tests.pop()[0]
                place.world.clock.pass_by(minutes=1)
                result = place.recorded(
                    assembly_id=assembly,
                    gauge_id=gauge,
                    tester_id=tester,
                    supersedes=wrong,
                    supersedes_because="mixed up",
                    **TESTS[outcome],
                )
                card.tests.append((result["report"]["id"], today, outcome))
            elif at_random.random() < (0.002 if card.in_service else 0.05):
                card.in_service = not card.in_service
                if card.in_service:
                    card.returned.append(today)
                version = place.get(f"/assemblies/{assembly}").json()["version"]
                patch(place, f"/assemblies/{assembly}", {"in_service": card.in_service}, version).raise_for_status()
            card.strike()
        if missed == 0 and at_random.random() < 0.05:
            missed = at_random.randint(1, 40)
        if missed:
            missed -= 1
            continue
        async for _ in runs.follow(place.code):
            pass
        for card in every.values():
            card.write(today)
        if day % 3 == 0:
            _deliver(place, every, at_random)
    await pool.close()
    world.clock.moment = NOON
    written = [
        (assembly, one["step"], str(one["about"][1]), str(one["on"]), one["state"])
        for assembly, card in every.items()
        for one in card.notices
    ]
    kept = [
        (one["assembly_id"], one["step"], one["due_on"] or one["report_id"], one["created_at"][:10], one["state"])
        for one in listed(place)
    ]
    assert sorted(kept) == sorted(written)
    # The year had some of everything.
    assert {step for _, step, *_ in kept} == {"failed", "unprotected", *(step for _, step in WALL)}
    assert {state for *_, state in kept} == {"prepared", "sent", "delivery_failed", "cancelled", "withdrawn"}
    assert len(kept) > 2 * ASSEMBLIES


def _deliver(place: Place, cards: dict[str, Card], at_random: random.Random) -> None:
    """The utility's software delivers some of what is prepared, and the clerk notes what became of it."""
    for notice in listed(place, state="prepared"):
        fate = at_random.choices(["", "sent", "delivery_failed", "cancelled"], [4, 4, 1, 1])[0]
        if fate:
            patch(place, f"/notices/{notice['id']}", {"state": fate}, notice["version"]).raise_for_status()
            of = notice["due_on"] or notice["report_id"]
            [noted] = [
                one
                for one in cards[notice["assembly_id"]].notices
                if one["state"] == "prepared" and (one["step"], str(one["about"][1])) == (notice["step"], of)
            ]
            noted["state"] = fate
