"""Running the screens over a utility's record, and what people decide of what they point out.

A run reads the tests by tester, then by gauge, and keeps only counts of them, so that its memory grows with testers and sorts of
assemblies rather than with reports; what it finds is written as it is found. Running again changes nothing that is the same. Testers are
compared within calendar years, gauges within calibration intervals: those are the occasions on which a screening is one.
"""

import datetime as dt
from collections.abc import AsyncIterator, Callable, Iterable
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules
from rules import screening
from service.registry.calendar import today
from service.registry.schemas import Utility
from service.screenings.geodesy import metres_at_most, metres_between
from service.screenings.schemas import Screening, ScreeningDecision, ScreeningRun
from service.screenings.store import ScreenedRow, ScreeningRow, ScreeningStore

_WRITTEN_AT_ONCE = 200


class _Phase(Struct, frozen=True):
    readings: list[rules.Reading]


class _Assembly(Struct, frozen=True):
    kind: str


class _Judged(Struct, frozen=True):
    """What the screens read of a test as judged; the rest of it is passed over."""

    assembly: _Assembly
    units: rules.TestUnits
    initial_test: _Phase
    gauge: rules.GaugeUsed | UnsetType = UNSET


_DECODE = msgspec.json.Decoder(_Judged).decode
_DECODE_PREVIOUS = msgspec.json.Decoder(rules.PreviousReadings).decode


class _Found:
    """What a run finds, written a few hundred at a time."""

    def __init__(self, store: ScreeningStore, utility: str, now: dt.datetime, new_id: Callable[[], UUID]) -> None:
        self._store, self._utility, self._now, self._new_id = store, utility, now, new_id
        self._waiting: list[dict[str, Any]] = []
        self.found = self.new = self.renewed = 0

    async def add(self, looks: Iterable[screening.SecondLook]) -> None:
        """Keep these, sooner or later."""
        for look in looks:
            self._waiting.append(
                {
                    "id": self._new_id(),
                    "screen": look.screen,
                    f"{look.subject}_id": look.subject_id,
                    "occasion": look.occasion,
                    "on_day": look.on,
                    "message": look.message,
                    "evidence": look.evidence,
                }
            )
        if len(self._waiting) >= _WRITTEN_AT_ONCE:
            await self.write()

    async def write(self) -> None:
        """Write what waits."""
        rows, self._waiting = self._waiting, []
        if rows:
            new, renewed = await self._store.keep(self._utility, rows, now=self._now)
            self.found, self.new, self.renewed = self.found + len(rows), self.new + new, self.renewed + renewed


async def run_screens(
    store: ScreeningStore, utility: Utility, *, since: dt.date | None, now: dt.datetime, new_id: Callable[[], UUID]
) -> ScreeningRun:
    """Look at every test made since 1 January of the year of `since`, or of the year before this one where it is None."""
    on = today(utility, now)
    since = dt.date(max(dt.MINYEAR, on.year - 1) if since is None else since.year, 1, 1)
    zone = ZoneInfo(utility.time_zone)
    found = _Found(store, utility.code, now, new_id)
    tallies: dict[int, dict[str, screening.Tally]] = {}
    middles = screening.Middles()
    count = 0
    async for tests in _groups(_screened(store.tests_by_tester(utility.code, since), zone), lambda test: test.tester_id):
        await found.add(screening.looks_at_times(tests))
        for test in tests:
            tallies.setdefault(test.performed_at.year, {}).setdefault(test.tester_id, screening.Tally()).add(test)
            middles.add(test)
        count += len(tests)
    for year, by_tester in sorted(tallies.items()):
        await found.add(screening.looks_at_testers(year, by_tester))
    halves = []
    by_gauge = _screened(store.tests_by_gauge(utility.code, since), zone)
    async for tests in _groups(by_gauge, lambda test: (test.gauge_id, test.calibrated_on)):
        one = screening.halves_of(tests, middles)
        if one is not None:
            halves.append(one)
    await found.add(screening.looks_at_gauges(halves))
    await found.add(await _identities(store, utility, since, zone))
    await found.write()
    return ScreeningRun(since=since, tests=count, found=found.found, new=found.new, renewed=found.renewed)


