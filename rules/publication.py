"""A rulebook laid open: all that it says on a day, every entry with its own source and mark in place of a key.

Field-test criteria, limits, intervals, triggers and deadlines, the tables by which it chooses and its rules of placement. A rulebook
that only chooses and places (EN 1717) has no criteria.
"""

import datetime as dt
from collections.abc import Iterable
from typing import Any

import msgspec
from msgspec import UNSET, Struct

from rules.load import rulebook, rulebook_data, rulebook_ids
from rules.selection.installation import placement_rules
from rules.selection.tables import cite, in_force, index
from rules.sources import Cited

Entry = dict[str, Any]


class PublishedRulebook(Struct, frozen=True, kw_only=True):
    """All that a rulebook says on a day. Each entry is an object with its own members and `source` {title, clause, provenance}."""

    id: str
    """The rulebook's id."""
    title: str
    """Its title."""
    jurisdiction: str
    """Where it applies."""
    note: str
    """What it leaves open."""
    in_force_from: dt.date
    """The day since which it has been in force in this form."""
    in_force_until: dt.date | None
    """Its last day; null: it is in force."""
    last_looked_at: dt.date | None
    """The day on which somebody last looked at its sources."""
    digest: str
    """The digest that seals its content."""
    criteria: list[Entry]
    """What a reading has to meet."""
    limits: list[Entry]
    """Other limits: gauges, certificates, reports."""
    intervals: list[Entry]
    """How often assemblies are tested."""
    triggers: list[Entry]
    """After what else a test is due."""
    deadlines: list[Entry]
    """How soon a failed assembly is repaired."""
    editions: list[Entry]
    """Which edition of which manual decides, or that none is named."""
    tables: list[Entry]
    """What may be chosen."""
    placement: list[Entry]
    """How it is placed."""


class RulebookSummary(Struct, frozen=True, kw_only=True):
    """A rulebook in the list of those available; `judges_tests` is false for one that only chooses and places."""

    id: str
    """The rulebook's id."""
    title: str
    """Its title."""
    jurisdiction: str
    """Where it applies."""
    in_force_from: dt.date
    """The first day for which it says anything."""
    extends: str | None
    """The rulebook that it adds to; null: none."""
    judges_tests: bool
    """Whether it has criteria for tests; false: it only selects and places."""


def carried() -> list[RulebookSummary]:
    """Every rulebook carried, by id."""
    found = [
        RulebookSummary(
            id=data.id, title=data.title, jurisdiction=data.jurisdiction, in_force_from=data.in_force_from, extends=data.extends,
            judges_tests=True,
        )
        for data in map(rulebook_data, rulebook_ids())
    ]  # fmt: skip
    found += [
        RulebookSummary(
            id=entry.id, title=entry.title, jurisdiction="", in_force_from=entry.in_force_from, extends=None, judges_tests=False
        )
        for entry in index().values()
        if entry.in_force_from is not None
    ]
    return sorted(found, key=lambda one: one.id)


def publish(rulebook_id: str, on: dt.date) -> PublishedRulebook:
    """All that the rulebook says on that day; UnknownRulebookError or NotInForceError where it says nothing."""
    if rulebook_id not in rulebook_ids():
        chooses = in_force(rulebook_id, on)
        return PublishedRulebook(
            id=rulebook_id, title=chooses.rulebook.title, jurisdiction="", note=chooses.rulebook.note,
            in_force_from=chooses.rulebook.in_force_from, in_force_until=None, last_looked_at=None, digest=chooses.rulebook.digest,
            criteria=[], limits=[], intervals=[], triggers=[], deadlines=[], editions=[], tables=_entries(chooses.tables),
            placement=_placement(chooses.placement, on),
        )  # fmt: skip
    book, chooses = rulebook(rulebook_id, on), in_force(rulebook_id, on)
    return PublishedRulebook(
        id=book.id, title=book.title, jurisdiction=book.jurisdiction, note=book.note, in_force_from=book.in_force_from,
        in_force_until=book.in_force_until, last_looked_at=book.last_looked_at, digest=book.digest, criteria=_entries(book.criteria),
        limits=_entries(book.limits), intervals=_entries(book.intervals), triggers=_entries(book.triggers),
        deadlines=_entries(book.deadlines), editions=_entries(book.editions), tables=_entries(chooses.tables), placement=_placement(chooses.placement, on),
    )  # fmt: skip


def _placement(sets: tuple[str, ...], on: dt.date) -> list[Entry]:
    placed = placement_rules(sets, on)
    return _entries(placed.rules) + _entries(placed.air_gaps)


def _entries(rows: Iterable[Any]) -> list[Entry]:
    return [_laid_open(row) for row in rows]


def _laid_open(value: Any) -> Any:
    if isinstance(value, Struct):
        hidden = {"source", "clause", "provenance"} if isinstance(value, Cited) else set()
        said = {name: getattr(value, name) for name in value.__struct_fields__ if name not in hidden}
        plain = {name: _laid_open(one) for name, one in said.items() if one is not UNSET}
        return {**plain, "source": msgspec.to_builtins(cite(value))} if isinstance(value, Cited) else plain
    if isinstance(value, tuple):
        return [_laid_open(one) for one in value]
    return msgspec.to_builtins(value)
