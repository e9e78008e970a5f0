"""What reports over time add up to. Days are counted by hand; the clauses are checked in tests/oracles."""

import datetime as dt
import importlib
from itertools import product
from typing import Any

import pytest
from msgspec import structs

import rules
from rules.standing import (
    Occurrence,
    OrdinaryDays,
    Standing,
    TestEvent,
    interval_for,
    next_due,
    ordinary_days,
    standing,
    standing_on,
)
from rules.standing.schedule import book_for, no_interval
from tests.rules.refusals import whole

DAY = dt.date(2026, 3, 10)


def event(name: str, on: dt.date = DAY, outcome: str = "pass", acceptance: str = "accepted", **changes: Any) -> TestEvent:
    at = dt.datetime.combine(on, dt.time(12), dt.UTC)
    facts: dict[str, Any] = {
        "report_id": name,
        "performed_on": on,
        "performed_at": at,
        "received_at": at,
        "reason": "periodic",
        "outcome": outcome,
        "protection": "full" if outcome == "pass" else "degraded",
        "acceptance": acceptance,
    }
    return TestEvent(**facts | changes)


def stand(*history: TestEvent, **changes: Any) -> Standing:
    facts: dict[str, Any] = {
        "rulebook": "us-common",
        "hazard": "health",
        "connection": "non_residential",
        "in_service": True,
        "installed_on": None,
    }
    return standing(**facts | {"history": history} | changes)


def test_a_passing_test_keeps_an_assembly_current_for_a_year() -> None:
    one = stand(event("a"))
    assert (one.status, one.due_on, one.protection, one.report_id, one.since) == (
        "current",
        dt.date(2027, 3, 10),
        "full",
        "a",
        DAY,
    )


@pytest.mark.parametrize(
    ("on", "status", "since"),
    [
        (dt.date(2026, 3, 10), "current", DAY),
        (dt.date(2027, 2, 7), "current", DAY),
        (dt.date(2027, 2, 8), "due_soon", dt.date(2027, 2, 8)),
        (dt.date(2027, 3, 10), "due_soon", dt.date(2027, 2, 8)),
        (dt.date(2027, 3, 11), "overdue", dt.date(2027, 3, 11)),
    ],
)
def test_the_day_decides_between_current_due_and_overdue(on: dt.date, status: str, since: dt.date) -> None:
    one = standing_on(stand(event("a")), on, 30)
    assert (one.status, one.since, one.due_on) == (status, since, dt.date(2027, 3, 10))
    # A standing that is asked twice does not change its mind.
    assert standing_on(one, on, 30) == one


def test_a_year_from_29_february_ends_on_28_february() -> None:
    assert stand(event("a", dt.date(2024, 2, 29))).due_on == dt.date(2025, 2, 28)


def test_the_end_of_the_calendar_is_no_error() -> None:
    book = book_for("us-common", DAY)
    assert next_due(book, "health", "residential", dt.date(9999, 6, 1)) == dt.date.max
    kept = Standing(
        status="current",
        due_on=dt.date(1, 1, 5),
        protection="full",
        mechanical_protection="full",
        suitable=None,
        report_id="a",
        since=None,
        because="",
    )
    assert standing_on(kept, dt.date(1, 1, 1), 30).status == "due_soon"


def test_a_failing_test_stands_until_one_passes() -> None:
    failed = [event("a"), event("b", DAY + dt.timedelta(days=1), "fail"), event("c", DAY + dt.timedelta(days=2), "fail")]
    one = stand(*failed)
    assert (one.status, one.report_id, one.since, one.protection) == ("failed", "c", DAY + dt.timedelta(days=1), "degraded")
    assert one.due_on == DAY + dt.timedelta(days=2 + 30)
    assert standing_on(one, dt.date(2030, 1, 1), 30) == one
    assert stand(*failed, event("d", DAY + dt.timedelta(days=3))).status == "current"


def test_a_failing_test_that_is_held_counts_and_a_passing_one_that_is_held_does_not() -> None:
    later = DAY + dt.timedelta(days=30)
    assert stand(event("a"), event("b", later, "fail", "held")).status == "failed"
    assert stand(event("a"), event("b", later, "pass", "held")).report_id == "a"
    assert stand(event("a", outcome="fail"), event("b", later, "pass", "held")).status == "failed"