async def _identities(store: ScreeningStore, utility: Utility, since: dt.date, zone: ZoneInfo) -> list[screening.SecondLook]:
    start = dt.datetime.combine(since, dt.time(), zone)
    changes = [
        screening.IdentityChange(
            assembly_id=str(row.assembly_id),
            version=row.version,
            on=row.on_day,
            replaced=row.replaced,
            serial_number=(row.serial_number_before, row.serial_number_after),
            size=(row.size_before, row.size_after),
        )
        for row in await store.identity_changes(utility.code, start, utility.time_zone)
    ]
    shared = [
        screening.SharedSerial(
            serial_number=row.serial_number, kind=row.kind, assembly_ids=tuple(map(str, row.assembly_ids)), on=row.on_day
        )
        for row in await store.shared_serials(utility.code, utility.time_zone)
    ]
    return [*screening.looks_at_changes(changes), *screening.looks_at_shared(shared)]


async def _groups(
    tests: AsyncIterator[screening.ScreenedTest], key: Callable[[screening.ScreenedTest], object]
) -> AsyncIterator[list[screening.ScreenedTest]]:
    """Tests that follow one another under one key, together."""
    group: list[screening.ScreenedTest] = []
    async for test in tests:
        if group and key(test) != key(group[-1]):
            yield group
            group = []
        group.append(test)
    if group:
        yield group


async def _screened(rows: AsyncIterator[ScreenedRow], zone: ZoneInfo) -> AsyncIterator[screening.ScreenedTest]:
    last: ScreenedRow | None = None
    async for row in rows:
        test = _test(row, last, zone)
        yield test
        # A test without a time of day says where its tester was, and not when.
        last = row if test.timed else last


def _test(row: ScreenedRow, last: ScreenedRow | None, zone: ZoneInfo) -> screening.ScreenedTest:
    judged = _DECODE(row.judged)
    numbers = screening.numbers_of(judged.initial_test.readings)
    before = () if row.previous is None else screening.numbers_of(_DECODE_PREVIOUS(row.previous).readings)
    gauge = rules.GaugeUsed() if judged.gauge is UNSET else judged.gauge
    unit = judged.units.pressure
    return screening.ScreenedTest(
        report_id=str(row.id),
        assembly_id=str(row.assembly_id),
        tester_id=str(row.tester_id),
        gauge_id=str(row.gauge_id),
        performed_at=row.performed_at.astimezone(zone),
        kind=judged.assembly.kind,
        unit=unit,
        failed=row.initial_outcome == "fail",
        numbers=numbers,
        resolution=None if gauge.resolution is UNSET or row.gauge_unit != unit else gauge.resolution,
        accuracy=0.0 if gauge.accuracy is UNSET else gauge.accuracy,
        calibrated_on=None if gauge.calibrated_on is UNSET else gauge.calibrated_on,
        repeats_last=numbers == before if numbers and before else None,
        metres_from_last=_metres(row, last),
    )


def _metres(row: ScreenedRow, last: ScreenedRow | None) -> float | None:
    """How far from the same tester's test before; None where a place is unknown, or where it is near enough at first sight."""
    if last is None or last.tester_id != row.tester_id:
        return None
    if row.latitude is None or row.longitude is None or last.latitude is None or last.longitude is None:
        return None
    ends = (last.latitude, last.longitude, row.latitude, row.longitude)
    # The exact line costs more than all else that is done with a test.
    if metres_at_most(*ends) <= screening.within_reach(row.performed_at - last.performed_at):
        return None
    return metres_between(*ends)


def shown(row: ScreeningRow, history: list[ScreeningDecision] | UnsetType = UNSET) -> Screening:
    """A screening as it is answered."""
    stated = screening.stated()[row.screen]  # type: ignore[index]
    subject, subject_id = next(
        (kind, value)
        for kind, value in (("tester", row.tester_id), ("gauge", row.gauge_id), ("assembly", row.assembly_id))
        if value
    )
    return Screening(
        id=row.id,
        version=row.version,
        created_at=row.created_at,
        changed_at=row.changed_at,
        screen=stated.screen,
        subject=subject,  # type: ignore[arg-type]
        subject_id=subject_id,
        occasion=row.occasion,
        on=row.on_day,
        message=row.message,
        evidence=msgspec.json.decode(row.evidence, type=screening.ScreeningEvidence),
        false_alarms=stated.false_alarms,
        false_alarms_of=stated.of,
        disposition=row.disposition,  # type: ignore[arg-type]
        decision=UNSET if row.decision is None else msgspec.json.decode(row.decision, type=ScreeningDecision),
        history=history,
        caution=screening.CAUTION,
    )
