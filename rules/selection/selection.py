"""Which kinds may be installed: every kind with every reason, and the admissible ones in order.

A kind is admissible where no reason excludes it; nothing is admitted because a table is silent, since each hazard and purpose has
a row that decides. A fact that was not stated is never taken as harmless: its reason is not determined, and the answer names it.
The least that suffices comes first, and each kind says what it adds. The tables decide; no physics is consulted but the pressure
that is left.
"""

import datetime as dt
from functools import lru_cache

import msgspec
from msgspec import UNSET

from rules.errors import DocumentError
from rules.quantities import Units
from rules.selection import hydraulics
from rules.selection.case import Case
from rules.selection.document import InstallationCondition, KindResult, Selection, SelectionRequest, Site
from rules.selection.hazard import Determined, determine
from rules.selection.installation import CAUTION, placement_rules
from rules.selection.reasons import judge
from rules.selection.tables import InForce, RulebookReference, cite, digest, in_force


def select(ask: SelectionRequest, *, on: dt.date) -> Selection:
    """Choose by the rulebook on that day (or on the request's own).

    UnknownRulebookError, NotInForceError; DocumentError for an unknown type of premises or kind, a missing unit, or a hazard
    where the rulebook chooses by fluid category (and the other way about).
    """
    day = on if ask.on is UNSET else ask.on
    tables = in_force(ask.rulebook, day)
    _check(ask, tables)
    determined = determine(ask, tables, day)
    applied = determined.hazard.applied
    if applied is None or applied == "none":
        return _without_kinds(ask, determined, day)
    case = Case.of(ask, tables, placement_rules(tables.placement, day), determined, applied)
    judged = sorted((judge(case, rank) for rank in tables.ranks), key=lambda answer: answer.kind not in case.first)
    recommended = tuple(answer.kind for answer in judged if answer.admissible)
    kinds = tuple(_with_what_serves(case, answer, recommended) for answer in judged)
    return Selection(
        outcome="protection_required",
        recommended=recommended,
        kinds=kinds,
        conditions=_conditions(case, recommended),
        hazard=determined.hazard,
        flags=determined.flags,
        not_stated=tuple(dict.fromkeys(name for answer in kinds for name in answer.depends_on)),
        rulebook=_sealed(ask.rulebook, day),
        summary=_summary(case, kinds, recommended),
        caution=CAUTION,
        units=ask.units,
    )


def _check(ask: SelectionRequest, tables: InForce) -> None:
    site = Site() if ask.site is UNSET else ask.site
    units = Units() if ask.units is UNSET else ask.units
    if site.height_above_highest_outlet is not UNSET and units.length is UNSET:
        raise DocumentError("A height needs a unit of length.", "/units/length")
    if ask.hydraulics is not UNSET:
        hydraulics.check(ask.hydraulics, units, frozenset(rank.kind for rank in tables.ranks))


def _without_kinds(ask: SelectionRequest, determined: Determined, day: dt.date) -> Selection:
    """Where no assembly is needed, or nobody can say."""
    none = determined.hazard.applied == "none"
    summary = "No assembly is needed here while the water is used as it was at the survey. Survey again when that changes."
    return Selection(
        outcome="none_required" if none else "not_determined",
        recommended=(),
        kinds=(),
        conditions=(),
        hazard=determined.hazard,
        flags=determined.flags,
        not_stated=determined.missing,
        rulebook=_sealed(ask.rulebook, day),
        summary=summary if none else determined.hazard.because,
        caution=CAUTION,
        units=ask.units,
    )


def _with_what_serves(case: Case, answer: KindResult, recommended: tuple[str, ...]) -> KindResult:
    """The kind with, beside each fact that excludes it, what would serve."""
    facts = {row.rule for row in case.exclusions}
    if all(reason.outcome != "not_met" or reason.rule not in facts for reason in answer.reasons):
        return answer
    serving = (
        f"What would serve: {', '.join(recommended)}."
        if recommended
        else "No kind serves all that is required: one of the facts would have to change."
    )
    reasons = tuple(
        reason
        if reason.outcome != "not_met" or reason.rule not in facts
        else msgspec.structs.replace(reason, message=f"{reason.message} {serving}")
        for reason in answer.reasons
    )
    return msgspec.structs.replace(answer, reasons=reasons)


def _conditions(case: Case, recommended: tuple[str, ...]) -> tuple[InstallationCondition, ...]:
    """The tables' conditions and the placement rules of the kinds that are recommended."""
    return tuple(
        InstallationCondition(rule=row.rule, kinds=kinds, message=row.says, source=cite(row))
        for row in case.rows_to_keep()
        if (kinds := tuple(kind for kind in recommended if kind in row.kinds))
    )


def _summary(case: Case, kinds: tuple[KindResult, ...], recommended: tuple[str, ...]) -> str:
    required = "".join(f" {row.says}" for row in case.requirements)
    if not recommended:
        missing = dict.fromkeys(name for answer in kinds for name in answer.depends_on)
        state = f" Not stated: {', '.join(missing)}." if missing else ""
        return f"No kind serves all that is required; the reasons of each kind say which fact stands in the way.{state}{required}"
    least = next(answer for answer in kinds if answer.admissible)
    depends = f" It depends on what was not stated: {', '.join(least.depends_on)}." if least.depends_on else ""
    if least.kind in case.first:
        return f"The {least.name} ({least.kind}) comes first.{required}{depends}"
    others = len(recommended) - 1
    more = f" {others} stricter {'kind serves' if others == 1 else 'kinds serve'} too." if others else ""
    return f"The least that suffices is the {least.name} ({least.kind}).{more}{depends}"


@lru_cache(maxsize=4096)
def _sealed(rulebook_id: str, on: dt.date) -> RulebookReference:
    """The rulebook, sealed with all that a selection rests on: tables, placement rules, and constants and bounds."""
    tables = in_force(rulebook_id, on)
    rests_on = (tables.tables, placement_rules(tables.placement, on), hydraulics.data())
    return msgspec.structs.replace(tables.rulebook, digest=digest(rests_on))
