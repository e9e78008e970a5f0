"""An installation, planned or found, against the placement rules of a rulebook: findings, as in a verdict.

A fact that a rule needs and that was not stated makes the rule *not determined*, never met; the finding names the fact and the
answer says what to measure. Lengths are compared exactly in the caller's unit, and at the minimum they pass.
"""

import datetime as dt
from typing import Literal, assert_never

import msgspec
from msgspec import UNSET, UnsetType

from rules.errors import DocumentError
from rules.quantities import exact_factor, unit_missing
from rules.selection.air_gap import AirGap, AirGapRule, exact
from rules.selection.finding import Bounds, describe, finding, undetermined
from rules.selection.gap_finding import judge_air_gap
from rules.selection.installation import (
    CAUTION,
    Fact,
    Installation,
    Placement,
    PlacementAction,
    PlacementFinding,
    PlacementRequest,
    PlacementRule,
    RulesInForce,
    placement_rules,
)
from rules.selection.tables import InForce, RulebookReference, digest, in_force

LENGTHS = (
    "height_above_highest_outlet",
    "height_above_downstream_piping",
    "height_above_grade",
    "clearance_all_round",
    "clearance_testing_side",
)
FLOWS = ("relief_drain_capacity", "relief_discharge")


def place(request: PlacementRequest, *, on: dt.date) -> Placement:
    """Judge an installation by the rulebook on that day (or on the request's own).

    UnknownRulebookError, NotInForceError; DocumentError for a kind that the rulebook does not know, or a missing unit.
    """
    day = on if request.on is UNSET else request.on
    tables = in_force(request.rulebook, day)
    rules = placement_rules(tables.placement, day)
    found = hold_to_rules(request, tables, rules)
    actions = [_action(row, result) for row, result in found]
    outcomes = {result.outcome for _, result in found if not result.advisory}
    return Placement(
        outcome="not_met" if "not_met" in outcomes else "not_determined" if "not_determined" in outcomes else "met",
        findings=tuple(result for _, result in found),
        actions=tuple(action for action in actions if action is not None),
        caution=CAUTION,
        rulebook=_sealed(tables, rules),
    )


def hold_to_rules(
    request: PlacementRequest, tables: InForce, rules: RulesInForce
) -> list[tuple[PlacementRule | AirGapRule, PlacementFinding]]:
    """Each of the rules that applies to the installation, with its finding; DocumentError as for `place`."""
    known = [rank.kind for rank in tables.ranks]
    variant = tables.variant(request.kind)
    kind = request.kind if variant is None else variant.of
    if kind not in known:
        raise DocumentError("unknown_kind_in_rulebook", "/kind", rulebook=request.rulebook, kind=request.kind, available=known)
    length, flow = _length_unit(request), _flow_unit(request)
    judged: list[tuple[PlacementRule | AirGapRule, PlacementFinding | None]] = [
        (gap, judge_air_gap(gap, request.installation, length)) for gap in rules.air_gaps if kind in gap.kinds
    ]
    judged += [(row, _judge(row, request, length, flow)) for row in rules.rules if kind in row.kinds]
    return [(row, result) for row, result in judged if result is not None]


def _sealed(tables: InForce, rules: RulesInForce) -> RulebookReference:
    return msgspec.structs.replace(tables.rulebook, digest=digest(rules))


def _stated(installation: Installation, names: tuple[str, ...]) -> bool:
    return any(getattr(installation, name) is not UNSET for name in names)


def _length_unit(request: PlacementRequest) -> str:
    unit = UNSET if request.units is UNSET else request.units.length
    if unit is not UNSET:
        return unit
    gaps = [gap for gap in (request.installation.air_gap, request.installation.relief_air_gap) if gap is not UNSET]
    measured = any(_gap_is_measured(gap) for gap in gaps)
    if measured or request.size is not UNSET or _stated(request.installation, LENGTHS):
        raise unit_missing("length")
    return "in"  # Nothing was measured, so only the rules' own figures are shown, in the unit most of them are printed in.


