"""How a finding of a placement rule is made: its figures in the caller's unit, what was seen, and the facts that are missing."""

from msgspec import UNSET, UnsetType

from rules.selection.air_gap import AirGapRule
from rules.selection.installation import Fact, PlacementFinding, PlacementRule
from rules.selection.tables import Outcome, cite

Bounds = dict[str, float | str]


def seen(observed: Fact, unit: float | str) -> str:
    """What was stated or measured, as a sentence."""
    if isinstance(observed, bool):
        return f"Stated: {'yes' if observed else 'no'}."
    return f"Stated: {observed}." if isinstance(observed, str) else f"Measured: {observed:g} {unit}."


def finding(
    row: PlacementRule | AirGapRule,
    outcome: Outcome,
    message: str,
    bounds: Bounds,
    *,
    observed: Fact | UnsetType = UNSET,
    margin: float | UnsetType = UNSET,
    missing: tuple[str, ...] = (),
) -> PlacementFinding:
    """One finding with its source."""
    return PlacementFinding(
        rule=row.rule,
        outcome=outcome,
        observed=observed,
        margin=margin,
        advisory=row.advisory,
        missing=missing,
        message=message,
        source=cite(row),
        **bounds,  # type: ignore[arg-type]  # the keys are bounds (floats) and the unit (a string)
    )


def undetermined(
    row: PlacementRule | AirGapRule,
    says: str,
    bounds: Bounds,
    missing: tuple[str, ...],
    *,
    observed: Fact | UnsetType = UNSET,
    margin: float | UnsetType = UNSET,
) -> PlacementFinding:
    """A finding that is not determined, which names what is missing and says how to find it out."""
    named = f" Not stated: {', '.join(f'`{name}`' for name in missing)}." if missing else ""
    message = f"{says}{named} Not determined: {row.measure}"
    return finding(row, "not_determined", message, bounds, observed=observed, margin=margin, missing=missing)
