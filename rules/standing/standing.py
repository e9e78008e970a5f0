"""The standing of an assembly: what follows from its reports and from what else happened to it.

Reports count in the order in which the tests were performed, or received where that came first, so that a test dated ahead outranks
no later test. A failure seen in any phase counts, whoever saw it: accepted, held or refused. It counts until a valid
test passes later, or an accepted report supersedes it. A pass counts only in an accepted report that nothing supersedes. An incomplete
test changes nothing, unless its initial test failed. What happened after the last test that counts makes the next one due as the rulebook
requires; after a backflow incident the protection of an assembly suspected as its path is unknown, unless it was lost already.
What depends on the day (due soon, overdue) is derived from `due_on` for a given day, so a stored standing stays true as days pass.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace

from rules.calendar import add_days, add_months
from rules.field_test.actions import deadline
from rules.field_test.answer import Basis
from rules.load import catalogue
from rules.local_rulebook import RulebookKey, base_id
from rules.rulebook import CountsFrom, Deadline, Event, Inspection, Interval, MechanicalProtection, Protection
from rules.selection.tables import Purpose
from rules.standing.history import TestEvent, decide
from rules.standing.place import RegisteredHazard, suitability_on, worst_protection
from rules.standing.schedule import book_for, inspection_for, interval_for, no_inspection, no_interval, season_after, trigger_for
from rules.texts import Value, say, texts

StandingStatus = Literal["current", "due_soon", "overdue", "failed", "untested", "out_of_service"]
StandingAction = Literal["repair_and_retest", "review_report", "retest", "replace_assembly", "assess_hazard"]

_OF_THE_DAY: Final = ("current", "due_soon", "overdue")


class Occurrence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something other than time after which a rulebook may require a test; `at` is its moment where that is known.

    An accepted test answers it that was performed at its moment or later; where only the day is known, on the day or later. `suspected`
    says of an
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
    says whether the kind is approved for the hazard and use that are registered; null: not determined. `report_id` is the report that
    decides,
    `since` the day from which it is so, `because` why, in sentences.
    """

    status: StandingStatus
    """The standing of the assembly."""
    due_on: dt.date | None
    """The last day for the next test; for a failed one, for the repair and its test. Null: none is due."""
    protection: Protection
    """What the assembly would do today."""
    mechanical_protection: MechanicalProtection
    """What its parts would do, whatever the hazard."""
    suitable: bool | None
    """Whether the kind is approved for this hazard and use; null where that is not determined."""
    report_id: str | None
    """The report that decides; null: none."""
    since: dt.date | None
    """The day since which it is so."""
    because: str
    """Why, in sentences."""
    actions: tuple[StandingAction, ...] = ()
    """What to do, by code."""
    basis: Basis | None = None
    """Whether the test that says so was judged here, or its result is the one declared on paper; null: no test says so."""
    counts_from: CountsFrom | UnsetType = UNSET
    """`notice` where the days for the repair run from the notice of the failure; left out where they run from the test."""
    notified_on: dt.date | UnsetType = UNSET
    """The day on which that notice was sent, and from which `due_on` is counted. Left out where none is on record as sent: `due_on` is then
    counted from the test, the earliest that a notice can be."""


class _Required(Struct, frozen=True, kw_only=True):
    """A test that is required by a day, and why."""

    by: dt.date
    says: str
    counts_from: CountsFrom | UnsetType = UNSET
    notified_on: dt.date | UnsetType = UNSET