def _gap_is_measured(gap: AirGap) -> bool:
    return any(figure is not UNSET for figure in (gap.vertical_distance, gap.effective_diameter, gap.wall_distance))


def _flow_unit(request: PlacementRequest) -> str:
    unit = UNSET if request.units is UNSET else request.units.flow
    if unit is not UNSET:
        return unit
    if _stated(request.installation, FLOWS):
        raise unit_missing("flow")
    return "gpm"  # Nothing was measured, so no figure is shown.


def _judge(row: PlacementRule, request: PlacementRequest, length: str, flow: str) -> PlacementFinding | None:
    """The finding of one rule; None where the rule does not require anything of this installation."""
    applies, condition = _applies(row, request, length)
    if applies is False:
        return None
    observed: Fact | UnsetType = getattr(request.installation, row.fact)
    shown = _bounds(row, request.installation, length, flow)
    needed = (row.fact, row.at_least_fact or row.fact)
    missing = tuple(dict.fromkeys(name for name in needed if getattr(request.installation, name) is UNSET))
    if missing and row.when_stated:
        return None
    if observed is UNSET or missing:
        return undetermined(row, row.says, shown, (*missing, *condition), observed=observed)
    ok, margin = _satisfies(row, observed, shown)
    if not ok and row.unless is not None:
        excuse = getattr(request.installation, row.unless)
        if excuse is UNSET:
            return undetermined(row, row.says, shown, (row.unless,), observed=observed)
        ok = excuse
    if not ok and applies is None:
        return undetermined(row, row.says, shown, condition, observed=observed, margin=margin)
    message = describe(row.says, observed, shown.get("unit", ""))
    return finding(row, "met" if ok else "not_met", message, shown, observed=observed, margin=margin)


def _applies(row: PlacementRule, request: PlacementRequest, unit: str) -> tuple[bool | None, tuple[str, ...]]:
    """Whether the rule requires anything here; None, with the name of the fact, where that depends on what was not stated."""
    if row.given is not None:
        given = getattr(request.installation, row.given)
        return (None, (row.given,)) if given is UNSET else (bool(given), ())
    for bound, above in ((row.size_at_most, False), (row.size_above, True)):
        if bound is not None:
            if request.size is UNSET:
                return None, ("size",)
            return (exact(request.size) > exact(bound) * exact_factor("in", unit)) is above, ()
    return True, ()


def _bounds(row: PlacementRule, installation: Installation, length: str, flow: str) -> Bounds:
    if row.at_least_fact is not None:
        least = getattr(installation, row.at_least_fact)
        return {} if least is UNSET else {"at_least": least, "unit": flow}
    shown: Bounds = {}
    for name in ("at_least", "at_most", "below"):
        bound = getattr(row, name)
        if bound is not None:
            shown["unit"] = "h" if row.unit == "h" else length
            shown[name] = bound if row.unit == "h" else float(exact(bound) * exact_factor(str(row.unit), length))
    return shown


def _satisfies(row: PlacementRule, observed: Fact, shown: Bounds) -> tuple[bool, float | UnsetType]:
    if isinstance(observed, bool):
        return observed is row.must_be, UNSET
    if isinstance(observed, str):
        return observed in row.one_of, UNSET
    value = float(observed)
    if "at_least" in shown:
        margin = exact(value) - exact(float(shown["at_least"]))
        return margin >= 0, float(margin)
    strict = row.below is not None
    margin = exact(float(shown["below" if strict else "at_most"])) - exact(value)
    return (margin > 0 if strict else margin >= 0), float(margin)


def _action(row: PlacementRule | AirGapRule, result: PlacementFinding) -> PlacementAction | None:
    match result.outcome:
        case "met":
            return None
        case "not_met":
            code: Literal["put_right", "consider"] = "consider" if result.advisory else "put_right"
            return PlacementAction(code=code, rule=row.rule, message=row.remedy, because=result.message)
        case "not_determined":
            return PlacementAction(code="measure", rule=row.rule, message=row.measure, because=row.says)
        case _:
            assert_never(result.outcome)
