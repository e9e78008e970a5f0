"""How a finding of a placement rule is made: its figures in the caller's unit, what was observed, and the facts that are missing."""

from msgspec import UNSET, UnsetType

from rules.selection.air_gap import AirGapRule
from rules.selection.installation import Fact, PlacementFinding, PlacementRule
from rules.selection.tables import Outcome, cite
from rules.selection.texts import sentence

Bounds = dict[str, float | str]


def describe(rule: str, observed: Fact, unit: float | str) -> str:
    """What the rule says, and what was stated or measured."""
    if isinstance(observed, bool):
        return sentence("placement", "stated_yes" if observed else "stated_no", rule=rule)
    if isinstance(observed, str):
        return sentence("placement", "stated", rule=rule, observed=observed)
    return sentence("placement", "measured", rule=rule, observed=float(observed), unit=str(unit))


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
    if missing:
        names = ", ".join(f"`{name}`" for name in missing)
        message = sentence("placement", "not_determined_without", rule=says, missing=names, measure=row.measure)
    else:
        message = sentence("placement", "not_determined", rule=says, measure=row.measure)
    return finding(row, "not_determined", message, bounds, observed=observed, margin=margin, missing=missing)
