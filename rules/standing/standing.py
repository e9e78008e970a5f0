"""What an assembly's reports add up to, with what else happened to it.

Reports count in the order in which the tests were performed, or received where that came first, so that a test dated ahead outranks
nothing that is still to come. A failure seen in any phase counts, whoever saw it: accepted, held or refused. It counts until a valid
test passes later, or an accepted report supersedes it. A pass counts only in an accepted report that nothing supersedes. An incomplete
test changes nothing, unless its initial test failed. What happened after the last test that counts makes the next one due as the rulebook
requires; a backflow incident takes away what that test said of the protection of an assembly suspected as its path, unless none was left.
What depends on the day (due soon, overdue) is worked out from `due_on` for a given day, so a standing that is kept stays true as days pass.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from rules.calendar import add_days, add_months
from rules.field_test.actions import deadline
from rules.rulebook import Event, Interval, MechanicalProtection, Protection, Rulebook
from rules.selection.tables import Purpose
from rules.standing.history import TestEvent, decide
from rules.standing.place import RegisteredHazard, shown, suitability_on
from rules.standing.schedule import book_for, interval_for, no_interval, season_after, trigger_for

StandingStatus = Literal["current", "due_soon", "overdue", "failed", "untested", "out_of_service"]
StandingAction = Literal["repair_and_retest", "review_report", "retest", "replace_assembly", "assess_hazard"]

_OF_THE_DAY: Final = ("current", "due_soon", "overdue")


class Occurrence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something other than time after which a rulebook may ask for a test; `at` is its moment where that is known.

    An accepted test answers it that was performed at its moment or later; where only the day is known, on the day or later. `suspected` says of an
    incident that this assembly may have been its path; another assembly in its area gets a test due and keeps its protection.
    """

    event: Event
    on: dt.date
    at: dt.datetime | None = None
    suspected: bool = True

    def answered_by(self, test: TestEvent | None) -> bool:
        """Whether there is a test, and it came after it."""
        if test is None:
            return False
        return test.performed_on >= self.on if self.at is None else test.moment >= self.at


class Standing(Struct, frozen=True, kw_only=True):
    """The standing of an assembly. `due_on` is the last day for the next test (for a failed one: for what `actions` say first).

    `protection` is the worst that applies, `mechanical_protection` what the parts do whatever the hazard; deadlines go by that. `suitable`
    says whether the kind is approved for the hazard and use that are registered; null: not determined. `report_id` is the report that says
    so, `since` the day from which it is so, `because` why, in sentences.
    """

    status: StandingStatus
    """The assembly's standing."""
    due_on: dt.date | None
    """The last day for the next test; for a failed one, for the repair and its test. Null: none is due."""
    protection: Protection
    """What the assembly would do today."""
    mechanical_protection: MechanicalProtection
    """What its parts would do, whatever the hazard."""
    suitable: bool | None
    """Whether the kind is approved for this hazard and use; null where that is not determined."""
    report_id: str | None
    """The report that says so; null: none."""
    since: dt.date | None
    """The day since which it is so."""
    because: str
    """Why, in a sentence."""
    actions: tuple[StandingAction, ...] = ()
    """What to do, by code."""


class _Required(Struct, frozen=True, kw_only=True):
    """A test that is required by a day, and why."""

    by: dt.date
    says: str