def test_a_refused_pass_and_an_incomplete_test_change_nothing() -> None:
    later = DAY + dt.timedelta(days=30)
    for outcome, acceptance in (
        ("pass", "refused"),
        ("incomplete", "held"),
        ("incomplete", "accepted"),
        ("incomplete", "refused"),
    ):
        assert stand(event("a"), event("b", later, outcome, acceptance)) == stand(event("a"))


# The next tests: common practice, no source. Refusing a report takes away its pass, never its warning.
LATER = DAY + dt.timedelta(days=30)


@pytest.mark.parametrize(
    ("acceptance", "left", "actions"),
    [
        ("accepted", "degraded", ("repair_and_retest",)),
        ("held", "degraded", ("review_report",)),
        ("held", "lost", ("review_report", "repair_and_retest")),
        ("refused", "degraded", ("retest",)),
        ("refused", "lost", ("retest",)),
    ],
)
def test_a_failure_counts_whoever_saw_it_and_says_what_to_do(acceptance: str, left: str, actions: tuple[str, ...]) -> None:
    one = stand(event("a"), event("b", LATER, "fail", acceptance, protection=left))
    assert (one.status, one.protection, one.report_id, one.since, one.actions) == ("failed", left, "b", LATER, actions)
    assert one.due_on == LATER + dt.timedelta(days=0 if left == "lost" else 30)
    assert ("certified tester" in one.because) == (acceptance == "refused")
    assert stand(event("b", LATER, "fail", acceptance), event("c", LATER + dt.timedelta(days=1))).status == "current"


@pytest.mark.parametrize(
    ("outcome", "acceptance"),
    [("incomplete", "accepted"), ("incomplete", "held"), ("incomplete", "refused"), ("pass", "held"), ("pass", "refused")],
)
def test_a_failing_initial_test_counts_until_the_final_one_is_a_valid_pass(outcome: str, acceptance: str) -> None:
    final = event("b", LATER, outcome, acceptance, initial_outcome="fail", protection="full", failed_protection="lost")
    one = stand(event("a"), final)
    assert (one.status, one.protection, one.due_on, one.report_id) == ("failed", "lost", LATER, "b")
    assert one.because.startswith(f"The assembly failed its initial test on {LATER}")
    # By itself: once the report is accepted, its final test is the repair's.
    accepted = stand(event("a"), event("b", LATER, initial_outcome="fail", failed_protection="lost"))
    assert (accepted.status, accepted.protection) == ("current", "full")


def test_a_report_that_was_not_accepted_makes_no_standing_milder() -> None:
    lost, day_after = event("b", LATER, "fail", protection="lost"), LATER + dt.timedelta(days=1)
    for acceptance in ("held", "refused"):
        one = stand(lost, event("c", day_after, "fail", acceptance))
        assert (one.report_id, one.protection, one.due_on) == ("b", "lost", LATER)
        worse = stand(event("b", LATER, "fail"), event("c", day_after, "fail", acceptance, protection="lost"))
        assert (worse.report_id, worse.protection, worse.since) == ("c", "lost", LATER)
    assert stand(lost, event("c", day_after, "fail")).protection == "degraded"


def test_a_failure_dated_ahead_counts_from_its_receipt_and_outranks_no_later_test() -> None:
    """The issue's case: a held failure dated next May outranked this June's pass for a year."""
    next_may = dt.datetime(2027, 5, 1, 12, tzinfo=dt.UTC)
    ahead = event("b", LATER, "fail", "held", performed_at=next_may)
    assert ahead.received_at.date() == LATER
    one = stand(event("a"), ahead)
    assert (one.status, one.due_on) == ("failed", LATER + dt.timedelta(days=30))
    assert stand(event("a"), ahead, event("c", LATER + dt.timedelta(days=1))).status == "current"


def test_a_pass_whose_correction_nobody_accepted_leaves_the_failure_that_it_had_cleared() -> None:
    repaired = event("a", initial_outcome="fail", failed_protection="lost")
    for acceptance in ("held", "refused"):
        one = stand(repaired, event("b", DAY, "incomplete", acceptance, supersedes="a"))
        assert (one.status, one.protection, one.report_id) == ("failed", "lost", "a")


