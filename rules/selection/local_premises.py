"""Premises that a utility's ordinance says need protection: a table of its own, read before those of the state's rulebook.

It never lowers a hazard that the state's tables give the same premises, nor admits a kind that they do not, however those are known: people
drink from the main that they protect.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Final, get_args

import msgspec
from msgspec import UNSET

from rules.catalogue import Hazard, Purpose
from rules.errors import DocumentError
from rules.floor import Laxer
from rules.local_rulebook import LocalVersion, RulebookKey, StatedPremises, in_force, work_of
from rules.selection import tables as published
from rules.selection.hazard import degree_of, degree_of_row, listed
from rules.selection.premises import premises_name
from rules.selection.tables import Admission, InForce, Raise, Table, cite
from rules.texts import Value

_PURPOSES: Final[tuple[Purpose, ...]] = get_args(Purpose)
_CATEGORIES: Final = (1, 2, 3, 4, 5)
Parameters = dict[str, Value | list[str]]
Fault = tuple[str, str, Parameters]
"""The member, the code of what is wrong with it, and its parameters."""


def tables_for(key: RulebookKey, on: dt.date) -> InForce:
    """The tables in force on that day, a local rulebook's first; UnknownRulebookError or NotInForceError where there are none."""
    return published.in_force(key, on) if isinstance(key, str) else _with_local(key, on)


@lru_cache(maxsize=1024)
def _with_local(version: LocalVersion, on: dt.date) -> InForce:
    state = published.in_force(version.rulebook.extends, on)
    refused = {laxer.place for laxer in laxer_premises(state, _stated(version, on))}
    entries = [entry for place, entry in _stated(version, on) if place not in refused]
    if not entries:
        return state
    tables = (_table(version, entries), *state.tables)
    reference = msgspec.structs.replace(state.rulebook, digest=published.digest(tables))
    return msgspec.structs.replace(state, rulebook=reference, tables=tables)


def laxer_on(version: LocalVersion, on: dt.date) -> list[Laxer]:
    """What is wrong with the premises that are stated for that day."""
    stated = _stated(version, on)
    if not stated:
        return []
    if version.rulebook.extends not in published.index():
        parameters: Parameters = {"rulebook": version.rulebook.extends}
        code = "local_premises_without_tables"
        return [Laxer(section="premises", place=place, member="key", code=code, parameters=parameters) for place, _ in stated]
    return list(laxer_premises(published.in_force(version.rulebook.extends, on), stated))


def _stated(version: LocalVersion, on: dt.date) -> list[tuple[int, StatedPremises]]:
    rulebook = version.rulebook
    return [(place, entry) for place, entry in enumerate(rulebook.premises) if in_force(rulebook, entry, on)]


def laxer_premises(state: InForce, stated: Sequence[tuple[int, StatedPremises]]) -> Iterator[Laxer]:
    """The stated premises that the state's tables protect better, or that cannot be read beside them; at most one of each."""
    for place, entry in stated:
        found = next(_faults(state, entry), None)
        if found is not None:
            member, code, parameters = found
            yield Laxer(section="premises", place=place, member=member, code=code, parameters=parameters)


def _faults(state: InForce, entry: StatedPremises) -> Iterator[Fault]:
    """The faults of one entry, the first that a reader has to put right first; an unknown code has none after it."""
    book = state.rulebook.id
    for code in entry.premises:
        try:
            premises_name(code)
        except DocumentError as error:
            yield "premises", error.code, error.parameters  # type: ignore[misc]  # a sequence is a list here
    if state.by_category and (entry.hazard is not UNSET or entry.kinds is not UNSET):
        yield "hazard", "hazard_not_used", {"rulebook": book}
    if not state.by_category and entry.fluid_category is not UNSET:
        yield "fluid_category", "fluid_category_not_used", {"rulebook": book}
    for code in entry.premises:
        for purpose in entry.purposes or _PURPOSES:
            yield from _lowered(state, entry, purpose, code)
            yield from _admitted(state, entry, purpose, code)


def _lowered(state: InForce, entry: StatedPremises, purpose: Purpose, code: str) -> Iterator[Fault]:
    degree = entry.fluid_category if entry.fluid_category is not UNSET else entry.hazard
    highest = max(listed(state, purpose, code), key=degree_of_row, default=None)
    if degree is UNSET or highest is None or degree_of(degree) >= degree_of_row(highest):
        return
    yield (
        "hazard" if entry.fluid_category is UNSET else "fluid_category",
        "local_hazard_lower",
        {
            "rulebook": state.rulebook.id,
            "stated": str(degree),
            "required": str(highest.fluid_category or highest.hazard),
            "name": premises_name(code),
            "clause": _clause(highest),
        },
    )


def _admitted(state: InForce, entry: StatedPremises, purpose: Purpose, code: str) -> Iterator[Fault]:
    if entry.kinds is UNSET:
        return
    degrees: tuple[Hazard | int, ...] = _CATEGORIES if state.by_category else get_args(Hazard)
    for degree in degrees:
        for row in state.admissions(degree, purpose, code):
            more = [str(kind) for kind in entry.kinds if kind not in row.kinds] if row.topic == "premises" else []
            if more:
                parameters: Parameters = {
                    "rulebook": state.rulebook.id,
                    "more": more,
                    "name": premises_name(code),
                    "available": list(row.kinds),
                    "clause": _clause(row),
                }
                yield "kinds", "local_kinds_more", parameters


def _clause(row: Raise | Admission) -> str:
    source = cite(row)
    return f"{source.title}, {source.clause}"


def _table(version: LocalVersion, entries: Sequence[StatedPremises]) -> Table:
    return Table(
        id="local",
        title=version.rulebook.title,
        raises=tuple(
            Raise(
                rule=f"local.{entry.key}",
                premises=entry.premises,
                purposes=entry.purposes,
                hazard=None if entry.hazard is UNSET else entry.hazard,
                fluid_category=None if entry.fluid_category is UNSET else entry.fluid_category,
                says=entry.says,
                source=work_of(entry.clause),
                clause=entry.clause.section,
            )
            for entry in entries
            if entry.hazard is not UNSET or entry.fluid_category is not UNSET
        ),
        admissions=tuple(
            Admission(
                rule=f"local.{entry.key}",
                topic="premises",
                premises=entry.premises,
                purposes=entry.purposes,
                kinds=entry.kinds,
                says=entry.says,
                source=work_of(entry.clause),
                clause=entry.clause.section,
            )
            for entry in entries
            if entry.kinds is not UNSET
        ),
    )
