"""Which kinds may be installed: every kind with every reason, and the admissible ones in order.

A kind is admissible where every reason holds; nothing is admitted because a table is silent, since each hazard and purpose has
a row that decides. The least that suffices stands first, and each kind says what it adds. Where facts conflict with a kind, the
reason names the fact and what would serve in its place. The tables decide; no physics is consulted but the pressure that is left.
"""

import datetime as dt
from functools import lru_cache

import msgspec
from msgspec import UNSET, Struct, UnsetType

from rules import load
from rules.catalogue import Hazard
from rules.errors import DocumentError
from rules.quantities import Units, exact_factor
from rules.selection import hydraulics
from rules.selection.air_gap import AirGapRule, exact
from rules.selection.document import AppliedHazard, Condition, KindAnswer, Reason, SelectionAnswer, SelectionAsk, Site
from rules.selection.hazard import premises_name, raised
from rules.selection.installation import CAUTION, PlacementRule, RulesInForce, placement_rules
from rules.selection.tables import (
    Admission,
    Carried,
    ConditionRow,
    Exclusion,
    InForce,
    Raise,
    Rank,
    Requirement,
    cite,
    digest,
    in_force,
)


class _Case(Struct, frozen=True, kw_only=True):
    """An ask with all that it is judged by, found once and read for each kind."""

    ask: SelectionAsk
    site: Site
    units: Units
    rules: RulesInForce
    hazard: AppliedHazard
    admissions: tuple[Admission, ...]
    first: frozenset[str]
    raises: tuple[tuple[Raise, tuple[Admission, ...]], ...]
    exclusions: tuple[Exclusion, ...]
    requirements: tuple[Requirement, ...]
    conditions: tuple[ConditionRow, ...]
    facts: dict[str, bool | UnsetType]


def select(ask: SelectionAsk, *, on: dt.date) -> SelectionAnswer:
    """Choose by the rulebook on that day (or on the ask's own).

    UnknownRulebookError, NotInForceError; DocumentError for an unknown type of premises or kind, a missing unit, or a hazard
    where the rulebook chooses by fluid category (and the other way about).
    """
    day = on if ask.on is UNSET else ask.on
    tables = in_force(ask.rulebook, day)
    case = _case(ask, tables, placement_rules(tables.placement, day))
    judged = sorted((_judge(case, rank) for rank in tables.ranks), key=lambda answer: answer.kind not in case.first)
    recommended = tuple(one.kind for one in judged if one.admissible)
    kinds = tuple(_with_what_serves(case, one, recommended) for one in judged)
    return SelectionAnswer(
        recommended=recommended,
        kinds=kinds,
        conditions=_conditions(case, recommended),
        hazard=case.hazard,
        rulebook=_sealed(ask.rulebook, day),
        summary=_summary(case, kinds, recommended),
        caution=CAUTION,
        units=ask.units,
    )


def _case(ask: SelectionAsk, tables: InForce, rules: RulesInForce) -> _Case:
    site = Site() if ask.site is UNSET else ask.site
    units = Units() if ask.units is UNSET else ask.units
    if site.height_above_highest_outlet is not UNSET and units.length is UNSET:
        raise DocumentError("A height needs a unit of length.", "/units/length")
    if ask.hydraulics is not UNSET:
        hydraulics.check(ask.hydraulics, units, frozenset(rank.kind for rank in tables.ranks))
    premises = "" if ask.premises is UNSET else ask.premises
    stated = _stated(ask, tables)
    applied, raises, because = _applied(ask, tables, stated, premises)
    # The rows of the hazard as stated are shown beside those of the hazard applied, so that both reasons are seen.
    rows = {row.rule: row for degree in (stated, applied) for row in tables.admissions(degree, ask.purpose, premises)}
    return _Case(
        ask=ask,
        site=site,
        units=units,
        rules=rules,
        hazard=AppliedHazard(stated=stated, applied=applied, because=because),
        admissions=tuple(rows.values()),
        first=frozenset(kind for row in rows.values() for kind in row.first),
        raises=tuple((row, tables.admissions(row.hazard, ask.purpose, premises)) for row in raises),
        exclusions=tuple(row for one in tables.tables for row in one.exclusions if row.covers(applied, ask.purpose, premises)),
        requirements=tuple(
            row for one in tables.tables for row in one.requirements if row.covers(applied, ask.purpose, premises)
        ),
        conditions=tuple(row for one in tables.tables for row in one.conditions if row.covers(applied, ask.purpose, premises)),
        facts={
            "backpressure_possible": ask.backpressure_possible,
            "continuous_pressure": ask.continuous_pressure,
            "premises_isolation": ask.purpose == "premises_isolation",
            "subject_to_submergence": site.subject_to_submergence,
            "drainage": site.drainage,
            "freezing_exposure": site.freezing_exposure,
            "indoors": site.indoors,
            "in_plant_air_gap": ask.in_plant_air_gap,
        },
    )


