"""What `data/plausible.toml` holds: numbers beyond which a reading's unit is doubtful, and what gauges print for an accuracy in psi.

The table is the law; this gives it its shape and its figures in a report's unit.
"""

from functools import cache
from math import inf
from typing import Literal

from msgspec import Struct

from rules.catalogue import Component, TestableKind
from rules.load import read
from rules.quantities import PressureUnit, convert
from rules.sources import Cited


class Bound(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The most that an honest number is."""

    at_most: float
    unit: PressureUnit


class Ceiling(Bound, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The most that those components of those kinds hold or open at."""

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
    """The most that such a part honestly shows, in that unit; infinite where only the gauge's range bounds it."""
    for one in plausible().ceilings:
        if kind in one.kinds and component in one.components:
            return convert(one.at_most, one.unit, unit)
    return inf


def line_pressure_ceiling(unit: str) -> float:
    """The highest line pressure at which an assembly is honestly tested, in that unit."""
    bound = plausible().line_pressure
    return convert(bound.at_most, bound.unit, unit)


def as_printed(accuracy_psi: float, unit: str) -> float:
    """An accuracy asked in psi as gauges print it, in that unit: not less than its exact conversion."""
    printed = [convert(one.at_most, one.unit, unit) for one in plausible().gauge_accuracy if one.psi == accuracy_psi]
    return max([convert(accuracy_psi, "psi", unit), *printed])


def read_instead(value: float, unit: str, at_most: float) -> str:
    """What a number too high would be had it been read in the next smaller unit, as the end of a sentence; empty where that is no likelier."""
    smaller = plausible().read_instead.get(unit)  # type: ignore[call-overload]
    meant = None if smaller is None else convert(value, smaller, unit)
    if smaller is None or meant is None or meant > at_most:
        return ""
    return f" Read in {smaller}, it would be {meant:.3g} {unit}; if so, report the test in {smaller}."
