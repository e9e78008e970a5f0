"""What else makes a test due: incidents, moves, seasons, an interval of the assembly's own. Days are counted by hand."""

import datetime as dt
from typing import Any

import pytest

from rules.standing import Occurrence, Standing, TestEvent, standing, standing_on
from rules.standing.schedule import season_after

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
        "rulebook": "us-wa",
        "hazard": "health",
        "connection": "non_residential",
        "in_service": True,
        "installed_on": None,
    }
    return standing(**facts | {"history": history} | changes)


def incident(day: dt.date, hour: int | None = None) -> Occurrence:
    at = None if hour is None else dt.datetime.combine(day, dt.time(hour), dt.UTC)
    return Occurrence(event="incident", on=day, at=at)


LATER = DAY + dt.timedelta(days=40)


# WAC 246-290-490 (7)(b): tested after a backflow incident (published). That what it protects is unknown until then is our decision.
def test_after_an_incident_a_test_is_due_at_once_and_the_protection_is_unknown_until_it_passes() -> None:
    one = stand(event("a"), occurrences=[incident(LATER, 9)])
    assert (one.status, one.due_on, one.protection, one.report_id, one.since) == ("current", LATER, "unknown", "a", DAY)
    assert "incident" in one.because
    assert "unknown" in one.because
    assert standing_on(one, LATER + dt.timedelta(days=1), 30).status == "overdue"
    answered = stand(event("a"), event("b", LATER), occurrences=[incident(LATER, 9)])
    assert (answered.due_on, answered.protection) == (dt.date(2027, 4, 19), "full")


def test_a_test_made_on_the_day_before_the_incident_does_not_answer_it() -> None:
    # Noon's test and the afternoon's incident; where only the day is known, the day's test answers.
    assert stand(event("a"), occurrences=[incident(DAY, 15)]).due_on == DAY
    assert stand(event("a"), occurrences=[incident(DAY, 12)]).due_on == dt.date(2027, 3, 10)
    assert stand(event("a"), occurrences=[incident(DAY)]).due_on == dt.date(2027, 3, 10)


@pytest.mark.parametrize(("outcome", "acceptance"), [("pass", "held"), ("pass", "refused"), ("incomplete", "accepted")])
def test_a_test_that_does_not_count_does_not_answer_an_incident(outcome: str, acceptance: str) -> None:
    one = stand(event("a"), event("b", LATER, outcome, acceptance), occurrences=[incident(LATER, 9)])
    assert (one.due_on, one.protection, one.report_id) == (LATER, "unknown", "a")


@pytest.mark.parametrize("acceptance", ["held", "refused"])
def test_a_failure_that_nobody_accepted_makes_an_assembly_failed_and_answers_no_incident(acceptance: str) -> None:
    """Common practice, no source: such a report takes nothing away from what is still required, nor from what is doubted."""
    one = stand(event("a"), event("b", LATER, "fail", acceptance), occurrences=[incident(LATER, 9)])
    assert (one.status, one.due_on, one.protection, one.report_id) == ("failed", LATER, "unknown", "b")


def test_an_incident_makes_only_the_protection_of_a_suspected_path_unknown() -> None:
    """Common practice, no source: others in its area are tested (WAC 246-290-490 (7)(b)(iv)), and keep what their tests showed until then."""
    in_its_area = Occurrence(event="incident", on=LATER, at=incident(LATER, 9).at, suspected=False)
    one = stand(event("a"), occurrences=[in_its_area])
    assert (one.status, one.due_on, one.protection) == ("current", LATER, "full")
    assert "unknown" not in one.because
    assert stand(event("a"), occurrences=[in_its_area, incident(LATER, 9)]).protection == "unknown"


def test_a_failed_assembly_stays_failed_and_an_incident_takes_away_what_was_left_of_its_protection() -> None:
    degraded = event("a", outcome="fail")
    one = stand(degraded, occurrences=[incident(DAY + dt.timedelta(days=2), 9)])
    assert (one.status, one.protection, one.due_on, one.since) == ("failed", "unknown", DAY + dt.timedelta(days=2), DAY)
    lost = stand(event("a", outcome="fail", protection="lost"), occurrences=[incident(LATER, 9)])
    assert (lost.status, lost.protection, lost.due_on) == ("failed", "lost", DAY)
    after = stand(event("b", LATER, "fail"), occurrences=[incident(DAY, 9)])
    assert (after.status, after.protection) == ("failed", "degraded")


def test_an_assembly_out_of_service_or_untested_after_an_incident() -> None:
    out = stand(event("a"), in_service=False, occurrences=[incident(LATER, 9)])
    assert (out.status, out.protection, out.due_on) == ("out_of_service", "unknown", None)
    untested = stand(occurrences=[incident(LATER, 9)])
    assert (untested.status, untested.due_on, untested.protection) == ("untested", LATER, "unknown")
    both = stand(occurrences=[incident(LATER, 9)], installed_on=DAY)
    assert (both.due_on, both.since) == (DAY, DAY)


