"""What judging caches never shows in a verdict, and the caches stay small whatever is judged. No sources: these are laws of the house."""

import datetime as dt
from typing import Any

import msgspec
import pytest

import rules
from rules.field_test import phase, plan
from rules.field_test.phase import CACHED

RECEIVED = dt.datetime(2026, 5, 15, tzinfo=dt.UTC)


def judged(held_at: float, **more: Any) -> rules.Verdict:
    result = {
        "rulebook": "us-common",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": "dc", "hazard": "health"},
        "units": {"pressure": "psi"},
        "initial_test": {
            "shutoffs": {"inlet": "tight", "outlet": "tight"},
            "readings": [{"component": "check_1", "held_at": held_at}, {"component": "check_2", "held_at": 2.0}],
        },
    } | more
    return rules.judge(msgspec.convert(result, rules.Test), received_at=RECEIVED)


def test_a_reading_above_the_line_pressure_is_never_taken_for_the_same_reading_below_it() -> None:
    outcomes = [judged(7.4, line_pressure=pressure).outcome for pressure in (60.0, 7.3, 7.4, 7.3, 60.0)]
    assert outcomes == ["pass", "incomplete", "pass", "incomplete", "pass"]


def test_a_reading_taken_with_one_gauge_is_never_taken_for_the_same_reading_of_another() -> None:
    chances = [
        judged(1.1, gauge={"accuracy": accuracy, "resolution": 0.1}).findings[0].conformance_probability
        for accuracy in (0.1, 0.2, 0.1, 0.2)
    ]
    assert chances[0] == chances[2] != chances[1] == chances[3]


def test_what_is_known_of_a_gauge_and_a_tester_holds_for_their_days_alone() -> None:
    facts: dict[str, Any] = {
        "assembly": {"kind": "dc", "hazard": "non_health"},
        "gauge": {"accuracy": 0.2, "resolution": 0.1, "calibrated_on": "2025-05-13"},
        "tester": {"certificate": "T-1", "kinds": ["dc"], "valid_from": "2025-03-01", "valid_until": "2026-05-12"},
    }
    days = ["2026-05-12", "2026-05-13", "2025-05-12", "2025-05-13", "2025-02-28", "2026-05-14", "2026-05-12"]
    codes = [[one.code for one in judged(2.0, **facts, performed_at=f"{day}T09:20:00-07:00").flags] for day in days]
    assert codes == [
        [],
        ["tester_not_certified"],
        ["gauge_calibrated_after_test"],
        [],
        ["gauge_calibrated_after_test", "tester_not_certified"],
        ["gauge_calibration_expired", "tester_not_certified"],
        [],
    ]


def test_more_different_readings_than_are_remembered_are_forgotten_again() -> None:
    first = msgspec.json.encode(judged(1.0))
    for thousandths in range(1000, 1000 + CACHED + 100):
        judged(thousandths / 1000)
    assert 0 < phase._judge_cached.cache_info().currsize <= CACHED
    assert msgspec.json.encode(judged(1.0)) == first


def test_more_plans_than_are_remembered_are_forgotten_again(monkeypatch: pytest.MonkeyPatch) -> None:
    plan.plan_on.cache_clear()
    monkeypatch.setattr(plan, "_PLANS", {})
    monkeypatch.setattr(plan, "_MOST_PLANS", 2)
    first = msgspec.json.encode(judged(1.0))
    for rulebook in ("us-wa", "us-or", "us-ny"):
        judged(1.0, rulebook=rulebook)
    assert len(plan._PLANS) == 2
    assert msgspec.json.encode(judged(1.0)) == first
