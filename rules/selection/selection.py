"""Which kinds may be installed: every kind with every reason, and the admissible ones in order.

A kind is admissible where no reason excludes it; nothing is admitted because a table is silent, since each hazard and purpose has
a row that decides. A fact that was not stated is never taken as harmless: its reason is not determined, and the answer names it.
The least that suffices comes first, and each kind says what it adds. The tables decide; no physics is consulted but the pressure
that is left.
"""

import datetime as dt
from collections.abc import Iterable
from functools import lru_cache

import msgspec
from msgspec import UNSET

from rules.local_rulebook import LocalVersion, RulebookKey
from rules.quantities import Units, unit_missing
from rules.selection import hydraulics
from rules.selection.case import Case
from rules.selection.document import InstallationCondition, KindResult, Selection, SelectionRequest, Site
from rules.selection.hazard import Determined, determine
from rules.selection.installation import CAUTION, placement_rules
from rules.selection.local_premises import tables_for
from rules.selection.reasons import judge
from rules.selection.tables import InForce, RulebookReference, cite, digest
from rules.selection.texts import sentence


def select(request: SelectionRequest, *, on: dt.date, local: LocalVersion | None = None) -> Selection:
    """Choose by the rulebook on that day (or on the request's own), with `local`, a local rulebook, laid over it.

    UnknownRulebookError, NotInForceError; DocumentError for an unknown type of premises or kind, a missing unit, or a hazard
    where the rulebook chooses by fluid category (and the other way about).
    """
    day = on if request.on is UNSET else request.on
    key = request.rulebook if local is None else local
    tables = tables_for(key, day)
    _check(request, tables)
    determined = determine(request, tables, day)
    applied = determined.hazard.applied
    if applied is None or applied == "none":
        return _without_kinds(request, determined, _sealed(key, day))
    case = Case.of(request, tables, placement_rules(tables.placement, day), determined, applied)
    judged = sorted((judge(case, rank) for rank in tables.ranks), key=lambda answer: answer.kind not in case.first)
    recommended = tuple(answer.kind for answer in judged if answer.admissible)
    kinds = tuple(_with_kinds_that_qualify(case, answer, recommended) for answer in judged)
    return Selection(
        outcome="protection_required",
        recommended=recommended,
        kinds=kinds,
        conditions=_conditions(case, recommended),
        hazard=determined.hazard,
        flags=determined.flags,
        not_stated=tuple(dict.fromkeys(name for answer in kinds for name in answer.depends_on)),
        rulebook=_sealed(key, day),
        summary=_summary(case, kinds, recommended),
        caution=CAUTION,
        units=request.units,
    )


def _check(request: SelectionRequest, tables: InForce) -> None:
    site = Site() if request.site is UNSET else request.site
    units = Units() if request.units is UNSET else request.units
    if site.height_above_highest_outlet is not UNSET and units.length is UNSET:
        raise unit_missing("length")
    if request.hydraulics is not UNSET:
        hydraulics.check(request.hydraulics, units, frozenset(rank.kind for rank in tables.ranks))


def _without_kinds(request: SelectionRequest, determined: Determined, sealed: RulebookReference) -> Selection:
    """Where no assembly is needed, or the hazard is not determined."""
    none = determined.hazard.applied == "none"
    summary = sentence("selection", "none_required")
    return Selection(
        outcome="none_required" if none else "not_determined",
        recommended=(),
        kinds=(),
        conditions=(),
        hazard=determined.hazard,
        flags=determined.flags,
        not_stated=determined.missing,
        rulebook=sealed,
        summary=summary if none else determined.hazard.because,
        caution=CAUTION,
        units=request.units,
    )


def _with_kinds_that_qualify(case: Case, answer: KindResult, recommended: tuple[str, ...]) -> KindResult:
    """The kind with, beside each fact that excludes it, the kinds that qualify."""
    facts = {row.rule for row in case.exclusions}
    if all(reason.outcome != "not_met" or reason.rule not in facts for reason in answer.reasons):
        return answer
    if recommended:
        qualifying = sentence("selection", "kinds_that_qualify", kinds=", ".join(recommended))
    else:
        qualifying = sentence("selection", "no_kind_qualifies")
    reasons = tuple(
        reason
        if reason.outcome != "not_met" or reason.rule not in facts
        else msgspec.structs.replace(reason, message=f"{reason.message} {qualifying}")
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


def _names(facts: Iterable[str]) -> str:
    return ", ".join(f"`{fact}`" for fact in facts)


def _summary(case: Case, kinds: tuple[KindResult, ...], recommended: tuple[str, ...]) -> str:
    requirements = [row.says for row in case.requirements]
    if not recommended:
        missing = dict.fromkeys(name for answer in kinds for name in answer.depends_on)
        not_stated = [sentence("selection", "summary_not_stated", facts=_names(missing))] if missing else []
        return " ".join([sentence("selection", "summary_no_kind"), *not_stated, *requirements])
    least = next(answer for answer in kinds if answer.admissible)
    depends = [sentence("selection", "summary_depends", facts=_names(least.depends_on))] if least.depends_on else []
    if least.kind in case.first:
        chosen = sentence("selection", "summary_first_choice", name=least.name, kind=least.kind)
        return " ".join([chosen, *requirements, *depends])
    chosen, others = sentence("selection", "summary_minimum", name=least.name, kind=least.kind), len(recommended) - 1
    stricter = []
    if others:
        stricter = [
            sentence("selection", "summary_one_stricter")
            if others == 1
            else sentence("selection", "summary_stricter", count=others)
        ]
    return " ".join([chosen, *stricter, *depends])


@lru_cache(maxsize=4096)
def _sealed(key: RulebookKey, on: dt.date) -> RulebookReference:
    """The rulebook, sealed with all that a selection rests on: tables, placement rules, and constants and bounds."""
    tables = tables_for(key, on)
    rests_on = (tables.tables, placement_rules(tables.placement, on), hydraulics.data())
    return msgspec.structs.replace(tables.rulebook, digest=digest(rests_on))