def test_the_earliest_of_what_is_asked_decides() -> None:
    moved, repaired = Occurrence(event="relocation", on=LATER), Occurrence(event="repair", on=LATER - dt.timedelta(days=3))
    assert stand(event("a"), occurrences=[moved, repaired]).due_on == LATER - dt.timedelta(days=3)
    assert stand(event("a"), occurrences=[moved, repaired]).protection == "full"


# WAC 246-290-490 (7)(b): at installation (published). A test made before it was installed there says nothing of the installation.
def test_an_assembly_installed_after_its_last_test_is_tested_as_it_is_installed() -> None:
    assert stand(event("a"), installed_on=LATER).due_on == LATER
    assert stand(event("a", LATER), installed_on=LATER).due_on == dt.date(2027, 4, 19)


# Tested as it is put back for the season (common practice, no source).
@pytest.mark.parametrize(
    ("starts", "due"),
    [
        ((4, 15), dt.date(2026, 4, 15)),
        ((3, 11), dt.date(2026, 3, 11)),
        # A test on the day itself is the start-up test; the next is a year away.
        ((3, 10), dt.date(2027, 3, 10)),
        ((3, 9), dt.date(2027, 3, 9)),
        ((2, 29), dt.date(2027, 2, 28)),
        ((6, 31), dt.date(2026, 6, 30)),
    ],
)
def test_a_seasonal_assembly_is_due_as_its_next_season_starts(starts: tuple[int, int], due: dt.date) -> None:
    assert stand(event("a"), season_starts=starts).due_on == due


def test_a_season_that_starts_on_29_february_does_so_in_leap_years() -> None:
    assert season_after((2, 29), dt.date(2027, 12, 1)) == dt.date(2028, 2, 29)
    assert season_after((2, 29), dt.date(2028, 2, 29)) == dt.date(2029, 2, 28)
    assert season_after((1, 1), dt.date(9999, 5, 1)) is None
    assert stand(event("a", dt.date(9999, 5, 1)), season_starts=(1, 1)).due_on is None


def test_a_season_says_nothing_of_an_assembly_never_tested() -> None:
    assert stand(season_starts=(4, 15)).due_on is None


# "or more often than annually, as required by the purveyor": the utility's own interval counts where it is shorter, never where it is longer.
@pytest.mark.parametrize(("months", "due"), [(6, dt.date(2026, 9, 10)), (12, dt.date(2027, 3, 10)), (24, dt.date(2027, 3, 10))])
def test_an_interval_of_the_assemblys_own_is_never_longer_than_the_rulebooks(months: int, due: dt.date) -> None:
    assert stand(event("a"), interval_months=months).due_on == due


def test_an_interval_of_its_own_ends_on_the_months_last_day_and_serves_where_the_rulebook_asks_once() -> None:
    assert stand(event("a", dt.date(2023, 8, 31)), interval_months=6).due_on == dt.date(2024, 2, 29)
    once = {"rulebook": "us-tx", "hazard": "non_health"}
    assert stand(event("a"), **once).due_on is None
    assert stand(event("a"), interval_months=24, **once).due_on == dt.date(2028, 3, 10)


@pytest.mark.usefixtures("purveyors_option")
def test_an_assembly_that_fails_repeatedly_is_tested_more_often_where_a_purveyor_says_so() -> None:
    repaired = event("a", dt.date(2025, 3, 10), initial_outcome="fail")
    again = event("b", DAY, initial_outcome="fail")
    one = stand(repaired, again)
    assert (one.status, one.due_on) == ("current", dt.date(2026, 9, 10))
    assert "after two failed within 24" in one.because
    assert stand(repaired, again, rulebook="us-or").due_on == dt.date(2027, 3, 10)
    # A failure counts whoever saw it; one that an accepted report supersedes was none.
    assert stand(event("a", dt.date(2025, 3, 10), "fail", "refused"), again).due_on == dt.date(2026, 9, 10)
    corrected = event("c", dt.date(2025, 3, 10), supersedes="a")
    assert stand(event("a", dt.date(2025, 3, 10), "fail"), corrected, again).due_on == dt.date(2027, 3, 10)


@pytest.mark.usefixtures("purveyors_option")
def test_a_failure_after_the_test_does_not_shorten_the_interval_of_the_test_before_it() -> None:
    afternoon = dt.datetime(2026, 3, 10, 15, tzinfo=dt.UTC)
    held = event("c", DAY, "pass", "held", initial_outcome="fail", performed_at=afternoon, received_at=afternoon)
    assert stand(event("b", initial_outcome="fail")).due_on == dt.date(2027, 3, 10)
    assert stand(event("b", initial_outcome="fail"), held).status == "failed"
    assert stand(event("b", initial_outcome="fail"), held, event("d", LATER)).due_on == dt.date(2026, 10, 19)


def test_the_end_of_the_calendar_is_no_error() -> None:
    last = dt.date.max
    assert stand(event("a", last, "fail")).due_on is None
    assert stand(event("a"), occurrences=[Occurrence(event="repair", on=last)]).due_on == dt.date(2027, 3, 10)