def test_a_report_that_arrives_late_takes_its_place_by_the_day_of_its_test() -> None:
    earlier = event("late", DAY - dt.timedelta(days=90), "fail", received_at=dt.datetime(2026, 12, 1, tzinfo=dt.UTC))
    assert stand(event("a"), earlier) == stand(earlier, event("a")) == stand(event("a"))


def test_of_two_reports_of_one_moment_the_later_to_arrive_decides() -> None:
    second = event("b", outcome="fail", received_at=dt.datetime(2026, 12, 1, tzinfo=dt.UTC))
    assert stand(second, event("a")).status == "failed"


def test_a_superseded_report_says_nothing() -> None:
    assert stand(event("a"), event("b", acceptance="held", supersedes="a")).status == "untested"
    assert stand(event("a", outcome="fail"), event("b", supersedes="a")).status == "current"


@pytest.mark.parametrize("acceptance", ["held", "refused"])
@pytest.mark.parametrize("outcome", ["pass", "incomplete"])
def test_a_failing_report_counts_until_what_corrects_it_may_be_believed(outcome: str, acceptance: str) -> None:
    """Common practice, no source: nobody is protected by a correction that nobody has looked at."""
    before, failed = event("a", DAY - dt.timedelta(days=300)), event("b", outcome="fail", protection="degraded")
    corrected = event("c", outcome=outcome, acceptance=acceptance, supersedes="b")
    assert stand(before, failed, corrected) == stand(before, failed)
    assert stand(before, failed, corrected).report_id == "b"
    # A correction of the correction, once accepted, speaks for both; one that fails and is not accepted only makes it worse.
    assert stand(before, failed, corrected, event("d", supersedes="c")).report_id == "d"
    assert stand(before, failed, corrected, event("d", outcome="fail", acceptance="held", supersedes="c")).report_id == "b"
    worse = event("d", outcome="fail", acceptance="held", protection="lost", supersedes="c")
    assert stand(before, failed, corrected, worse).report_id == "d"
    assert stand(before, failed, corrected, event("d", acceptance="held", supersedes="c")).report_id == "b"


def test_an_assembly_never_tested() -> None:
    one = stand(installed_on=dt.date(2026, 1, 5))
    assert (one.status, one.due_on, one.since, one.protection) == (
        "untested",
        dt.date(2026, 1, 5),
        dt.date(2026, 1, 5),
        "unknown",
    )
    assert standing_on(one, dt.date(2030, 1, 1), 30).status == "untested"
    assert stand().due_on is None
    assert stand(rulebook="ca-bc", installed_on=dt.date(1950, 1, 1)).status == "untested"


def test_an_assembly_never_tested_that_nobody_says_was_installed_is_due_from_the_day_it_was_registered() -> None:
    """WAC 246-290-490(7)(b): tested at installation. That the day of registration stands in for it is common practice, no source."""
    registered = dt.date(2026, 2, 3)
    one = stand(registered_on=registered)
    assert (one.status, one.due_on, one.since) == ("untested", registered, registered)
    assert stand(registered_on=registered, installed_on=DAY).due_on == DAY
    # Registered while it was out of service: it serves from the day it was put back.
    back = Occurrence(event="return_to_service", on=DAY)
    assert stand(registered_on=registered, occurrences=[back]).due_on == DAY
    assert stand(registered_on=registered, in_service=False).due_on is None
    # What was tested needs no day of installation.
    assert stand(event("a"), registered_on=registered) == stand(event("a"))
    assert stand(event("a", outcome="fail"), registered_on=registered) == stand(event("a", outcome="fail"))


CASES = list(product(("health", "non_health"), ("residential", "irrigation", "fire")))


def failed_at_first(on: dt.date, count: int) -> list[TestEvent]:
    """Tests that failed and passed after repair on the same visit, in the days before that one."""
    return [event(f"f{n}", on - dt.timedelta(days=n + 1), initial_outcome="fail") for n in range(count)]