def standing(
    *,
    rulebook_id: str,
    hazard: RegisteredHazard,
    connection: str,
    in_service: bool,
    installed_on: dt.date | None,
    history: Sequence[TestEvent],
    occurrences: Sequence[Occurrence] = (),
    season_starts: tuple[int, int] | None = None,
    interval_months: int | None = None,
    registered_on: dt.date | None = None,
    kind: str | UnsetType = UNSET,
    purpose: Purpose | UnsetType = UNSET,
    backpressure_possible: bool | UnsetType = UNSET,
    in_plant_air_gap: bool | UnsetType = UNSET,
) -> Standing:
    """The standing to keep, whatever the day: `current`, `failed`, `untested` or `out_of_service`; see `standing_on` for a day.

    `season_starts` is the month and day on which a seasonal assembly goes into service each year; `interval_months` an interval of the
    assembly's own, which counts where it is shorter than the rulebook's; `registered_on` the day on which it came into the register, which
    stands in for an installation that nobody dated (common practice, no source: a first test that nothing dates would never be due), or the
    day on which it was put back into service where that came later. Whether it is suitable follows from the last four and the hazard, as
    they are registered, by the tables of the day of the test that decides. UnknownRulebookError for an unknown rulebook; NotJudgeableError where it names no interval or deadline for the case.
    """
    decided = decide(history)
    test = decided.failed or decided.passed
    unanswered = [event for event in occurrences if not event.answered_by(decided.accepted)]
    doubted = any(event.event == "incident" and event.suspected for event in unanswered)
    left: MechanicalProtection = "unknown"
    if test is not None:
        left = test.protection if decided.failed is None else test.left_by_failure
    mechanical: MechanicalProtection = "unknown" if doubted and left != "lost" else left
    found = suitability_on(
        rulebook_id, dt.date.max if test is None else test.performed_on, kind, hazard, purpose,
        backpressure_possible=backpressure_possible, in_plant_air_gap=in_plant_air_gap,
    )  # fmt: skip
    protection = shown(mechanical, found)
    # Nobody is to read the standing of an unsuitable kind as a good one, so it says why.
    place = f" {found.because}" if found.suitable is False else ""
    always: tuple[StandingAction, ...] = ("replace_assembly",) if found.suitable is False else ()
    always += ("assess_hazard",) if hazard == "unknown" else ()
    if installed_on is None and test is None:
        returned = [event.on for event in occurrences if event.event == "return_to_service"]
        installed_on = max(returned, default=registered_on)
    if installed_on is not None:
        installation = Occurrence(event="installation", on=installed_on)
        unanswered += [] if installation.answered_by(decided.accepted) else [installation]
    if not in_service:
        return Standing(
            status="out_of_service",
            due_on=None,
            protection=protection,
            mechanical_protection=mechanical,
            suitable=found.suitable,
            report_id=None if test is None else test.report_id,
            since=None,
            because=f"The assembly is out of service; it is tested before it serves again.{place}",
            actions=always,
        )
    if test is None:
        first = min(_required(rulebook_id, unanswered), key=_by, default=None)
        because = "No accepted report of a test that passed is on record."
        return Standing(
            status="untested",
            due_on=None if first is None else first.by,
            protection=protection,
            mechanical_protection=mechanical,
            suitable=found.suitable,
            report_id=None,
            since=installed_on,
            because=f"{because}{'' if first is None else f' {first.says}'}{place}",
            actions=always,
        )
    starts = None if season_starts is None else season_after(season_starts, test.performed_on)
    if starts is not None:
        unanswered.append(Occurrence(event="seasonal_start", on=starts))
    book = book_for(rulebook_id, test.performed_on)
    actions: tuple[StandingAction, ...] = ()
    if decided.failed is not None:
        by = deadline(book, hazard, test.failure_acts_as)
        reason, actions = _why_failed(test, urgent=by.days <= deadline(book, hazard, "lost").days)
        # Nobody may order a repair on a refused report, so the deadline of the repair is that of the new test, in words of its own.
        retest = f"The new test is due {f'within {by.days} days' if by.days else 'at once'}."
        regular = _Required(by=add_days(test.performed_on, by.days), says=retest if actions == ("retest",) else by.says)
    else:
        interval = interval_for(
            book, hazard, connection, test.performed_on, decided.failures, kind, seasonal=season_starts is not None
        )
        regular = _interval(book, interval, test.performed_on, interval_months)
        reason = f"The test of {test.performed_on} passed."
    first = min((regular, *_required(rulebook_id, unanswered)), key=_by)
    unknown = " Until it is tested, its protection is unknown." if doubted and mechanical == "unknown" else ""
    return Standing(
        status="current" if decided.failed is None else "failed",
        due_on=None if first.by == _NEVER else first.by,
        protection=protection,
        mechanical_protection=mechanical,
        suitable=found.suitable,
        report_id=test.report_id,
        since=test.performed_on if decided.failed is None else decided.failing_since,
        because=f"{reason} {first.says}{unknown}{place}",
        actions=(*actions, *always),
    )


_NEVER: Final = dt.date.max


def _by(required: _Required) -> dt.date:
    return required.by


def _why_failed(test: TestEvent, *, urgent: bool) -> tuple[str, tuple[StandingAction, ...]]:
    """Why an assembly is failed by that test, and what to do first.

    Nobody may order a repair on a report that was refused; a held one is reviewed before the customer is written to, unless it is `urgent`:
    its deadline is that of protection lost (common practice, no source).
    """
    phase = "initial test" if test.outcome != "fail" else "test"
    seen = f"The {phase} of {test.performed_on} failed"
    if test.acceptance == "refused":
        return f"{seen}. Its report was refused, so a certified tester has to test the assembly again.", ("retest",)
    if test.acceptance == "held":
        actions: tuple[StandingAction, ...] = ("review_report",)
        if urgent:
            actions = ("review_report", "repair_and_retest")
        return f"{seen}. Its report is held: a person at the utility reviews it.", actions
    since = ", and the final test is incomplete" if test.outcome == "incomplete" else ", and no accepted test has passed since"
    return f"{seen}{since}.", ("repair_and_retest",)


def _interval(book: Rulebook, interval: Interval | None, tested_on: dt.date, own_months: int | None) -> _Required:
    """The next test by the interval: the rulebook's, or the assembly's own where that is shorter or the rulebook has none."""
    if own_months is not None and (interval is None or interval.months is None or own_months < interval.months):
        says = f"The utility requires this assembly to be tested every {own_months} months."
        return _Required(by=add_months(tested_on, own_months), says=says)
    if interval is None:
        return _Required(by=_NEVER, says=no_interval(book))
    return _Required(by=_NEVER if interval.months is None else add_months(tested_on, interval.months), says=interval.says)


def _required(rulebook_id: str, unanswered: Sequence[Occurrence]) -> Iterator[_Required]:
    """The tests that a rulebook requires after what no test has answered."""
    for event in unanswered:
        trigger = trigger_for(book_for(rulebook_id, event.on), event.event)
        if trigger is not None:
            on = "" if event.event == "installation" else f"On {event.on}: {event.event.replace('_', ' ')}. "
            yield _Required(by=add_days(event.on, trigger.days), says=f"{on}{trigger.says}")


def standing_on(kept: Standing, on: dt.date, due_soon_days: int) -> Standing:
    """That standing on a day: a tested assembly is current, due soon (within `due_soon_days` of `due_on`, that day included) or overdue."""
    if kept.status not in _OF_THE_DAY or kept.due_on is None:
        return kept
    if on > kept.due_on:
        return replace(kept, status="overdue", since=kept.due_on + dt.timedelta(days=1))
    soon = dt.date.fromordinal(max(1, kept.due_on.toordinal() - due_soon_days))
    return replace(kept, status="due_soon", since=soon) if on >= soon else kept
