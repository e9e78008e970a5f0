"""What an assembly's reports add up to, with what else happened to it.

Reports count in the order in which the tests were performed, whenever they arrived. One that is refused says nothing,
nor does one that is superseded; but a failing one, superseded, counts on until what corrects it was accepted, or fails itself. A
failing report counts although it is held for review, for safety; a passing one that is held renews nothing until it is accepted. An
incomplete test changes nothing. What happened after the last test that counts makes the next one due as the rulebook asks, and a
backflow incident takes away what that test said of the protection, unless none was left. Nothing but an accepted test that passes makes
a failed assembly good. What depends on the day (due soon, overdue) is worked out from `due_on` when somebody asks, so a standing that is
kept stays true as days pass.
"""

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from rules.calendar import add_days, add_months
from rules.field_test.actions import deadline
from rules.field_test.answer import Acceptance, Outcome
from rules.rulebook import ActsAs, Event, Interval, Protection
from rules.standing.schedule import book_for, interval_for, season_after, trigger_for

StandingStatus = Literal["current", "due_soon", "overdue", "failed", "untested", "out_of_service"]

_OF_THE_DAY: Final = ("current", "due_soon", "overdue")


class TestEvent(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A report as far as standing goes. `performed_on` is the day of the test where the utility is.

    `acceptance` is what a person decided, where one did; `supersedes` the report that this one corrects. `initial_outcome` is how the first
    test came out, before any repair; left out, it is the outcome.
    """

    __test__ = False
    report_id: str
    performed_on: dt.date
    performed_at: dt.datetime
    received_at: dt.datetime
    reason: str
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    supersedes: str | UnsetType = UNSET
    initial_outcome: Outcome | UnsetType = UNSET


class Occurrence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something other than time after which a rulebook may ask for a test; `at` is its moment where that is known.

    A test answers it that was performed at its moment or later; where only the day is known, on the day or later.
    """

    event: Event
    on: dt.date
    at: dt.datetime | None = None

    def answered_by(self, test: TestEvent) -> bool:
        """Whether the test came after it."""
        return test.performed_on >= self.on if self.at is None else test.performed_at >= self.at


class Standing(Struct, frozen=True, kw_only=True):
    """How an assembly stands. `due_on` is the last day for the next test (for a failed one: for the repair and its test).

    `report_id` is the report that says so, `since` the day from which it is so, `because` why, in a sentence.
    """

    status: StandingStatus
    due_on: dt.date | None
    protection: Protection
    report_id: str | None
    since: dt.date | None
    because: str


class _Asked(Struct, frozen=True, kw_only=True):
    """A test that is asked for by a day, and what asks for it."""

    by: dt.date
    says: str


class _Decided(Struct, frozen=True, kw_only=True):
    """The last passing test that counts, the last failing one after it with the first day of that run, and the days of failures up to the passing one."""

    passed: TestEvent | None
    failed: TestEvent | None
    failing_since: dt.date | None
    failures: tuple[dt.date, ...]


def standing(
    *,
    rulebook_id: str,
    hazard: str,
    connection: str,
    in_service: bool,
    installed_on: dt.date | None,
    history: Sequence[TestEvent],
    occurrences: Sequence[Occurrence] = (),
    season_starts: tuple[int, int] | None = None,
    interval_months: int | None = None,
    registered_on: dt.date | None = None,
) -> Standing:
    """The standing to keep, whatever the day: `current`, `failed`, `untested` or `out_of_service`; see `standing_on` for a day.

    `season_starts` is the month and day on which a seasonal assembly goes into service each year; `interval_months` an interval of the
    assembly's own, which counts where it is shorter than the rulebook's; `registered_on` the day on which it came into the register, which
    stands in for an installation that nobody dated (common practice, no source: a first test that nothing dates would never be due), or the
    day on which it was put back into service where that came later. UnknownRulebookError where the rulebook is not carried;
    NotJudgeableError where it names no interval or deadline for the case.
    """
    decided = _decided(history)
    test = decided.failed or decided.passed
    open_ones = [one for one in occurrences if test is None or not one.answered_by(test)]
    incidents = [one for one in open_ones if one.event == "incident"]
    protection: Protection = "unknown" if test is None or (incidents and test.protection != "lost") else test.protection
    if installed_on is None and test is None:
        returned = [one.on for one in occurrences if one.event == "return_to_service"]
        installed_on = max(returned, default=registered_on)
    if installed_on is not None:
        installation = Occurrence(event="installation", on=installed_on)
        open_ones += [installation] if test is None or not installation.answered_by(test) else []
    if not in_service:
        return Standing(
            status="out_of_service",
            due_on=None,
            protection=protection,
            report_id=None if test is None else test.report_id,
            since=None,
            because="The assembly is out of service; it is tested before it serves again.",
        )
    if test is None:
        asked = min(_asked(rulebook_id, open_ones), key=_by, default=None)
        because = "No accepted report of a test that passed is on record."
        return Standing(
            status="untested", due_on=None if asked is None else asked.by, protection="unknown", report_id=None, since=installed_on,
            because=because if asked is None else f"{because} {asked.says}",
        )  # fmt: skip
    starts = None if season_starts is None else season_after(season_starts, test.performed_on)
    if starts is not None:
        open_ones.append(Occurrence(event="seasonal_start", on=starts))
    if decided.failed is not None:
        by = deadline(book_for(rulebook_id, test.performed_on), hazard, _ACTS_AS[test.protection])
        first = _Asked(by=add_days(test.performed_on, by.days), says=by.says)
        said = f"The test of {test.performed_on} failed, and no accepted test has passed since."
    else:
        book = book_for(rulebook_id, test.performed_on)
        interval = interval_for(book, hazard, connection, test.performed_on, decided.failures)
        first = _interval(interval, test.performed_on, interval_months)
        said = f"The test of {test.performed_on} passed."
    asked = min((first, *_asked(rulebook_id, open_ones)), key=_by)
    unknown = " Until it is tested, its protection is unknown." if incidents and protection == "unknown" else ""
    return Standing(
        status="current" if decided.failed is None else "failed",
        due_on=None if asked.by == _NEVER else asked.by,
        protection=protection,
        report_id=test.report_id,
        since=test.performed_on if decided.failed is None else decided.failing_since,
        because=f"{said} {asked.says}{unknown}",
    )


_NEVER: Final = dt.date.max
_ACTS_AS: Final[dict[Protection, ActsAs]] = {
    "full": "full",
    "degraded": "degraded",
    "insufficient": "degraded",
    "unknown": "lost",
    "lost": "lost",
}


def _by(asked: _Asked) -> dt.date:
    return asked.by


def _interval(asked: Interval, tested_on: dt.date, own_months: int | None) -> _Asked:
    """The next test by the interval: the rulebook's, or the assembly's own where that is shorter."""
    if own_months is not None and (asked.months is None or own_months < asked.months):
        says = f"The utility asks for this assembly to be tested every {own_months} months."
        return _Asked(by=add_months(tested_on, own_months), says=says)
    return _Asked(by=_NEVER if asked.months is None else add_months(tested_on, asked.months), says=asked.says)


def _asked(rulebook_id: str, open_ones: Sequence[Occurrence]) -> Iterator[_Asked]:
    """The tests that a rulebook asks for after what no test has answered."""
    for one in open_ones:
        asked = trigger_for(book_for(rulebook_id, one.on), one.event)
        if asked is not None:
            said = "" if one.event == "installation" else f"On {one.on}: {one.event.replace('_', ' ')}. "
            yield _Asked(by=add_days(one.on, asked.days), says=f"{said}{asked.says}")


def _decided(history: Sequence[TestEvent]) -> _Decided:
    """What the tests that count decide, in the order in which they were performed."""
    passed: TestEvent | None = None
    failed: TestEvent | None = None
    failing_since: dt.date | None = None
    failures: list[dt.date] = []
    before: tuple[dt.date, ...] = ()
    later = {one.supersedes: one for one in history if one.supersedes is not UNSET}
    # Of two tests told to be of the same moment the failing one counts: nobody can tell which came first.
    for one in sorted(history, key=lambda one: (one.performed_at, one.outcome == "fail", one.received_at, one.report_id)):
        if one.acceptance == "refused" or _silenced(one, later):
            continue
        if "fail" in (one.outcome, one.initial_outcome):
            failures.append(one.performed_on)
        if one.outcome == "fail":
            failing_since = failing_since if failed is not None else one.performed_on
            failed = one
        elif one.outcome == "pass" and one.acceptance == "accepted":
            passed, failed, failing_since, before = one, None, None, tuple(failures)
    return _Decided(passed=passed, failed=failed, failing_since=failing_since, failures=before)


def _silenced(one: TestEvent, later: Mapping[str, TestEvent]) -> bool:
    """Whether a correction (`later`, by what it corrects) takes its word from a report: from one that failed only where it may itself be believed."""
    told = later.get(one.report_id)
    while one.outcome == "fail" and told is not None and not _counts(told):
        told = later.get(told.report_id)
    return told is not None


def _counts(one: TestEvent) -> bool:
    """Whether a report was accepted, or failed and was not refused."""
    return one.acceptance == "accepted" or (one.outcome == "fail" and one.acceptance == "held")


def standing_on(kept: Standing, on: dt.date, due_soon_days: int) -> Standing:
    """That standing on a day: a tested assembly is current, due soon (within `due_soon_days` of `due_on`, that day included) or overdue."""
    if kept.status not in _OF_THE_DAY or kept.due_on is None:
        return kept
    if on > kept.due_on:
        return replace(kept, status="overdue", since=kept.due_on + dt.timedelta(days=1))
    soon = dt.date.fromordinal(max(1, kept.due_on.toordinal() - due_soon_days))
    return replace(kept, status="due_soon", since=soon) if on >= soon else kept
