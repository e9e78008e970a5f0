"""Reports that were accepted on paper before the record began: what the paper does not show is history, not a fault.

That a record which an authority accepted is not refused again for what nobody can ask for any more is common practice, no source.
"""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from tests.rules.field_test.test_verdict import SOUND, document, judge, phase

OLD: dict[str, Any] = {"performed_at": "2009-05-14T09:20:00-07:00", "accepted_on_paper": True, "declared": "pass"}
"""A test of long ago: the gauge's one calibration and the tester's certificate are from after it."""


def old(kind: str, **changes: Any) -> rules.Verdict:
    return judge(kind, **(OLD | changes))


def test_whole_readings_are_judged_and_what_is_not_known_of_gauge_and_tester_holds_nothing() -> None:
    verdict = old("pvb")
    assert (verdict.outcome, verdict.basis, verdict.acceptance) == ("pass", "judged", "accepted")
    assert verdict.initial.protection == "full"
    assert {flag.severity for flag in verdict.flags} == {"note"}
    as_sent_today = old("pvb", accepted_on_paper=False)
    assert (as_sent_today.acceptance, as_sent_today.outcome) == ("refused", "pass")


@pytest.mark.parametrize(
    ("kind", "readings"),
    [
        ("pvb", [SOUND["pvb"][0], {"component": "air_inlet", "opened": True, "opened_at": 2.0}]),
        ("dcda", SOUND["dc"]),
        ("rpda", SOUND["rp"]),
        ("rp", []),
    ],
    ids=["PVB without opened fully", "DCDA without its bypass", "RPDA without its bypass", "no readings"],
)
def test_a_declared_result_stands_where_readings_are_missing_and_says_nothing_of_the_parts(kind: str, readings: Any) -> None:
    verdict = old(kind, initial_test={"readings": readings})
    assert (verdict.outcome, verdict.basis, verdict.acceptance) == ("pass", "declared", "accepted")
    assert (verdict.initial.protection, verdict.initial.mechanical_protection) == ("unknown", "unknown")
    assert [one.code for one in verdict.actions] == []
    assert "not judged here" in verdict.summary
    assert "declared_outcome_differs" not in [flag.code for flag in verdict.flags]
    today = old(kind, initial_test={"readings": readings}, accepted_on_paper=False)
    assert (today.outcome, today.basis) == ("incomplete", "judged")


def test_without_a_declared_result_a_test_with_missing_readings_stays_incomplete() -> None:
    verdict = old("rp", initial_test={"readings": []}, declared=None)
    assert (verdict.outcome, verdict.basis, verdict.acceptance) == ("incomplete", "judged", "accepted")


def test_a_reading_that_fails_is_not_outvoted_by_what_was_declared() -> None:
    """A failure seen counts, whoever saw it; a person looks at what was declared."""
    low = phase("rp", {"component": "relief_valve", "opened": True, "opened_at": 1.2})
    verdict = old("rp", initial_test=low)
    assert (verdict.outcome, verdict.basis, verdict.acceptance) == ("fail", "judged", "held")
    assert [flag.code for flag in verdict.flags if flag.severity == "hold"] == ["declared_outcome_differs"]


def test_a_declared_failure_is_one_and_acts_as_the_worst() -> None:
    verdict = old("rp", initial_test={"readings": []}, declared="fail")
    assert (verdict.outcome, verdict.basis) == ("fail", "declared")
    assert (verdict.initial.mechanical_protection, verdict.initial.acts_as) == ("unknown", "lost")
    assert not verdict.diagnosis


def test_a_final_test_in_words_alone_ends_the_failure_before_it() -> None:
    low = phase("rp", {"component": "relief_valve", "opened": True, "opened_at": 1.2})
    verdict = old("rp", initial_test=low, final_test={"readings": []})
    assert verdict.final is not None
    assert (verdict.outcome, verdict.basis, verdict.acceptance) == ("pass", "declared", "accepted")
    assert (verdict.initial.outcome, verdict.final.outcome, verdict.final.protection) == ("fail", "pass", "unknown")


def test_a_clock_ahead_and_readings_beyond_belief_are_no_history() -> None:
    ahead = old("pvb", performed_at="2026-05-20T09:20:00-07:00")
    assert ahead.acceptance == "refused"
    beyond = old("dc", initial_test=phase("dc", {"component": "check_1", "held_at": 80.0}))
    assert beyond.acceptance == "held"


def event(day: int, basis: Any, **changes: Any) -> rules.TestEvent:
    found = {
        "report_id": f"r{day}",
        "performed_on": dt.date(2026, 3, day),
        "performed_at": dt.datetime(2026, 3, day, 12, tzinfo=dt.UTC),
        "received_at": dt.datetime(2026, 6, 1, tzinfo=dt.UTC),
        "reason": "periodic",
        "outcome": "pass",
        "protection": "unknown",
        "acceptance": "accepted",
        "basis": basis,
    } | changes
    return rules.TestEvent(**found)


def test_an_assembly_that_passed_on_paper_is_current_its_protection_unknown_and_asks_nothing() -> None:
    found = rules.standing(
        rulebook="us-wa",
        hazard="health",
        connection="non_residential",
        in_service=True,
        installed_on=dt.date(2001, 1, 1),
        history=[event(2, "declared")],
        kind="rp",
        purpose="premises_isolation",
    )
    assert (found.status, found.protection, found.basis, found.actions) == ("current", "unknown", "declared", ())
    assert found.due_on == dt.date(2027, 3, 2)
    assert "not judged here" in found.because
    later = rules.standing(
        rulebook="us-wa",
        hazard="health",
        connection="non_residential",
        in_service=True,
        installed_on=dt.date(2001, 1, 1),
        history=[event(2, "declared"), event(9, msgspec.UNSET, protection="full")],
        kind="rp",
        purpose="premises_isolation",
    )
    assert (later.protection, later.basis) == ("full", "judged")
    assert rules.rested_on([event(2, "declared")]) == [event(2, "declared")]


def test_a_test_that_is_judged_again_gives_the_same_bytes() -> None:
    test = msgspec.convert(document("dcda", **OLD, initial_test={"readings": SOUND["dc"]}), rules.Test)
    again = msgspec.json.decode(msgspec.json.encode(test), type=rules.Test)
    received = dt.datetime(2026, 5, 15, tzinfo=dt.UTC)
    first, second = (msgspec.json.encode(rules.judge(one, received_at=received)) for one in (test, again))
    assert first == second