@pytest.mark.usefixtures("purveyors_option")
@pytest.mark.parametrize("on", [dt.date(2026, 12, 31), dt.date(2028, 2, 29), dt.date(2026, 6, 30)])
@pytest.mark.parametrize("rulebook_id", ["us-common", "us-wa", "us-tx", "us-fl", "ca-bc"])
def test_by_the_day_of_the_last_test_ordinary_assemblies_are_reported(rulebook_id: str, on: dt.date) -> None:
    """Held against the standing itself, at the very day and failing as often as is allowed."""
    days = ordinary_days(rulebook_id, on)
    for hazard, connection in CASES:
        where = {"rulebook": rulebook_id, "hazard": hazard, "connection": connection}
        often = stand(*failed_at_first(days.current_since, 9), event("a", days.current_since), **where)
        assert standing_on(often, on, 30).status in ("current", "due_soon")
        since = days.seldom_failed_since
        before = [*failed_at_first(days.failures_since, 9), *failed_at_first(since, min(days.failures - 1, 3))]
        seldom = stand(*before, event("a", since), **where)
        assert standing_on(seldom, on, 30).status in ("current", "due_soon")
        if days.overdue_before > dt.date.min:
            last = days.overdue_before - dt.timedelta(days=1)
            for failures in (0, 9):
                assert standing_on(stand(*failed_at_first(last, failures), event("a", last), **where), on, 30).status == "overdue"
    # The days are of use: a fortnight on, none of this would hold of a yearly test.
    fortnight = dt.timedelta(days=14)
    assert standing_on(stand(event("a", days.seldom_failed_since - fortnight), rulebook=rulebook_id), on, 30).status == "overdue"
    if rulebook_id == "us-wa":
        late = days.overdue_before + fortnight
        assert standing_on(stand(event("a", late), rulebook=rulebook_id), on, 30).status == "due_soon"
        often = stand(*failed_at_first(days.seldom_failed_since, 2), event("a", days.seldom_failed_since), rulebook=rulebook_id)
        assert standing_on(often, on, 30).status == "overdue"


