"""Whether a kind is suitable for a hazard, by the tables of a rulebook, for an assembly that is already there.

The hazard always decides. Purpose, backpressure and an in-plant air gap decide when they are stated; where one that is not stated
would change the answer, suitability is not determined and the answer names that fact. What a table requires beside an assembly
counts only when it is on record.
"""

import datetime as dt
from typing import get_args

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Hazard
from rules.errors import NotJudgeableError
from rules.hazard_classes import FoundHazard
from rules.rulebook import HazardWord
from rules.selection.tables import Exclusion, Fact, InForce, Purpose, Scope, cite, in_force, index
from rules.selection.texts import sentence
from rules.sources import Source


class Suitability(Struct, frozen=True, kw_only=True):
    """`suitable` is None where it is not determined; `missing` then names the facts that would decide.

    `serves` holds the kinds that are suitable for the same facts, in the rulebook's order of preference.
    """

    suitable: bool | None
    because: str
    source: Source | None = None
    missing: tuple[str, ...] = ()
    serves: tuple[str, ...] = ()


class _Stated(Struct, frozen=True, kw_only=True):
    hazard: Hazard
    purposes: tuple[Purpose, ...]
    facts: dict[Fact, bool]


def suitability(
    rulebook_id: str,
    on: dt.date,
    kind: str,
    hazard: Hazard | UnsetType = UNSET,
    purpose: Purpose | UnsetType = UNSET,
    *,
    backpressure_possible: bool | UnsetType = UNSET,
    in_plant_air_gap: bool | UnsetType = UNSET,
) -> Suitability:
    """Whether the rulebook's tables of that day approve the kind for the hazard, why, and which kinds serve.

    A rulebook without tables, one that chooses by fluid category, and a kind that it does not list determine nothing.
    NotInForceError where the rulebook says nothing on that day, NotJudgeableError for an unknown hazard or purpose.
    """
    for code, value, known in (("unknown_hazard", hazard, get_args(Hazard)), ("unknown_purpose", purpose, get_args(Purpose))):
        if value is not UNSET and value not in known:
            raise NotJudgeableError(code, value=value, available=known)
    if hazard is UNSET:
        return Suitability(suitable=None, because=sentence("suitability", "hazard_not_stated"), missing=("hazard",))
    if rulebook_id not in index():
        return Suitability(suitable=None, because=sentence("suitability", "no_table", rulebook=rulebook_id))
    tables = in_force(rulebook_id, on)
    if tables.by_category:
        return Suitability(suitable=None, because=sentence("suitability", "by_fluid_category", rulebook=rulebook_id))
    # An in-plant air gap belongs to protection at the service connection, so stating one states the purpose.
    implied: Purpose | UnsetType = "premises_isolation" if in_plant_air_gap is True and purpose is UNSET else purpose
    facts = {"backpressure_possible": backpressure_possible, "in_plant_air_gap": in_plant_air_gap}
    stated = _Stated(
        hazard=hazard,
        purposes=get_args(Purpose) if implied is UNSET else (implied,),
        facts={name: value for name, value in facts.items() if value is not UNSET},  # type: ignore[misc]  # the keys are facts
    )
    first = {code for purpose in stated.purposes for row in tables.admissions(hazard, purpose, "") for code in row.first}
    kinds = sorted((rank.kind for rank in tables.ranks), key=lambda other: other not in first)
    serves = tuple(other for other in kinds if _judge(tables, other, stated).suitable)
    variant = tables.variant(kind)
    listed = kind if variant is None else variant.of
    if listed not in kinds:
        return Suitability(
            suitable=None, because=sentence("suitability", "not_in_table", rulebook=rulebook_id, kind=kind), serves=serves
        )
    found = _judge(tables, listed, stated)
    because = found.because if variant is None else sentence("suitability", "variant", rule=variant.says, because=found.because)
    return Suitability(suitable=found.suitable, because=because, source=found.source, missing=found.missing, serves=serves)


