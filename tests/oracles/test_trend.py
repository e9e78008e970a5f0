"""Trends against scipy: the line is linregress's, the chance is Student's t, and the stated chance comes true as often as it says."""

import datetime as dt
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rules.field_test.answer import Finding
from rules.sources import Source
from rules.standing.trend import DAYS_IN_A_YEAR, ComponentTrend, TrendedTest, trends

SOURCE = Source(title="For this test", clause="", provenance="common_practice")
FIRST = dt.date(2018, 5, 1)
MINIMUM = 1.0


def trend_of(days: list[int], values: list[float], ahead: int, *, minimum: float = MINIMUM) -> ComponentTrend:
    """The trend of a check read on those days."""
    tests = [
        TrendedTest(
            report_id=str(at),
            performed_on=FIRST + dt.timedelta(days=day),
            unit="psi",
            findings=[
                Finding(
                    rule="dc.check_1.held_at",
                    phase="initial",
                    line="main",
                    component="check_1",
                    outcome="met",
                    code="number",
                    message="",
                    source=SOURCE,
                    observed=value,
                    at_least=minimum,
                )
            ],
        )
        for at, (day, value) in enumerate(zip(days, values, strict=True))
    ]
    [found] = trends(tests, next_test_on=FIRST + dt.timedelta(days=ahead), unit="psi")
    return found


@settings(max_examples=200, deadline=None)
@given(
    days=st.lists(st.integers(0, 4000), min_size=3, max_size=12, unique=True).map(sorted),
    seed=st.integers(0, 2**32),
    ahead=st.integers(1, 800),
)
def test_slope_and_prediction_are_those_of_scipy(days: list[int], seed: int, ahead: int) -> None:
    source = random.Random(seed)  # noqa: S311 - reproducible on purpose
    values = [2.0 - 0.0002 * day + source.gauss(0, 0.2) for day in days]
    on = days[-1] + ahead
    found = trend_of(days, values, on)
    x = [(day - days[0]) / DAYS_IN_A_YEAR for day in days]
    line = stats.linregress(x, values)
    assert found.slope is not None
    assert found.next_test is not None
    assert found.slope.per_year == pytest.approx(line.slope, rel=1e-6, abs=1e-9)
    assert found.slope.standard_error == pytest.approx(line.stderr, rel=1e-6)
    n = len(x)
    wide = stats.t.ppf(0.975, n - 2)
    assert found.slope.high == pytest.approx(line.slope + wide * line.stderr, rel=1e-6, abs=1e-9)
    at = (on - days[0]) / DAYS_IN_A_YEAR
    spread = sum((one - sum(x) / n) ** 2 for one in x)
    scatter = line.stderr * math.sqrt(spread)
    off = scatter * math.sqrt(1 + 1 / n + (at - sum(x) / n) ** 2 / spread)
    expected = line.intercept + line.slope * at
    assert found.next_test.expected == pytest.approx(expected, rel=1e-6, abs=1e-7)
    assert found.next_test.low == pytest.approx(expected - wide * off, rel=1e-6, abs=1e-7)
    assert found.next_test.chance_below_minimum == pytest.approx(
        stats.t.cdf((MINIMUM - expected) / off, n - 2), rel=1e-5, abs=1e-9
    )


@pytest.mark.parametrize("readings", [3, 5, 9])
def test_the_stated_chances_come_true_as_often_as_they_say(readings: int) -> None:
    """Ageing springs, read yearly with normal scatter: the chance stated for the very reading that came next is spread evenly.

    Where the chance of a reading below y is reported as p, and y is what came, p is uniform from 0 to 1 if the chances are right
    (the probability integral transform); and the prediction interval holds as many as it says.
    """
    source = random.Random(readings)  # noqa: S311 - reproducible on purpose
    chances, held, count = [], 0, 1200
    for _ in range(count):
        start, per_year = source.uniform(1.2, 2.5), source.uniform(-0.25, 0.05)
        read = [start + per_year * year + source.gauss(0, 0.15) for year in range(readings + 1)]
        found = trend_of([365 * year for year in range(readings)], read[:-1], 365 * readings, minimum=read[-1])
        assert found.next_test is not None
        chances.append(found.next_test.chance_below_minimum)
        held += found.next_test.low <= read[-1] <= found.next_test.high
    assert stats.kstest(chances, "uniform").pvalue > 0.001
    assert stats.binomtest(held, count, found.confidence).pvalue > 0.001