def _stated(ask: SelectionAsk, tables: InForce) -> Hazard | int:
    """The hazard or the fluid category, whichever the rulebook chooses by; DocumentError where the other is stated, or none."""
    if tables.by_category:
        if ask.hazard is not UNSET:
            raise DocumentError(f"Rulebook {ask.rulebook} chooses by fluid category: leave the hazard out.", "/hazard")
        if ask.fluid_category is UNSET:
            raise DocumentError(f"Rulebook {ask.rulebook} chooses by fluid category: state it, 1 to 5.", "/fluid_category")
        return ask.fluid_category
    if ask.fluid_category is not UNSET:
        raise DocumentError(f"Rulebook {ask.rulebook} chooses by hazard: leave the fluid category out.", "/fluid_category")
    if ask.hazard is UNSET:
        raise DocumentError(f"Rulebook {ask.rulebook} chooses by hazard: state it.", "/hazard")
    return ask.hazard


def _applied(
    ask: SelectionAsk, tables: InForce, stated: Hazard | int, premises: str
) -> tuple[Hazard | int, tuple[Raise, ...], str]:
    """The hazard that counts, the rows that raised it, and why."""
    if not premises:
        return stated, (), "As stated."
    name = premises_name(premises)
    if isinstance(stated, int):
        return stated, (), "As stated; a fluid category is not raised by the type of premises."
    applied, raises = raised(tables, stated, ask.purpose, premises)
    if not raises:
        return stated, (), f"As stated; no table of this rulebook raises it for this type of premises ({name}) and purpose."
    return applied, raises, f"{raises[0].says} So it is raised from {stated} to {applied} ({name})."


def _judge(case: _Case, rank: Rank) -> KindAnswer:
    """One kind with every reason."""
    kind, name = rank.kind, rank.name or load.catalogue()[rank.kind].name
    reasons = [_admission(row, kind, name) for row in case.admissions]
    reasons += [_raise(case.hazard, row, admitted, kind) for row, admitted in case.raises]
    reasons += [
        _exclusion(row, excluded=case.facts[row.fact] is row.when_is)
        for row in case.exclusions
        if kind in row.kinds and case.facts[row.fact] is not UNSET
    ]
    reasons += [_requirement(row, case.facts[row.fact]) for row in case.requirements if kind in row.kinds]
    reasons += _heights(case, kind)
    residual: float | UnsetType = UNSET
    if case.ask.hydraulics is not UNSET:
        left = hydraulics.left_by(kind, case.ask.hydraulics, case.units, breaks_pressure=rank.breaks_pressure)
        residual = left.pressure
        reasons += [
            Reason(rule=one.rule, holds=one.holds, message=one.message, source=one.source)
            for one in (left, *hydraulics.bounds_of(kind, case.ask.hydraulics, case.units))
        ]
    return KindAnswer(
        kind=kind,
        name=name,
        admissible=all(reason.holds for reason in reasons),
        reasons=tuple(reasons),
        adds=rank.adds,
        residual_pressure=residual,
    )


def _admission(row: Admission, kind: str, name: str) -> Reason:
    holds = kind in row.kinds
    message = row.says if holds else f"{row.says} This kind ({name}) is not among them."
    return Reason(rule=row.rule, holds=holds, message=message, source=cite(row))