def standing(
    *,
    rulebook: RulebookKey,
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
    hazard_class: str | UnsetType = UNSET,
) -> Standing:
    """The standing to keep, whatever the day: `current`, `failed`, `untested` or `out_of_service`; see `standing_on` for a day.

    `season_starts` is the month and day on which a seasonal assembly goes into service each year; `interval_months` an interval of the
    assembly's own, which counts where it is shorter than the rulebook's; `registered_on` the day on which it came into the register, which
    stands in for an installation that nobody dated (common practice, no source: a first test that nothing dates would never be due), or the
    day on which it was put back into service where that came later. Whether it is suitable follows from the last five and the hazard, as
    they are registered, by the tables of the day of the test that decides. A kind that is inspected rather than tested is due by
    what the rulebook requires of inspections, and by nothing else. UnknownRulebookError for an unknown rulebook;
    NotJudgeableError where it names no interval or deadline for the case.
    """
    inspected = catalogue().is_inspected(kind)
    place_of = _Place(rulebook=rulebook, kind=kind, hazard=hazard, connection=connection, inspected=inspected)
    _say = place_of.say
    decided = decide(history)
    test = decided.failed or decided.passed
    unanswered = [event for event in occurrences if not event.answered_by(decided.accepted)]
    doubted = any(event.event == "incident" and event.suspected for event in unanswered)
    left: MechanicalProtection = "unknown"
    if test is not None:
        left = test.protection if decided.failed is None else test.left_by_failure
    mechanical: MechanicalProtection = "unknown" if doubted and left != "lost" else left
    found = suitability_on(
        base_id(rulebook),
        dt.date.max if test is None else test.performed_on,
        kind,
        hazard,
        hazard_class,
        purpose,
        backpressure_possible=backpressure_possible,
        in_plant_air_gap=in_plant_air_gap,
    )
    protection = worst_protection(mechanical, found)
    # Nobody may read the standing of an unsuitable kind as a good one, so it states why.
    place = found.because if found.suitable is False else ""
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
            because=_sentences(_say("out_of_service"), place),
            actions=always,
            basis=None if test is None else "judged" if test.basis is UNSET else test.basis,
        )
    if test is None:
        first = min(_required(place_of, unanswered), key=_by, default=None)
        if first is None and place_of.inspected and unanswered:
            first = _interval(place_of, place_of.duty_on(unanswered[0].on), unanswered[0].on, None)
        return Standing(
            status="untested",
            due_on=None if first is None or first.by == _NEVER else first.by,
            protection=protection,
            mechanical_protection=mechanical,
            suitable=found.suitable,
            report_id=None,
            since=installed_on,
            because=_sentences(_say("untested"), "" if first is None else first.says, place),
            actions=always,
        )
    starts = None if season_starts is None else season_after(season_starts, test.performed_on)
    if starts is not None:
        unanswered.append(Occurrence(event="seasonal_start", on=starts))
    book = book_for(rulebook, test.performed_on)
    actions: tuple[StandingAction, ...] = ()
    if decided.failed is not None:
        by = deadline(book, hazard, test.failure_acts_as)
        reason, actions = _why_failed(place_of, test, urgent=by.days <= deadline(book, hazard, "lost").days)
        regular = _repair(place_of, test, by, retest=actions == ("retest",))
    else:
        interval: Interval | Inspection | None = place_of.duty_on(test.performed_on)
        if not place_of.inspected:
            interval = interval_for(
                book, hazard, connection, test.performed_on, decided.failures, kind, seasonal=season_starts is not None
            )
        regular = _interval(place_of, interval, test.performed_on, interval_months)
        reason = _say("passed.declared" if test.basis == "declared" else "passed", day=str(test.performed_on))
    first = min((regular, *_required(place_of, unanswered)), key=_by)
    unknown = _say("protection_unknown") if doubted and mechanical == "unknown" else ""
    return Standing(
        status="current" if decided.failed is None else "failed",
        due_on=None if first.by == _NEVER else first.by,
        protection=protection,
        mechanical_protection=mechanical,
        suitable=found.suitable,
        report_id=test.report_id,
        since=test.performed_on if decided.failed is None else decided.failing_since,
        because=_sentences(reason, first.says, unknown, place),
        actions=(*actions, *always),
        basis="judged" if test.basis is UNSET else test.basis,
        counts_from=first.counts_from,
        notified_on=first.notified_on,
    )


class _Place(Struct, frozen=True, kw_only=True):
    """What decides by which entries of its rulebook an assembly is due, and in which words."""

    rulebook: RulebookKey
    kind: str | UnsetType
    hazard: RegisteredHazard
    connection: str
    inspected: bool
    """Whether it is inspected rather than tested."""

    def duty_on(self, day: dt.date) -> Inspection | None:
        """What the rulebook of that day requires of its inspection; None where it is tested, or nothing is stated."""
        if self.kind is UNSET or not self.inspected:
            return None
        return inspection_for(book_for(self.rulebook, day), self.kind, self.hazard, self.connection)

    def say(self, code: str, **parameters: Value) -> str:
        """The sentence of that code, in the words of an inspection where it is inspected."""
        own = self.inspected and code in texts("standing").templates["inspection"]
        return say("standing", "inspection" if own else "standing", code, parameters)


