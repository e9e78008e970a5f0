"""Each screen's stated false alarms and power, held against what is measured on simulated programmes.

A measured count is compared with its stated rate by the binomial distribution (scipy): the test fails where a rate no worse than stated
would give such a count less than once in a thousand times. Seeds are fixed.
"""

import pytest
from scipy import stats

from rules.screening import Screen, stated
from tests.rules.screening.simulated import CROOKED, hits, honest_counts

SCREENS: tuple[Screen, ...] = (*CROOKED, "identity_changed", "serial_number_shared")
ONCE_IN = 0.001


def hold_false_alarms(seeds: range) -> None:
    alarms, units = honest_counts(seeds)
    assert set(units) == set(stated())
    for screen, of in units.items():
        result = stated()[screen].false_alarms
        assert stats.binom.sf(alarms[screen] - 1, of, result) >= ONCE_IN, (screen, alarms[screen], of, result)


def hold_power(screen: Screen, seeds: range) -> None:
    found, of = hits(screen, seeds)
    result = stated()[screen].power
    assert stats.binom.cdf(found, of, result) >= ONCE_IN, (found, of, result)


def test_honest_work_is_pointed_out_no_more_often_than_stated() -> None:
    hold_false_alarms(range(12))


@pytest.mark.slow
def test_honest_work_is_pointed_out_no_more_often_than_stated_in_many_programmes() -> None:
    hold_false_alarms(range(1_000, 1_120))


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
def test_what_a_screen_is_for_is_found(screen: Screen) -> None:
    hold_power(screen, range(5))


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
def test_what_a_screen_is_for_is_found_as_often_as_stated(screen: Screen) -> None:
    hold_power(screen, range(20_000, 20_014))
