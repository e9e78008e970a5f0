"""The shape of `data/plausible.toml`: numbers above which a reading's unit is doubtful, and what gauges print for an accuracy in psi.

The functions give its figures in a report's unit.
"""

from functools import cache
from math import inf
from typing import Literal

from msgspec import Struct

from rules.catalogue import Component, TestableKind
from rules.files import read
from rules.quantities import PressureUnit, convert
from rules.sources import Cited


class Bound(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The highest plausible number."""

    at_most: float
    unit: PressureUnit


class Ceiling(Bound, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The highest differential that those components of those kinds hold or open at."""

    kinds: tuple[TestableKind, ...]
    components: tuple[Component, ...]


class GaugeAccuracy(Bound, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What gauges in a metric unit print for an accuracy in psi."""

    psi: float


class Plausible(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole."""

    ceilings: tuple[Ceiling, ...]
    line_pressure: Bound
    read_instead: dict[Literal["psi", "bar"], PressureUnit]
    gauge_accuracy: tuple[GaugeAccuracy, ...]


@cache
def plausible() -> Plausible:
    """The bounds of plausible numbers."""
    return read("plausible.toml", Plausible)


def ceiling(kind: str, component: Component, unit: str) -> float:
    """The highest number that such a part plausibly shows, in that unit; infinite where only the gauge's range limits it."""
    for row in plausible().ceilings:
        if kind in row.kinds and component in row.components:
            return convert(row.at_most, row.unit, unit)
    return inf


def line_pressure_ceiling(unit: str) -> float:
    """The highest plausible line pressure, in that unit."""
    bound = plausible().line_pressure
    return convert(bound.at_most, bound.unit, unit)


def as_printed(accuracy_psi: float, unit: str) -> float:
    """An accuracy required in psi as gauges print it, in that unit: not less than its exact conversion."""
    printed = [convert(row.at_most, row.unit, unit) for row in plausible().gauge_accuracy if row.psi == accuracy_psi]
    return max([convert(accuracy_psi, "psi", unit), *printed])


class OtherUnit(Struct, frozen=True, kw_only=True):
    """The next smaller `unit` in which a number may have been read, and its `value` converted from there."""

    unit: str
    value: float


def read_instead(value: float, unit: str, at_most: float) -> OtherUnit | None:
    """The smaller unit that would explain a number too high, with the number converted; None where that would be too high as well."""
    smaller = plausible().read_instead.get(unit)  # type: ignore[call-overload]
    if smaller is None:
        return None
    converted = convert(value, smaller, unit)
    return None if converted > at_most else OtherUnit(unit=smaller, value=converted)