def _sentences(*sentences: str) -> str:
    return " ".join(filter(None, sentences))


_NEVER: Final = dt.date.max


def _by(required: _Required) -> dt.date:
    return required.by


def _why_failed(place: _Place, test: TestEvent, *, urgent: bool) -> tuple[str, tuple[StandingAction, ...]]:
    """Why an assembly is failed by that test, and what to do first.

    Nobody may order a repair on a report that was refused; a held one is reviewed before the customer is written to, unless it is `urgent`:
    its deadline is that of protection lost (common practice, no source).
    """
    initial, day, _say = test.outcome != "fail", str(test.performed_on), place.say
    if test.acceptance == "refused":
        return _say("failed.initial_refused" if initial else "failed.refused", day=day), ("retest",)
    if test.acceptance == "held":
        actions: tuple[StandingAction, ...] = ("review_report",)
        if urgent:
            actions = ("review_report", "repair_and_retest")
        return _say("failed.initial_held" if initial else "failed.held", day=day), actions
    if test.outcome == "incomplete":
        return _say("failed.final_incomplete", day=day), ("repair_and_retest",)
    code = "failed.declared" if test.basis == "declared" else "failed.initial" if initial else "failed"
    return _say(code, day=day), ("repair_and_retest",)


def _repair(place: _Place, test: TestEvent, by: Deadline, *, retest: bool) -> _Required:
    """By when that failure is repaired, or tested again where nobody may order a repair on a refused report: in as many days.

    Where the clause counts them from the notice of the failure, they run from the day on which it was sent, never from before the test;
    while none is on record, from the test.
    """
    says = by.says
    if retest:
        says = place.say("retest_within", days=by.days) if by.days else place.say("retest_at_once")
    if by.counts_from == "test":
        return _Required(by=add_days(test.performed_on, by.days), says=says)
    if test.notified_on is UNSET:
        says = _sentences(says, place.say("counts_from_notice"))
        return _Required(by=add_days(test.performed_on, by.days), says=says, counts_from="notice")
    counted_from = max(test.notified_on, test.performed_on)
    says = _sentences(says, place.say("counts_from_notice.sent", day=str(counted_from)))
    return _Required(by=add_days(counted_from, by.days), says=says, counts_from="notice", notified_on=counted_from)


def _interval(place: _Place, interval: Interval | Inspection | None, tested_on: dt.date, own_months: int | None) -> _Required:
    """The next test by the interval: the rulebook's, or the assembly's own where that is shorter or the rulebook has none."""
    if own_months is not None and (interval is None or interval.months is None or own_months < interval.months):
        return _Required(by=add_months(tested_on, own_months), says=place.say("own_interval", months=own_months))
    if interval is None:
        book = book_for(place.rulebook, tested_on)
        return _Required(by=_NEVER, says=no_inspection(book) if place.inspected else no_interval(book))
    return _Required(by=_NEVER if interval.months is None else add_months(tested_on, interval.months), says=interval.says)


def _required(place: _Place, unanswered: Sequence[Occurrence]) -> Iterator[_Required]:
    """The tests that a rulebook requires after what no test has answered."""
    for event in unanswered:
        if place.inspected:
            duty = place.duty_on(event.on)
            required = None if duty is None or event.event not in duty.events else (duty.says, 0)
        else:
            trigger = trigger_for(book_for(place.rulebook, event.on), event.event)
            required = None if trigger is None else (trigger.says, trigger.days)
        if required is not None:
            says, days = required
            if event.event != "installation":
                says = place.say("event", day=str(event.on), event=event.event, rule_says=says)
            yield _Required(by=add_days(event.on, days), says=says)


def standing_on(stored: Standing, on: dt.date, due_soon_days: int) -> Standing:
    """That standing on a day: a tested assembly is current, due soon (within `due_soon_days` of `due_on`, that day included) or overdue."""
    if stored.status not in _OF_THE_DAY or stored.due_on is None:
        return stored
    if on > stored.due_on:
        return replace(stored, status="overdue", since=stored.due_on + dt.timedelta(days=1))
    soon = dt.date.fromordinal(max(1, stored.due_on.toordinal() - due_soon_days))
    return replace(stored, status="due_soon", since=soon) if on >= soon else stored
