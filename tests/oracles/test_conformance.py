"""How sure a reading is, against the normal distribution of scipy and the worked example of JCGM 106:2012."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, uniform

from rules.field_test.uncertainty import conformance_probability, standard_uncertainty


@given(st.floats(-20, 20), st.floats(0, 10), st.floats(0.01, 5))
def test_the_probability_is_the_normal_tail(value: float, at_least: float, uncertainty: float) -> None:
    # JCGM 106:2012, 7.3.3: with a lower limit T_L, p_c = Φ((y − T_L)/u).
    expected = norm.sf(at_least, loc=value, scale=uncertainty)
    assert conformance_probability(value, at_least, uncertainty) == pytest.approx(expected, rel=1e-9, abs=1e-300)


def test_the_example_of_a_one_sided_lower_limit() -> None:
    # JCGM 106:2012, 7.3.3, example 2: burst strength 509.7 kPa, standard uncertainty 8.6 kPa, limit 490 kPa: 99 %. From memory.
    assert conformance_probability(509.7, 490.0, 8.6) == pytest.approx(0.99, abs=0.001)


@given(st.floats(0.001, 5), st.floats(0, 5))
def test_accuracy_and_resolution_are_rectangular(accuracy: float, resolution: float) -> None:
    # JCGM 100:2008, 4.3.7: limits ±a with every value between equally likely; a resolution r is a rectangle of width r (F.2.2.1).
    spread = uniform(loc=-accuracy, scale=2 * accuracy).std()
    step = uniform(loc=0, scale=resolution).std() if resolution > 0 else 0.0
    assert standard_uncertainty(accuracy, resolution) == pytest.approx(math.hypot(spread, step), rel=1e-9)
