"""The day from which a calibration is still valid on another day: the same that judging a test finds."""

import datetime as dt

import pytest

import rules

ON = dt.date(2026, 6, 1)


# The rulebook has 12 months for a gauge; the calendar is Gregorian (ISO 8601).
@pytest.mark.parametrize(
    ("day", "first"),
    [
        (dt.date(2027, 1, 12), dt.date(2026, 1, 12)),
        # One of 29 February ends on the 28th of the next year.
        (dt.date(2029, 2, 28), dt.date(2028, 2, 28)),
        (dt.date(2029, 3, 1), dt.date(2028, 3, 1)),
        (dt.date.min, dt.date.min),
    ],
)
def test_a_calibration_is_valid_to_the_same_day_of_the_next_year(day: dt.date, first: dt.date) -> None:
    assert rules.calibrated_before("us-wa", ON, day) == first


def test_days_at_the_end_of_the_calendar_are_answered() -> None:
    assert rules.calibrated_before("us-wa", ON, dt.date.max) <= dt.date.max
