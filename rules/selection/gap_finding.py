"""An air gap against its rule: a finding, with the wall figure where walls are near or may be.

Where nobody measured whether a wall is near, the gap is met only if it is large enough beside a wall too.
"""

from fractions import Fraction

from msgspec import UNSET

from rules.quantities import exact_factor
from rules.selection.air_gap import AirGap, AirGapRule, exact, is_near, minimum
from rules.selection.finding import Bounds, describe, finding, undetermined
from rules.selection.installation import Installation, PlacementFinding
from rules.selection.texts import sentence


def judge_air_gap(row: AirGapRule, installation: Installation, unit: str) -> PlacementFinding | None:
    """The finding of one air gap rule; None where the installation has no such gap."""
    if row.fact == "relief_air_gap" and installation.relief_drain not in (UNSET, "air_gap"):
        return None
    measured = getattr(installation, row.fact)
    gap = AirGap() if measured is UNSET else measured
    figures = [name for name in ("vertical_distance", "effective_diameter") if getattr(gap, name) is UNSET]
    missing = tuple(f"{row.fact}.{name}" for name in figures)
    if gap.effective_diameter is UNSET:
        return _judge_without_diameter(row, gap, missing, unit)
    near = is_near(row, gap, gap.effective_diameter)
    free, beside = (minimum(row, gap.effective_diameter, unit, near=walls) for walls in (False, True))
    if free is None:
        return _judge_without_diameter(row, gap, missing, unit)
    least = free if near is False or beside is None else beside
    if gap.vertical_distance is UNSET:
        return undetermined(row, row.says, _bounds(least, unit), missing)
    return _judge_distance(row, gap, near=near, free=free, beside=beside, unit=unit)


def _judge_without_diameter(row: AirGapRule, gap: AirGap, missing: tuple[str, ...], unit: str) -> PlacementFinding:
    """Whatever the outlet's diameter, no distance at all is no gap, and less than the fixed distance is too little."""
    least = exact(row.at_least) * exact_factor(row.unit, unit)
    distance = gap.vertical_distance
    if distance is UNSET or (distance > 0 and exact(distance) >= exact(float(least))):
        return undetermined(row, row.says, {}, missing, observed=distance)
    if least > 0:
        return _compared(row, row.says, distance, least, unit)
    return finding(row, "not_met", describe(row.says, distance, unit), {}, observed=distance)


def _judge_distance(
    row: AirGapRule, gap: AirGap, *, near: bool | None, free: Fraction, beside: Fraction | None, unit: str
) -> PlacementFinding:
    distance = float(gap.vertical_distance)  # type: ignore[arg-type]  # measured, as the caller found
    if near is False or exact(distance) < exact(float(free)):
        if near and beside is not None:
            return _compared(row, row.near_says, distance, beside, unit)
        return _compared(row, row.says, distance, free, unit)
    if beside is not None and (near or exact(distance) >= exact(float(beside))):
        return _compared(row, row.near_says, distance, beside, unit)
    missing = () if near else (f"{row.fact}.{'near_walls' if gap.near_walls is UNSET else 'wall_distance'}",)
    least = free if beside is None else beside
    says = sentence("placement", "wall_may_be_near", rule=row.near_says, observed=distance, unit=unit)
    margin = float(exact(distance) - exact(float(least)))
    return undetermined(row, says, _bounds(least, unit), missing, observed=distance, margin=margin)


def _compared(row: AirGapRule, says: str, distance: float, least: Fraction, unit: str) -> PlacementFinding:
    # The distance is compared with the double nearest to the minimum, so that a figure typed as the answer shows it passes.
    margin = exact(distance) - exact(float(least))
    return finding(
        row,
        "met" if margin >= 0 else "not_met",
        describe(says, distance, unit),
        _bounds(least, unit),
        observed=distance,
        margin=float(margin),
    )


def _bounds(least: Fraction, unit: str) -> Bounds:
    return {"at_least": float(least), "unit": unit}
