"""An installation, planned or found, against the placement rules of a rulebook: findings, as in a verdict.

A fact that a rule needs and that was not stated makes the rule *not determined*, never met, and the answer says what to
measure. Lengths are compared exactly in the asker's unit, and at the minimum they pass.
"""

import datetime as dt
from typing import Literal, assert_never

import msgspec
from msgspec import UNSET, UnsetType

from rules.errors import DocumentError
from rules.quantities import exact_factor
from rules.selection.air_gap import AirGap, AirGapRule, exact, is_near, minimum
from rules.selection.installation import (
    CAUTION,
    Fact,
    PlacementAction,
    PlacementAnswer,
    PlacementAsk,
    PlacementFinding,
    PlacementRule,
    RulesInForce,
    placement_rules,
)
from rules.selection.tables import Carried, InForce, Outcome, cite, digest, in_force


def place(ask: PlacementAsk, *, on: dt.date) -> PlacementAnswer:
    """Judge an installation by the rulebook on that day (or on the ask's own).

    UnknownRulebookError, NotInForceError; DocumentError for a kind that the rulebook does not know, or a missing unit of length.
    """
    day = on if ask.on is UNSET else ask.on
    tables = in_force(ask.rulebook, day)
    known = [rank.kind for rank in tables.ranks]
    if ask.kind not in known:
        raise DocumentError(f"Rulebook {ask.rulebook} knows no kind {ask.kind!r}. It knows: {', '.join(known)}.", "/kind")
    unit = _length_unit(ask)
    rules = placement_rules(tables.placement, day)
    findings: list[PlacementFinding] = []
    actions: list[PlacementAction] = []
    judged: list[tuple[PlacementRule | AirGapRule, PlacementFinding | None]] = [
        (gap, _judge_air_gap(gap, ask, unit)) for gap in rules.air_gaps if ask.kind in gap.kinds
    ]
    judged += [(one, _judge(one, ask, unit)) for one in rules.rules if ask.kind in one.kinds]
    for row, finding in judged:
        if finding is None:
            continue
        findings.append(finding)
        action = _action(row, finding)
        if action is not None:
            actions.append(action)
    outcomes = {finding.outcome for finding in findings if not finding.advisory}
    return PlacementAnswer(
        outcome="not_met" if "not_met" in outcomes else "not_determined" if "not_determined" in outcomes else "met",
        findings=tuple(findings),
        actions=tuple(actions),
        caution=CAUTION,
        rulebook=_sealed(tables, rules),
    )


def _sealed(tables: InForce, rules: RulesInForce) -> Carried:
    return msgspec.structs.replace(tables.rulebook, digest=digest(rules))


def _length_unit(ask: PlacementAsk) -> str:
    unit = UNSET if ask.units is UNSET else ask.units.length
    if unit is not UNSET:
        return unit
    told = ask.installation
    lengths = (
        "height_above_highest_outlet",
        "height_above_downstream_piping",
        "height_above_grade",
        "clearance_all_round",
        "clearance_testing_side",
    )
    gap = told.air_gap
    measured = gap is not UNSET and any(
        figure is not UNSET for figure in (gap.vertical_distance, gap.effective_diameter, gap.wall_distance)
    )
    if measured or ask.size is not UNSET or any(getattr(told, name) is not UNSET for name in lengths):
        raise DocumentError("Lengths and a size need a unit of length.", "/units/length")
    return "in"  # Nothing was measured, so only the rules' own figures are shown, in the unit most of them are printed in.


def _judge(row: PlacementRule, ask: PlacementAsk, unit: str) -> PlacementFinding | None:
    """The finding of one rule; None where the rule does not ask anything of this installation."""
    applies = _applies(row, ask, unit)
    if applies is False:
        return None
    observed: Fact | UnsetType = getattr(ask.installation, row.fact)
    shown = _bounds(row, unit)
    if observed is UNSET:
        return _finding(row, "not_determined", f"{row.says} Not determined: {row.measure}", shown)
    ok, margin = _satisfies(row, observed, shown)
    if not ok and row.unless is not None:
        excuse = getattr(ask.installation, row.unless)
        if excuse is UNSET:
            return _finding(row, "not_determined", f"{row.says} Not determined: {row.measure}", shown, observed=observed)
        ok = excuse
    if not ok and applies is None:
        return _finding(
            row, "not_determined", f"{row.says} Not determined: {row.measure}", shown, observed=observed, margin=margin
        )
    return _finding(
        row, "met" if ok else "not_met", f"{row.says} {_seen(observed, shown)}", shown, observed=observed, margin=margin
    )


