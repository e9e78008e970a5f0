"""The tails of rules/chance.py against scipy.stats, an independent implementation (Cephes and Boost underneath)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rules import chance

probabilities = st.floats(1e-6, 1 - 1e-6)
near = pytest.approx


@settings(max_examples=300, deadline=None)
@given(trials=st.integers(1, 100_000), share=probabilities, p=probabilities)
def test_the_binomial_tails_are_scipy_s(trials: int, share: float, p: float) -> None:
    count = round(share * trials)
    assert chance.binomial_at_least(count, trials, p) == near(stats.binom.sf(count - 1, trials, p), rel=1e-8, abs=1e-200)
    assert chance.binomial_at_most(count, trials, p) == near(stats.binom.cdf(count, trials, p), rel=1e-8, abs=1e-200)


@pytest.mark.parametrize(
    ("at_least", "at_most"), [((0, 5, 0.3), (5, 5, 0.3)), ((5, 5, 0.3), (0, 5, 0.7)), ((6, 5, 0.3), (-1, 5, 0.3))]
)
def test_the_ends_of_the_binomial(at_least: tuple[int, int, float], at_most: tuple[int, int, float]) -> None:
    assert chance.binomial_at_least(*at_least) == near(stats.binom.sf(at_least[0] - 1, *at_least[1:]), abs=1e-15)
    if at_most[0] >= 0:
        assert chance.binomial_at_most(*at_most) == near(stats.binom.cdf(*at_most), abs=1e-15)


@pytest.mark.parametrize("p", [0.0, 1.0])
def test_the_binomial_with_a_chance_of_none_or_all(p: float) -> None:
    for count in (0, 1, 4, 5):
        assert chance.binomial_at_least(count, 5, p) == stats.binom.sf(count - 1, 5, p)
        assert chance.binomial_at_most(count, 5, p) == stats.binom.cdf(count, 5, p)


@settings(max_examples=300, deadline=None)
@given(value=st.floats(0, 500), freedom=st.integers(1, 300))
def test_the_chi_square_tail_is_scipy_s(value: float, freedom: int) -> None:
    # Near 1 the tail is had by subtraction, so it is compared by its absolute error too.
    assert chance.chi_square_tail(value, freedom) == near(stats.chi2.sf(value, freedom), rel=1e-8, abs=1e-14)


@settings(max_examples=300, deadline=None)
@given(value=st.floats(-50, 50), freedom=st.integers(1, 300))
def test_the_t_tail_is_scipy_s(value: float, freedom: int) -> None:
    assert chance.t_tail(value, freedom) == near(stats.t.sf(value, freedom), rel=1e-8, abs=1e-200)


@settings(max_examples=100, deadline=None)
@given(p=st.floats(1e-6, 0.4999), freedom=st.integers(1, 300))
def test_the_t_quantile_is_scipy_s(p: float, freedom: int) -> None:
    assert chance.t_exceeded_by(p, freedom) == near(stats.t.isf(p, freedom), rel=1e-7, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(z=st.floats(-8, 30))
def test_the_normal_tail_is_scipy_s(z: float) -> None:
    assert chance.normal_tail(z) == near(stats.norm.sf(z), rel=1e-9, abs=1e-290)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_chances_are_adjusted_as_scipy_adjusts_them(chances: list[float]) -> None:
    assert chance.adjusted(chances) == near(list(stats.false_discovery_control(chances, method="bh")), abs=1e-12)


def test_nothing_is_adjusted_to_nothing() -> None:
    assert chance.adjusted([]) == []
