"""How sure a reading is: JCGM 106:2012, and the head of water in a gauge's hose.

The gauge's accuracy is taken as limits of error with every value between them equally likely (standard uncertainty a/√3), its
resolution likewise (r/√12), and the two are combined. The probability that the true value conforms to a one-sided lower limit is
Φ((y − T_L)/u) (JCGM 106:2012, 7.3.3).
"""

import math
from functools import cache

from msgspec import Struct

from rules.files import read
from rules.quantities import STANDARD_GRAVITY, fast_factor

_SQRT_2 = math.sqrt(2)


class Water(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The water in a hose: its density in kg/m³."""

    density: float
    unit: str
    provenance: str
    note: str


@cache
def water() -> Water:
    """The water of the data."""
    return read("water.toml", Water)


@cache
def head_per_length(length: str, pressure: str) -> float:
    """The pressure of a column of water one `length` unit high, in the `pressure` unit."""
    pascals_per_metre = water().density * float(STANDARD_GRAVITY)
    return pascals_per_metre / 1000 * fast_factor(length, "m") * fast_factor("kPa", pressure)


def standard_uncertainty(accuracy: float, resolution: float) -> float:
    """The standard uncertainty of a reading, in the unit of its arguments."""
    return math.sqrt(accuracy * accuracy / 3 + resolution * resolution / 12)


def conformance_probability(value: float, at_least: float, uncertainty: float) -> float:
    """The chance that the true value is at least `at_least`; 0 or 1 where there is no uncertainty."""
    if uncertainty <= 0:
        return 1.0 if value >= at_least else 0.0
    return 0.5 * math.erfc((at_least - value) / (uncertainty * _SQRT_2))
