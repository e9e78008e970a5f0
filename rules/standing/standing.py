"""What an assembly's reports add up to.

Reports count in the order in which the tests were performed, whenever they arrived. One that is superseded or refused says nothing. A
failing report counts although it is held for review, for safety; a passing one that is held renews nothing until it is accepted. An
incomplete test changes nothing. What depends on the day (due soon, overdue) is worked out from `due_on` when somebody asks, so a
standing that is kept stays true as days pass.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Final, Literal

from msgspec import Struct
from msgspec.structs import replace

from rules.field_test.actions import deadline
from rules.field_test.answer import Acceptance, Outcome
from rules.rulebook import Event, Protection
from rules.standing.schedule import book_for, interval_for, next_due, trigger_for

StandingStatus = Literal["current", "due_soon", "overdue", "failed", "untested", "out_of_service"]

_OF_THE_DAY: Final = ("current", "due_soon", "overdue")


class TestEvent(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A report as far as standing goes. `performed_on` is the day of the test where the utility is."""

    __test__ = False
    report_id: str
    performed_on: dt.date
    performed_at: dt.datetime
    received_at: dt.datetime
    reason: str
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    superseded: bool = False


class Occurrence(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something other than time after which a rulebook may ask for a test."""

    event: Event
    on: dt.date


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


def standing(
    *,
    rulebook_id: str,
    hazard: str,
    connection: str,
    in_service: bool,
    installed_on: dt.date | None,
    history: Sequence[TestEvent],
    occurrences: Sequence[Occurrence] = (),
) -> Standing:
    """The standing to keep, whatever the day: `current`, `failed`, `untested` or `out_of_service`; see `standing_on` for a day.

    UnknownRulebookError where the rulebook is not carried; NotJudgeableError where it names no interval or deadline for the case.
    """
    passed, failed, failing_since = _decided(history)
    if not in_service:
        decisive = failed or passed
        return Standing(
            status="out_of_service",
            due_on=None,
            protection="unknown" if decisive is None else decisive.protection,
            report_id=None if decisive is None else decisive.report_id,
            since=None,
            because="The assembly is out of service; it is tested before it serves again.",
        )
    if failed is not None:
        by = deadline(book_for(rulebook_id, failed.performed_on), hazard, failed.protection)
        return Standing(
            status="failed",
            due_on=failed.performed_on + dt.timedelta(days=by.days),
            protection=failed.protection,
            report_id=failed.report_id,
            since=failing_since,
            because=f"The test of {failed.performed_on} failed, and no accepted test has passed since. {by.says}",
        )
    if passed is None:
        return _untested(rulebook_id, installed_on)
    book = book_for(rulebook_id, passed.performed_on)
    due_on = next_due(book, hazard, connection, passed.performed_on)
    because = f"The test of {passed.performed_on} passed. {interval_for(book, hazard, connection).says}"
    for one in sorted(occurrences, key=lambda one: one.on):
        asked = trigger_for(book_for(rulebook_id, one.on), one.event)
        # A test on the day itself, or after it, has answered the event.
        if asked is None or one.on <= passed.performed_on:
            continue
        within = one.on + dt.timedelta(days=asked.days)
        if due_on is None or within < due_on:
            due_on, because = within, f"The test of {passed.performed_on} passed, but on {one.on} came: {one.event}. {asked.says}"
    return Standing(
        status="current", due_on=due_on, protection=passed.protection, report_id=passed.report_id, since=passed.performed_on, because=because
    )  # fmt: skip


def _decided(history: Sequence[TestEvent]) -> tuple[TestEvent | None, TestEvent | None, dt.date | None]:
    """The last passing test that counts, the last failing one after it, and the day of the first failure in that run."""
    passed: TestEvent | None = None
    failed: TestEvent | None = None
    failing_since: dt.date | None = None
    for one in sorted(history, key=lambda one: (one.performed_at, one.received_at, one.report_id)):
        if one.superseded or one.acceptance == "refused":
            continue
        if one.outcome == "fail":
            failing_since = failing_since if failed is not None else one.performed_on
            failed = one
        elif one.outcome == "pass" and one.acceptance == "accepted":
            passed, failed, failing_since = one, None, None
    return passed, failed, failing_since


def _untested(rulebook_id: str, installed_on: dt.date | None) -> Standing:
    """No accepted test has passed yet, and none failed."""
    due_on, because = None, "No accepted report of a test that passed is on record."
    if installed_on is not None:
        asked = trigger_for(book_for(rulebook_id, installed_on), "installation")
        if asked is not None:
            due_on, because = installed_on + dt.timedelta(days=asked.days), f"{because} {asked.says}"
    return Standing(
        status="untested", due_on=due_on, protection="unknown", report_id=None, since=installed_on, because=because
    )  # fmt: skip


def standing_on(kept: Standing, on: dt.date, due_soon_days: int) -> Standing:
    """That standing on a day: a tested assembly is current, due soon (within `due_soon_days` of `due_on`, that day included) or overdue."""
    if kept.status not in _OF_THE_DAY or kept.due_on is None:
        return kept
    if on > kept.due_on:
        return replace(kept, status="overdue", since=kept.due_on + dt.timedelta(days=1))
    soon = dt.date.fromordinal(max(1, kept.due_on.toordinal() - due_soon_days))
    return replace(kept, status="due_soon", since=soon) if on >= soon else kept