def suitability_of(
    rulebook_id: str,
    on: dt.date,
    kind: str,
    hazard: FoundHazard,
    purpose: Purpose | UnsetType = UNSET,
    *,
    backpressure_possible: bool | UnsetType = UNSET,
    in_plant_air_gap: bool | UnsetType = UNSET,
) -> Suitability:
    """Whether the kind is suitable against that hazard: by the rulebook's word for it where one is stated, otherwise by its degree."""
    if hazard.word is not None:
        return suitability_by_class(
            rulebook_id,
            on,
            kind,
            hazard.word,
            purpose,
            backpressure_possible=backpressure_possible,
            in_plant_air_gap=in_plant_air_gap,
        )
    return suitability(
        rulebook_id,
        on,
        kind,
        UNSET if hazard.hazard == "unknown" else hazard.hazard,
        purpose,
        backpressure_possible=backpressure_possible,
        in_plant_air_gap=in_plant_air_gap,
    )


def suitability_by_class(
    rulebook_id: str,
    on: dt.date,
    kind: str,
    word: HazardWord,
    purpose: Purpose | UnsetType = UNSET,
    *,
    backpressure_possible: bool | UnsetType = UNSET,
    in_plant_air_gap: bool | UnsetType = UNSET,
) -> Suitability:
    """Whether the kind is suitable against a hazard stated in the rulebook's own word.

    The kinds that the authority admits against it decide, or its tables for the degree by which it chooses; without either, nothing is
    determined. Errors as of `suitability`.
    """
    if word.serves is not None:
        serves = word.serves
        because = sentence("suitability", "class_serves", hazard_class=word.word, rule=serves.says)
        return Suitability(suitable=kind in serves.kinds, because=because, source=cite(serves), serves=serves.kinds)
    if word.chosen_as is None:
        because = sentence("suitability", "class_not_stated", rulebook=rulebook_id, hazard_class=word.word)
        return Suitability(suitable=None, because=because, missing=("hazard",))
    return suitability(
        rulebook_id,
        on,
        kind,
        word.chosen_as,
        purpose,
        backpressure_possible=backpressure_possible,
        in_plant_air_gap=in_plant_air_gap,
    )


def _judge(tables: InForce, kind: str, stated: _Stated) -> Suitability:
    """One kind for each purpose that is possible; where they differ, the purpose decides and is missing."""
    found = [_judge_purpose(tables, kind, stated, purpose) for purpose in stated.purposes]
    if len({result.suitable for result in found}) == 1:
        missing = tuple(dict.fromkeys(name for result in found for name in result.missing))
        return Suitability(suitable=found[0].suitable, because=found[0].because, source=found[0].source, missing=missing)
    against = next(result for result in found if result.suitable is not True)
    return Suitability(
        suitable=None,
        because=sentence("suitability", "purpose_decides", because=against.because),
        source=against.source,
        missing=("purpose", *against.missing),
    )


def _judge_purpose(tables: InForce, kind: str, stated: _Stated, purpose: Purpose) -> Suitability:
    admissions = tables.admissions(stated.hazard, purpose, "")
    for row in admissions:
        if kind not in row.kinds:
            return _verdict(row, suitable=False, because=sentence("suitability", "not_listed", rule=row.says))
    for required in (row for table in tables.tables for row in table.requirements):
        if _covers(required, kind, required.kinds, stated, purpose) and stated.facts.get(required.fact) is not True:
            return _verdict(
                required,
                suitable=False,
                because=sentence("suitability", "requirement_missing", rule=required.says, none_stated=required.none_stated),
            )
    excluding = (row for table in tables.tables for row in table.exclusions if row.fact in _DECIDING)
    unknown: list[Exclusion] = []
    for fact in excluding:
        if not _covers(fact, kind, fact.kinds, stated, purpose):
            continue
        value = purpose == "premises_isolation" if fact.fact == "premises_isolation" else stated.facts.get(fact.fact)
        if value is fact.when_is:
            return _verdict(fact, suitable=False, because=fact.says)
        if value is None:
            unknown.append(fact)
    if unknown:
        return Suitability(
            suitable=None,
            because=sentence("suitability", "fact_not_stated", fact=unknown[0].fact, rule=unknown[0].says),
            source=cite(unknown[0]),
            missing=tuple(dict.fromkeys(row.fact for row in unknown)),
        )
    return _verdict(admissions[0], suitable=True, because=admissions[0].says)


_DECIDING: tuple[Fact, ...] = ("backpressure_possible", "premises_isolation")


def _covers(row: Scope, kind: str, kinds: tuple[str, ...], stated: _Stated, purpose: Purpose) -> bool:
    return kind in kinds and row.covers(stated.hazard, purpose, "")


def _verdict(row: Scope, *, suitable: bool, because: str) -> Suitability:
    return Suitability(suitable=suitable, because=because, source=cite(row))
