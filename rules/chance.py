"""Tails of the binomial, chi-square, normal and t distributions, and the control of false discoveries; pure arithmetic.

Every tail is the chance of a value at least (or at most) as far out as the one seen. The incomplete beta and gamma functions are taken by
their series and continued fractions (Abramowitz and Stegun 6.5.29, 6.5.31, 26.5.8, evaluated by Lentz's method; from memory) and are
compared with scipy in the tests.
"""

import math
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Final

_TINY: Final = 1e-300
_CLOSE: Final = 4e-15
_MOST_TERMS: Final = 100_000
_HALVINGS: Final = 60

_Terms = Callable[[int], float]


def normal_tail(z: float) -> float:
    """The chance that a standard normal value is at least `z`."""
    return 0.5 * math.erfc(z / math.sqrt(2))


def binomial_at_least(count: int, trials: int, chance: float) -> float:
    """The chance of at least `count` in `trials` of that `chance` each."""
    if count <= 0:
        return 1.0
    if count > trials:
        return 0.0
    return _beta(chance, 1 - chance, count, trials - count + 1)


def binomial_at_most(count: int, trials: int, chance: float) -> float:
    """The chance of at most `count` in `trials` of that `chance` each."""
    if count >= trials:
        return 1.0
    return _beta(1 - chance, chance, trials - count, count + 1)


def chi_square_tail(value: float, freedom: float) -> float:
    """The chance that a chi-square value of that many degrees of freedom is at least `value`."""
    a, x = freedom / 2, value / 2
    if x <= 0:
        return 1.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        n = a
        while abs(term) > abs(total) * _CLOSE:
            n += 1
            term *= x / n
            total += term
        return max(0.0, 1 - front * total)
    # The continued fraction of the upper incomplete gamma function, in its even part.
    return front * _fraction(lambda n: 1.0 if n == 1 else -(n - 1) * (n - 1 - a), lambda n: x + 2 * n - 1 - a)


def t_tail(value: float, freedom: float) -> float:
    """The chance that Student's t of that many degrees of freedom is at least `value`."""
    square = value * value
    both = _beta(freedom / (freedom + square), square / (freedom + square), freedom / 2, 0.5)
    return both / 2 if value >= 0 else 1 - both / 2


@lru_cache(maxsize=256)
def t_exceeded_by(chance: float, freedom: float) -> float:
    """The value of Student's t that is exceeded with that chance, which lies between 0 and a half."""
    low, high = 0.0, 1.0
    while t_tail(high, freedom) > chance:
        high *= 2
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if t_tail(middle, freedom) > chance:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def adjusted(chances: Sequence[float]) -> list[float]:
    """Each chance adjusted for all of them (Benjamini and Hochberg 1995, step-up), in the order given.

    Where those adjusted to at most q are taken for discoveries, at most a share q of them is false in expectation; and where there is
    nothing to discover, the chance of any is at most q.
    """
    order = sorted(range(len(chances)), key=lambda at: chances[at], reverse=True)
    result = [1.0] * len(chances)
    least = 1.0
    for rank, at in enumerate(order):
        least = min(least, chances[at] * len(chances) / (len(chances) - rank))
        result[at] = least
    return result


def _beta(x: float, rest: float, a: float, b: float) -> float:
    """The regularised incomplete beta function I_x(a, b); `rest` is 1 − x, which the caller may know better than a subtraction would."""
    if x <= 0:
        return 0.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta(rest, x, b, a)
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log(rest)) / a

    def over(n: int) -> float:
        if n == 1:
            return 1.0
        m, odd = divmod(n - 1, 2)
        if odd:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))

    return front * _fraction(over, lambda _n: 1.0)


def _fraction(over: _Terms, under: _Terms) -> float:
    """The continued fraction over(1) / (under(1) + over(2) / (under(2) + …)), by Lentz's method."""
    value, c, d, step, n = _TINY, _TINY, 0.0, 0.0, 0
    while abs(step - 1) > _CLOSE and n < _MOST_TERMS:
        n += 1
        d = 1 / (under(n) + over(n) * d or _TINY)
        c = under(n) + over(n) / c or _TINY
        step = c * d
        value *= step
    return value