@pytest.mark.usefixtures("purveyors_option")
def test_what_the_days_are_under_a_purveyors_rule_and_where_nothing_is_asked_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Yearly, and every 6 months after 2 failures in 24 (a purveyor's option, common practice); months, with 4 days to spare."""
    assert ordinary_days("us-wa", dt.date(2026, 12, 31)) == OrdinaryDays(
        current_since=dt.date(2026, 7, 4),
        seldom_failed_since=dt.date(2026, 1, 4),
        failures=2,
        failures_since=dt.date(2023, 12, 31),
        overdue_before=dt.date(2025, 12, 27),
    )
    # The calendar begins there, and somebody may ask for the summary of its first year.
    assert ordinary_days("us-wa", dt.date(1, 12, 31)).failures_since == dt.date.min
    # Texas has connections that are tested once: by the day alone none is overdue.
    assert ordinary_days("us-tx", dt.date(2026, 12, 31)).overdue_before == dt.date.min
    once = structs.replace(rules.rulebook_data("us-wa"), intervals=())
    monkeypatch.setattr(importlib.import_module("rules.standing.schedule"), "rulebook_data", lambda _: once)
    none = ordinary_days("us-wa", dt.date(2026, 12, 31))
    assert (none.current_since, none.seldom_failed_since, none.overdue_before) == (dt.date.max, dt.date.max, dt.date.min)


def test_an_assembly_out_of_service() -> None:
    assert (stand(in_service=False).status, stand(in_service=False).protection) == ("out_of_service", "unknown")
    assert stand(event("a"), in_service=False).report_id == "a"
    assert stand(event("a", outcome="fail"), in_service=False).protection == "degraded"


def test_an_event_makes_a_test_due_unless_one_has_answered_it() -> None:
    moved = Occurrence(event="relocation", on=DAY + dt.timedelta(days=40))
    one = stand(event("a"), occurrences=[moved, Occurrence(event="repair", on=DAY + dt.timedelta(days=60))])
    assert (one.status, one.due_on) == ("current", DAY + dt.timedelta(days=40))
    assert "relocation" in one.because
    assert standing_on(one, DAY + dt.timedelta(days=41), 30).status == "overdue"
    answered = stand(event("a"), event("b", DAY + dt.timedelta(days=40)), occurrences=[moved])
    assert answered.due_on == dt.date(2027, 4, 19)
    # No rulebook entry requires a test before re-occupancy here.
    unasked = Occurrence(event="reoccupancy", on=DAY + dt.timedelta(days=40))
    assert stand(event("a"), occurrences=[unasked]) == stand(event("a"))


def test_a_connection_tested_once_is_due_again_only_after_an_event() -> None:
    once = {"rulebook": "us-tx", "hazard": "non_health"}
    assert stand(event("a"), **once).due_on is None
    assert standing_on(stand(event("a"), **once), dt.date(2060, 1, 1), 30).status == "current"
    moved = Occurrence(event="relocation", on=DAY + dt.timedelta(days=40))
    assert stand(event("a"), occurrences=[moved], **once).due_on == DAY + dt.timedelta(days=40)


def test_a_rulebook_without_an_interval_for_the_case_has_none() -> None:
    import msgspec  # noqa: PLC0415 - only here

    book = msgspec.structs.replace(book_for("us-common", DAY), intervals=())
    assert interval_for(book, "health", "residential") is None
    assert no_interval(book).startswith("Rulebook us-common has no interval for this kind and connection, so")


@pytest.mark.parametrize(
    ("kind", "hazard", "more", "suitable"),
    [
        # WAC 246-290-490 (4)(b): a health hazard is isolated by an air gap or an RP; at a severe one an RP needs an in-plant air gap.
        ("dc", "health", {"purpose": "premises_isolation"}, False),
        ("rp", "health", {"purpose": "premises_isolation"}, True),
        ("rp", "severe", {"purpose": "premises_isolation"}, False),
        ("rp", "severe", {"purpose": "premises_isolation", "in_plant_air_gap": True}, True),
        ("rp", "unknown", {}, None),
    ],
)
def test_nobody_reads_full_of_a_kind_that_is_not_for_the_place(
    kind: str, hazard: str, more: dict[str, Any], *, suitable: bool | None
) -> None:
    kept = stand(event("a"), rulebook="us-wa", kind=kind, hazard=hazard, **more)
    assert (kept.suitable, kept.mechanical_protection) == (suitable, "full")
    assert kept.protection == ("insufficient" if suitable is False else "full")
    assert ("replace_assembly" in kept.actions) == (suitable is False)
    assert ("assess_hazard" in kept.actions) == (hazard == "unknown")
    failed = stand(event("a", outcome="fail", protection="lost"), rulebook="us-wa", kind=kind, hazard=hazard, **more)
    assert (failed.protection, failed.due_on) == ("lost", DAY)


def test_a_hazard_or_a_purpose_that_is_none_is_an_error() -> None:
    for wrong in ({"hazard": "healthy"}, {"purpose": "decoration"}):
        with pytest.raises(rules.NotJudgeableError) as caught:
            stand(event("a"), kind="pvb", **wrong)
        assert whole(caught.value)


def test_history_older_or_younger_than_a_rulebook_is_dated_by_its_nearest_day() -> None:
    assert book_for("us-common", dt.date(1950, 1, 1)).in_force_from == dt.date(1994, 1, 1)


def test_an_untested_assembly_is_due_at_no_day_where_the_rulebook_asks_nothing_on_installation(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    module = importlib.import_module("rules.standing.standing")
    monkeypatch.setattr(module, "trigger_for", lambda *_: None)
    assert stand(installed_on=dt.date(2026, 1, 5)).due_on is None


@pytest.mark.parametrize("later", ["pass", "fail"])
def test_of_two_tests_of_one_moment_the_failing_one_counts(later: str) -> None:
    # Nobody can state which was first, and a report sent again with another result must not clear a failure (for safety; no source).
    earlier = "fail" if later == "pass" else "pass"
    first = event("a", outcome=earlier)
    second = event("b", outcome=later, received_at=first.received_at + dt.timedelta(hours=1))
    for history in ((first, second), (second, first)):
        assert (stand(*history).status, stand(*history).protection) == ("failed", "degraded")
    minute = first.performed_at + dt.timedelta(minutes=1)
    assert stand(first, second, event("c", performed_at=minute, received_at=minute)).status == "current"
    # A pass that is reported as the repair's came after the failure that was repaired.
    repaired = event("c", reason="repair")
    assert stand(repaired, first, second).status == "current"
    assert stand(event("c", reason="repair", acceptance="held"), first, second).status == "failed"
