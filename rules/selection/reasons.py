"""The reasons for and against one kind, each with its rule and source."""

from msgspec import UNSET, UnsetType

from rules import load
from rules.quantities import exact_factor
from rules.selection import hydraulics
from rules.selection.air_gap import exact
from rules.selection.case import Case, path_of
from rules.selection.document import KindResult, SelectionReason
from rules.selection.tables import Admission, Exclusion, Raise, Rank, Requirement, cite
from rules.selection.texts import sentence
from rules.sources import Cited


def judge(case: Case, rank: Rank) -> KindResult:
    """One kind with every reason, and whether it may be installed."""
    kind, name = rank.kind, rank.name or load.catalogue()[rank.kind].name
    reasons = [_admission(row, kind, name) for row in case.admissions]
    reasons += [_raise(case, row, admitted, kind) for row, admitted in case.raises]
    missing: list[str] = []
    rows: list[Exclusion | Requirement] = [*case.exclusions, *case.requirements]
    for row in rows:
        if kind in row.kinds:
            stated = case.facts[row.fact]
            reasons.append(_unknown(row, row.fact) if stated is UNSET else _known(row, stated))
            missing += [path_of(row.fact)] if stated is UNSET else []
    heights = _heights(case, kind)
    reasons += heights
    missing += ["site.height_above_highest_outlet" for reason in heights if reason.outcome == "not_determined"]
    # A fact of the site can be looked up once the kind is known; any other has to be known before one is chosen.
    decided = all("." in path for path in missing)
    residual: float | UnsetType = UNSET
    if case.request.hydraulics is not UNSET:
        left = hydraulics.left_by(kind, case.request.hydraulics, case.units, breaks_pressure=rank.breaks_pressure)
        residual = left.pressure
        bounds = (left, *hydraulics.bounds_of(kind, case.request.hydraulics, case.units))
        reasons += [_bound(bound) for bound in bounds]
        decided = decided and all(bound.admits for bound in bounds)
        missing += ["hydraulics.loss_curves"] if left.outcome == "not_determined" else []
    excluded = any(reason.outcome == "not_met" for reason in reasons)
    return KindResult(
        kind=kind,
        name=name,
        admissible=decided and not excluded,
        depends_on=() if excluded else tuple(dict.fromkeys(missing)),
        reasons=tuple(reasons),
        adds=rank.adds,
        residual_pressure=residual,
    )


def _bound(bound: hydraulics.Left) -> SelectionReason:
    holds = bound.outcome == "met"
    return SelectionReason(rule=bound.rule, holds=holds, outcome=bound.outcome, message=bound.message, source=bound.source)


def _reason(row: Cited, rule: str, message: str, *, holds: bool) -> SelectionReason:
    return SelectionReason(rule=rule, holds=holds, outcome="met" if holds else "not_met", message=message, source=cite(row))


def _admission(row: Admission, kind: str, name: str) -> SelectionReason:
    holds = kind in row.kinds
    return _reason(row, row.rule, row.says if holds else sentence("reason", "not_listed", rule=row.says, name=name), holds=holds)


def _raise(case: Case, row: Raise, admitted: tuple[Admission, ...], kind: str) -> SelectionReason:
    holds = all(kind in admission.kinds for admission in admitted)
    hazard = case.determined.hazard
    code = "approved_for_raised" if holds else "not_approved_for_raised"
    message = sentence("reason", code, rule=row.says, stated=str(hazard.stated), applied=str(hazard.applied))
    return _reason(row, row.rule, message, holds=holds)


def _known(row: Exclusion | Requirement, stated: bool) -> SelectionReason:  # noqa: FBT001 - the fact itself, as stated
    if isinstance(row, Requirement):
        return _reason(
            row,
            row.rule,
            row.says if stated else sentence("suitability", "requirement_missing", rule=row.says, none_stated=row.none_stated),
            holds=stated,
        )
    excluded = stated is row.when_is
    return _reason(row, row.rule, row.says if excluded else row.otherwise, holds=not excluded)


def _unknown(row: Exclusion | Requirement, fact: str) -> SelectionReason:
    """A fact that would decide and was not stated."""
    code = "would_exclude" if isinstance(row, Exclusion) else "would_be_required"
    message = sentence("reason", code, fact=path_of(fact), rule=row.says)
    return SelectionReason(rule=row.rule, holds=False, outcome="not_determined", message=message, source=cite(row))


def _heights(case: Case, kind: str) -> list[SelectionReason]:
    """The height over the highest outlet against the kind's placement rule."""
    height = case.site.height_above_highest_outlet
    found: list[SelectionReason] = []
    for row in case.rules.rules:
        if kind not in row.kinds or row.fact != "height_above_highest_outlet" or row.at_least is None:
            continue
        if height is UNSET:
            message = sentence("reason", "height_not_stated", fact=path_of(row.fact), rule=row.says)
            found.append(SelectionReason(rule=row.rule, holds=False, outcome="not_determined", message=message, source=cite(row)))
            continue
        unit = str(case.units.length)
        least = float(exact(row.at_least) * exact_factor(str(row.unit), unit))
        message = sentence("reason", "height", rule=row.says, height=float(height), least=least, unit=unit)
        found.append(_reason(row, row.rule, message, holds=height >= least))
    return found
