"""Units, and exact factors between them.

A quantity never travels without its unit. Factors are exact rationals built from the defining constants (the pound
0.453 592 37 kg and the inch 25.4 mm, international agreement of 1959; standard gravity 9.806 65 m/s², CGPM 1901; the US
gallon 231 in³), so a limit converted to another unit is the double nearest to its true value, and a reading typed at the limit passes.
"""

from fractions import Fraction
from functools import lru_cache
from typing import Annotated, Final, Literal, get_args

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.errors import DocumentError

PressureUnit = Literal["psi", "kPa", "bar"]
LengthUnit = Literal["in", "ft", "mm", "m"]
FlowUnit = Literal["gpm", "L/s", "m3/h"]
TemperatureUnit = Literal["degF", "degC"]
Unit = PressureUnit | LengthUnit | FlowUnit

# Bounds that any honest figure of this trade keeps with room to spare; they keep arithmetic finite and the schema closed.
PressureValue = Annotated[float, Meta(ge=-100_000, le=100_000, description="A pressure in `units.pressure`.")]
LengthValue = Annotated[float, Meta(ge=-100_000, le=100_000, description="A length in `units.length`.")]
FlowValue = Annotated[float, Meta(ge=0, le=1_000_000, description="A flow in `units.flow`.")]

_INCH: Final = Fraction(254, 10_000)
_POUND_FORCE: Final = Fraction(45_359_237, 100_000_000) * Fraction(980_665, 100_000)
STANDARD_GRAVITY: Final = Fraction(980_665, 100_000)  # m/s²

_SI: Final[dict[str, tuple[str, Fraction]]] = {
    "psi": ("Pa", _POUND_FORCE / _INCH**2),
    "kPa": ("Pa", Fraction(1_000)),
    "bar": ("Pa", Fraction(100_000)),
    "in": ("m", _INCH),
    "ft": ("m", 12 * _INCH),
    "mm": ("m", Fraction(1, 1_000)),
    "m": ("m", Fraction(1)),
    "gpm": ("m3/s", 231 * _INCH**3 / 60),
    "L/s": ("m3/s", Fraction(1, 1_000)),
    "m3/h": ("m3/s", Fraction(1, 3_600)),
}


class Units(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """The units of a document; there is no default, so a unit that a document needs and leaves out is refused."""

    pressure: PressureUnit | UnsetType = UNSET
    """The unit of pressures and differentials."""
    length: LengthUnit | UnsetType = UNSET
    """The unit of lengths."""
    flow: FlowUnit | UnsetType = UNSET
    """The unit of flows."""
    temperature: TemperatureUnit | UnsetType = UNSET
    """The unit of temperatures."""


_DIMENSIONS: Final = {"pressure": PressureUnit, "length": LengthUnit, "flow": FlowUnit, "temperature": TemperatureUnit}


def unit_missing(dimension: Literal["pressure", "length", "flow", "temperature"]) -> DocumentError:
    """The error of a document that has a quantity of that dimension and no unit for it."""
    return DocumentError("unit_missing", f"/units/{dimension}", dimension=dimension, available=get_args(_DIMENSIONS[dimension]))


@lru_cache(maxsize=256)
def exact_factor(unit: str, to: str) -> Fraction:
    """The exact number of `to` in one `unit`; ValueError where the two measure different things."""
    (dimension, one), (other_dimension, other) = _SI[unit], _SI[to]
    if dimension != other_dimension:
        raise ValueError(f"{unit} and {to} do not measure the same thing")
    return one / other


def convert(value: float, unit: str, to: str) -> float:
    """`value` of `unit` in `to`: the double nearest to the exact product of the shortest decimal that prints as `value`."""
    if unit == to:
        return value
    return float(Fraction(repr(float(value))) * exact_factor(unit, to))


@lru_cache(maxsize=64)
def fast_factor(unit: str, to: str) -> float:
    """The factor as a double, for arithmetic where the last bit does not decide anything."""
    return float(exact_factor(unit, to))


def fahrenheit(value: float, unit: TemperatureUnit) -> float:
    """`value` in degrees Fahrenheit."""
    return value if unit == "degF" else value * 1.8 + 32
