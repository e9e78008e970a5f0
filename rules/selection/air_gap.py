"""The geometry of an air gap: so many effective diameters, and never less than a fixed distance; more beside walls.

Walls hold a falling stream's spray and a rising vacuum's suction to the outlet, so the distance grows where one wall or two
intersecting walls are near. Compared exactly: every figure is the decimal that was typed, and at the minimum it passes.
"""

from fractions import Fraction
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.quantities import exact_factor
from rules.rulebook import MechanicalProtection
from rules.sources import Cited

NearWalls = Literal[0, 1, 2]


class AirGap(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An air gap as measured, in `units.length`; `near_walls` counts walls that intersect, `wall_distance` is to the nearest."""

    vertical_distance: Annotated[float, Meta(ge=0, le=100_000)] | UnsetType = UNSET
    """From the outlet to the flood rim, in `units.length`."""
    effective_diameter: Annotated[float, Meta(gt=0, le=100_000)] | UnsetType = UNSET
    """The effective diameter of the outlet, in `units.length`."""
    near_walls: NearWalls | UnsetType = UNSET
    """How many walls are near."""
    wall_distance: Annotated[float, Meta(ge=0, le=100_000)] | UnsetType = UNSET
    """The distance to the nearest wall, in `units.length`."""


class AirGapRule(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The least vertical distance, away from walls and near them; a wall at the stated number of diameters still counts as near.

    Figures that were not read in the source are left out: without `diameters` the gap is never determined, without `near_diameters` not
    near a wall. `fact` names the member of the installation that is measured. An advisory rule decides no outcome. `leaves` is what a gap
    that is too small would still do.
    """

    set: str
    rule: str
    kinds: tuple[str, ...]
    fact: Literal["air_gap", "relief_air_gap"] = "air_gap"
    diameters: int | None = None
    at_least: float = 0.0
    near_diameters: int | None = None
    near_at_least: float = 0.0
    unit: Literal["in", "mm"]
    one_wall_within_diameters: int = 0
    two_walls_within_diameters: int = 0
    advisory: bool = False
    leaves: MechanicalProtection = "unknown"
    says: str
    near_says: str
    measure: str
    remedy: str


def exact(value: float) -> Fraction:
    """The shortest decimal that prints as `value`, exactly."""
    return Fraction(repr(float(value)))


def minimum(rule: AirGapRule, diameter: float, unit: str, *, near: bool) -> Fraction | None:
    """The least vertical distance in the caller's unit; None where the figure was not read in the source."""
    times, least = (rule.near_diameters, rule.near_at_least) if near else (rule.diameters, rule.at_least)
    return None if times is None else max(times * exact(diameter), exact(least) * exact_factor(rule.unit, unit))


def is_near(rule: AirGapRule, gap: AirGap, diameter: float) -> bool | None:
    """Whether walls are near; None where that was not measured."""
    if gap.near_walls is UNSET:
        return None
    if gap.near_walls == 0:
        return False
    if rule.near_diameters is None:
        return True  # How far a wall reaches was not read either, so any wall stated counts.
    if gap.wall_distance is UNSET:
        return None
    within = rule.one_wall_within_diameters if gap.near_walls == 1 else rule.two_walls_within_diameters
    return exact(gap.wall_distance) <= within * exact(diameter)
