"""What the next report of an assembly rests on, kept with its standing so that its reports need not be read again.

A standing rests on few of an assembly's tests: the last valid pass, what came after it, and every failure (`rules.rested_on`). A report's
judgement rests on the readings of the test before it. Both are written with the standing that they led to, and hold for that version of
it only: whoever writes the standing otherwise (a correction, a change of the register, an incident, an older service) leaves them behind,
and the next report reads the assembly's reports and begins again. Where a held test counts, on which a person may decide, nothing is kept.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, Struct, UnsetType
from msgspec.structs import astuple, replace

import rules
from service.record.reports.rows import FactsRow, HistoryRow, MechanicalProtection, Outcome, ReportRow, StandingRow


class Latest(Struct, frozen=True, kw_only=True):
    """The last test by its moment, of those not refused: its unit of pressure, its last readings as `rules.PreviousReadings` in JSON."""

    id: UUID
    performed_at: dt.datetime
    pressure: str
    previous: Raw


class RestsOn(Struct, frozen=True, kw_only=True):
    """The tests that a standing rests on, and the latest of all that were neither refused, voided nor superseded."""

    tests: list[rules.TestEvent]
    latest: Latest | None = None


class _Judged(Struct):
    """Of a test as it was judged, what the next one is compared with."""

    units: rules.TestUnits
    initial_test: rules.Phase
    final_test: rules.Phase | UnsetType = UNSET


class _LatestJudged(Struct):
    id: UUID
    performed_at: dt.datetime
    judged: str


_judged = msgspec.json.Decoder(_Judged).decode
_kept = msgspec.json.Decoder(RestsOn).decode
_latest_judged = msgspec.json.Decoder(_LatestJudged).decode
_counted = msgspec.json.Decoder(list[rules.TestEvent]).decode
_encode = msgspec.json.Encoder().encode


def read(known: FactsRow) -> RestsOn:
    """What the next report of that assembly rests on: as it was kept, or else from its reports."""
    if known.rests_on is not None:
        return _kept(known.rests_on)
    tests = [] if known.counted is None else _counted(known.counted)
    if known.latest is None:
        return RestsOn(tests=tests)
    result = _latest_judged(known.latest)
    judged = _judged(result.judged)
    return RestsOn(tests=tests, latest=latest(result.id, result.performed_at, judged))


def latest(report_id: UUID, performed_at: dt.datetime, test: Any) -> Latest:
    """That test (or a report of it) as the latest."""
    last = test.initial_test if test.final_test is UNSET else test.final_test
    previous = Raw(_encode(rules.PreviousReadings(readings=last.readings)))
    return Latest(id=report_id, performed_at=performed_at, pressure=test.units.pressure, previous=previous)


def latest_of(report_id: UUID, performed_at: dt.datetime, judged: str) -> Latest:
    """The same from a test as it was judged."""
    return latest(report_id, performed_at, _judged(judged))


def before(known: FactsRow, rests: RestsOn, performed_at: dt.datetime) -> Latest | None:
    """The last test before that moment, refused ones left aside; the store looks for it where it is not the latest."""
    if known.rests_on is not None and (rests.latest is None or rests.latest.performed_at < performed_at):
        return rests.latest
    return None if known.previous_judged is None else latest(UUID(int=0), performed_at, _judged(known.previous_judged))


def event_of(
    row: ReportRow | HistoryRow,
    initial_outcome: Outcome | None,
    protection: MechanicalProtection,
    notified_on: dt.date | None = None,
) -> rules.TestEvent:
    """A report as far as standing goes; `protection` is the mechanical value by its last phase."""
    return rules.TestEvent(
        report_id=str(row.id),
        performed_on=row.performed_on,
        performed_at=row.performed_at,
        received_at=row.received_at,
        reason=row.reason,
        outcome=row.outcome,
        protection=protection,
        acceptance=row.acceptance,
        initial_outcome=initial_outcome or UNSET,
        failed_protection=row.failed_protection or UNSET,
        acts_as=row.acts_as or UNSET,
        basis="declared" if row.declared else UNSET,
        supersedes=UNSET if row.supersedes is None else str(row.supersedes),
        notified_on=notified_on or UNSET,
    )


def events(history: Iterable[HistoryRow]) -> list[rules.TestEvent]:
    """Those reports as far as standing goes."""
    return [event_of(row, row.initial_outcome, row.protection, row.notified_on) for row in history]


def later(item: Latest | None, other: Latest) -> Latest:
    """The later of two tests; of one moment, that of the later id."""
    return other if item is None or (other.performed_at, other.id) > (item.performed_at, item.id) else item


def agrees(result: str, history: Sequence[HistoryRow]) -> bool:
    """Whether what was kept leads to what those reports, all of the assembly's, lead to."""
    rests = _kept(result)
    superseded = {row.supersedes for row in history if row.supersedes is not None}
    counted = [row for row in history if row.id not in superseded and row.acceptance not in ("refused", "void")]
    last = max(((row.performed_at, row.id) for row in counted), default=None)
    last_kept = None if rests.latest is None else (rests.latest.performed_at, rests.latest.id)
    tests = events(history)
    known = {_identity(test) for test in tests}
    needed = {_identity(item) for item in rules.rested_on(tests)}
    kept_ones = {_identity(test) for test in rests.tests}
    return needed <= kept_ones <= known and (last is None or (last_kept is not None and last_kept >= last))


def _identity(event: rules.TestEvent) -> tuple[str, ...]:
    in_utc = replace(event, performed_at=event.performed_at.astimezone(dt.UTC), received_at=event.received_at.astimezone(dt.UTC))
    return tuple(str(value) for value in astuple(in_utc))


def kept(row: StandingRow, rests: RestsOn) -> StandingRow:
    """The standing as it is kept, with what the next report rests on; without it where a person may decide yet on a test that counts."""
    if any(test.acceptance == "held" for test in rests.tests):
        return row
    at = None if rests.latest is None else rests.latest.performed_at
    return replace(row, rests_on=_encode(rests).decode(), latest_at=at)