def _raise(hazard: AppliedHazard, row: Raise, admitted: tuple[Admission, ...], kind: str) -> Reason:
    holds = all(kind in one.kinds for one in admitted)
    which = "serves" if holds else "does not serve"
    message = f"{row.says} The hazard is raised from {hazard.stated} to {hazard.applied}, which this kind {which}."
    return Reason(rule=row.rule, holds=holds, message=message, source=cite(row))


def _exclusion(row: Exclusion, *, excluded: bool) -> Reason:
    return Reason(rule=row.rule, holds=not excluded, message=row.says if excluded else row.otherwise, source=cite(row))


def _requirement(row: Requirement, stated: bool | UnsetType) -> Reason:  # noqa: FBT001 - the fact itself, as stated
    message = row.says if stated is True else f"{row.says} {row.none_stated}"
    return Reason(rule=row.rule, holds=stated is True, message=message, source=cite(row))


def _heights(case: _Case, kind: str) -> list[Reason]:
    """The height over the highest outlet against the kind's placement rule, where the site's height is known."""
    height = case.site.height_above_highest_outlet
    found: list[Reason] = []
    if height is UNSET:
        return found
    for row in case.rules.rules:
        if kind in row.kinds and row.fact == "height_above_highest_outlet" and row.at_least is not None:
            unit = str(case.units.length)
            least = float(exact(row.at_least) * exact_factor(str(row.unit), unit))
            message = f"{row.says} The site offers {height:g} {unit}; at least {least:g} {unit} is needed."
            found.append(Reason(rule=row.rule, holds=height >= least, message=message, source=cite(row)))
    return found


def _with_what_serves(case: _Case, one: KindAnswer, recommended: tuple[str, ...]) -> KindAnswer:
    """The kind with, beside each fact that excludes it, what would serve."""
    facts = {row.rule for row in case.exclusions}
    if all(reason.holds or reason.rule not in facts for reason in one.reasons):
        return one
    serving = (
        f"What would serve: {', '.join(recommended)}."
        if recommended
        else "No kind that is carried serves all that is asked: one of the facts would have to change."
    )
    reasons = tuple(
        reason
        if reason.holds or reason.rule not in facts
        else Reason(rule=reason.rule, holds=False, message=f"{reason.message} {serving}", source=reason.source)
        for reason in one.reasons
    )
    return msgspec.structs.replace(one, reasons=reasons)


def _conditions(case: _Case, recommended: tuple[str, ...]) -> tuple[Condition, ...]:
    """The tables' conditions and the placement rules of the kinds that are recommended."""
    rows: list[ConditionRow | AirGapRule | PlacementRule] = [
        row for row in case.conditions if row.fact is None or case.facts[row.fact] is True
    ]
    rows += case.rules.air_gaps
    # A fact known not to be so asks for nothing: what cannot freeze needs no protection from frost.
    rows += [row for row in case.rules.rules if row.given is None or case.facts.get(row.given) is not False]
    return tuple(
        Condition(rule=row.rule, kinds=kinds, message=row.says, source=cite(row))
        for row in rows
        if (kinds := tuple(kind for kind in recommended if kind in row.kinds))
    )


def _summary(case: _Case, kinds: tuple[KindAnswer, ...], recommended: tuple[str, ...]) -> str:
    required = " ".join(row.says for row in case.requirements)
    if not recommended:
        none = "No kind that is carried serves all that is asked; the reasons of each kind say which fact stands in the way."
        return f"{none} {required}".rstrip()
    if case.first and recommended[0] in case.first:
        return f"The {kinds[0].name} ({kinds[0].kind}) comes first. {required}".rstrip()
    least = next(one for one in kinds if one.admissible)
    others = len(recommended) - 1
    more = f" {others} stricter {'kind serves' if others == 1 else 'kinds serve'} too." if others else ""
    return f"The least that suffices is the {least.name} ({least.kind}).{more}"


@lru_cache(maxsize=4096)
def _sealed(rulebook_id: str, on: dt.date) -> Carried:
    """The rulebook, sealed with all that a selection rests on: tables, placement rules, and constants and bounds."""
    tables = in_force(rulebook_id, on)
    rests_on = (tables.tables, placement_rules(tables.placement, on), hydraulics.data())
    return msgspec.structs.replace(tables.rulebook, digest=digest(rests_on))