def _applies(row: PlacementRule, ask: PlacementAsk, unit: str) -> bool | None:
    """Whether the rule asks anything here; None where that depends on what was not stated."""
    if row.given is not None:
        given = getattr(ask.installation, row.given)
        return None if given is UNSET else bool(given)
    for bound, above in ((row.size_at_most, False), (row.size_above, True)):
        if bound is not None:
            if ask.size is UNSET:
                return None
            return (exact(ask.size) > exact(bound) * exact_factor("in", unit)) is above
    return True


def _bounds(row: PlacementRule, unit: str) -> dict[str, float | str]:
    shown: dict[str, float | str] = {}
    for name in ("at_least", "at_most", "below"):
        bound = getattr(row, name)
        if bound is not None:
            shown["unit"] = "h" if row.unit == "h" else unit
            shown[name] = bound if row.unit == "h" else float(exact(bound) * exact_factor(str(row.unit), unit))
    return shown


def _satisfies(row: PlacementRule, observed: Fact, shown: dict[str, float | str]) -> tuple[bool, float | UnsetType]:
    if isinstance(observed, bool):
        return observed is row.must_be, UNSET
    if isinstance(observed, str):
        return observed in row.one_of, UNSET
    value = float(observed)
    if row.at_least is not None:
        margin = exact(value) - exact(float(shown["at_least"]))
        return margin >= 0, float(margin)
    strict = row.below is not None
    margin = exact(float(shown["below" if strict else "at_most"])) - exact(value)
    return (margin > 0 if strict else margin >= 0), float(margin)


def _seen(observed: Fact, shown: dict[str, float | str]) -> str:
    if isinstance(observed, bool):
        return f"Stated: {'yes' if observed else 'no'}."
    return f"Stated: {observed}." if isinstance(observed, str) else f"Measured: {observed:g} {shown['unit']}."


def _finding(
    row: PlacementRule | AirGapRule,
    outcome: Outcome,
    message: str,
    shown: dict[str, float | str],
    *,
    observed: Fact | UnsetType = UNSET,
    margin: float | UnsetType = UNSET,
) -> PlacementFinding:
    return PlacementFinding(
        rule=row.rule,
        outcome=outcome,
        observed=observed,
        margin=margin,
        advisory=isinstance(row, PlacementRule) and row.advisory,
        message=message,
        source=cite(row),
        **shown,  # type: ignore[arg-type]  # the keys are bounds (floats) and the unit (a string), as `_bounds` puts them
    )


def _judge_air_gap(row: AirGapRule, ask: PlacementAsk, unit: str) -> PlacementFinding:
    gap = AirGap() if ask.installation.air_gap is UNSET else ask.installation.air_gap
    if gap.effective_diameter is UNSET:
        observed: float | UnsetType = gap.vertical_distance
        return _finding(row, "not_determined", f"{row.says} Not determined: {row.measure}", {}, observed=observed)
    near = is_near(row, gap, gap.effective_diameter)
    free, beside = (minimum(row, gap.effective_diameter, unit, near=one) for one in (False, True))
    least = free if near is False else beside
    shown: dict[str, float | str] = {"at_least": float(least), "unit": unit}
    if gap.vertical_distance is UNSET:
        return _finding(row, "not_determined", f"{row.says} Not determined: {row.measure}", shown)
    observed = gap.vertical_distance
    # The distance is compared with the double nearest to the minimum, so that a figure typed as the answer shows it passes.
    margin = exact(observed) - exact(float(least))
    if near is None and margin < 0 and exact(observed) >= exact(float(free)):
        why = f"{observed:g} {unit} is enough away from walls and too little near one."
        return _finding(
            row,
            "not_determined",
            f"{row.near_says} {why} Not determined: {row.measure}",
            shown,
            observed=observed,
            margin=float(margin),
        )
    if near is None and margin < 0:
        shown["at_least"] = float(free)
        margin = exact(observed) - exact(float(free))
    says = row.says if near is False else row.near_says
    return _finding(
        row,
        "met" if margin >= 0 else "not_met",
        f"{says} {_seen(observed, shown)}",
        shown,
        observed=observed,
        margin=float(margin),
    )


def _action(row: PlacementRule | AirGapRule, finding: PlacementFinding) -> PlacementAction | None:
    match finding.outcome:
        case "met":
            return None
        case "not_met":
            code: Literal["put_right", "consider"] = "consider" if finding.advisory else "put_right"
            return PlacementAction(code=code, rule=row.rule, message=row.remedy, because=finding.message)
        case "not_determined":
            return PlacementAction(code="measure", rule=row.rule, message=row.measure, because=row.says)
        case _:
            assert_never(finding.outcome)
