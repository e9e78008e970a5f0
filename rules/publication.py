"""A rulebook laid open: all that it says on a day, every entry with its own source and mark in place of a key.

Field-test criteria, limits, intervals, triggers and deadlines, who may test, the authority's words for hazards, the tables by which it
chooses and its rules of placement; how well all of that is known, and what was not read.
"""

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from typing import Any, get_args

import msgspec
from msgspec import UNSET, Struct

from rules.calendar import add_months
from rules.dates import dates
from rules.load import rulebook, rulebook_data, rulebook_ids
from rules.rulebook import RulebookData
from rules.selection.installation import SEEN_AT_INSPECTION, placement_rules
from rules.selection.tables import cite, in_force, index
from rules.sources import Cited, KnownFrom

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
    last_looked_at: dt.date
    """The day on which somebody last looked at its sources."""
    digest: str
    """The digest that seals its content."""
    criteria: list[Entry]
    """What a reading has to meet."""
    limits: list[Entry]
    """Other limits: gauges, certificates, reports."""
    intervals: list[Entry]
    """How often assemblies are tested."""
    inspections: list[Entry]
    """How often, and after what, kinds that are not field-tested are inspected."""
    triggers: list[Entry]
    """After what else a test is due."""
    deadlines: list[Entry]
    """How soon a failed assembly is repaired."""
    editions: list[Entry]
    """Which edition of which manual decides, or that none is named."""
    hazard_words: list[Entry]
    """The authority's words for degrees of hazard, and the degree by which deadlines treat each."""
    testers: list[Entry]
    """Who may test."""
    not_read: list[Entry]
    """What of the authority's text was not read, by subject."""
    tables: list[Entry]
    """What may be chosen."""
    placement: list[Entry]
    """How it is placed."""


class HowKnown(Struct, frozen=True, kw_only=True):
    """The shares of a rulebook's values by how each is known, 0 to 1; together 1."""

    published: float
    """Read in the published source named."""
    from_memory: float
    """From memory of a source, or read as others quote it."""
    common_practice: float
    """Done so in the trade, without a source."""


class RulebookSummary(Struct, frozen=True, kw_only=True):
    """A rulebook in the list of those available; `judges_tests` is false where its authority's criteria were not read."""

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
    """Whether it has criteria for tests; false: a test is not judged by it, and its report is held."""
    values: int
    """How many values it has on that day: criteria, limits, intervals, triggers, deadlines, words for hazards, rules for testers."""
    known: HowKnown
    """How well those values are known."""
    last_looked_at: dt.date
    """The day on which somebody last looked at its sources."""
    stale: bool
    """Whether that is so long ago that somebody has to look again."""
    not_read: list[str]
    """What of the authority's text was not read, in sentences."""


def carried(on: dt.date) -> list[RulebookSummary]:
    """Every rulebook available, by id, as it is on that day."""
    return [_summary(rulebook_data(rulebook_id), on) for rulebook_id in rulebook_ids()]


def _summary(data: RulebookData, on: dt.date) -> RulebookSummary:
    sections = (
        data.criteria, data.limits, data.intervals, data.inspections, data.triggers, data.deadlines, data.editions, data.hazard_words,
        data.testers,
    )  # fmt: skip
    # Before its first day, a rulebook is listed as on that day.
    day = max(on, data.in_force_from)
    marks = Counter(cite(entry).provenance for section in sections for entry in section if entry.in_force(day))
    total = marks.total() or 1
    return RulebookSummary(
        id=data.id,
        title=data.title,
        jurisdiction=data.jurisdiction,
        in_force_from=data.in_force_from,
        extends=data.extends,
        judges_tests=bool(data.criteria),
        values=marks.total(),
        known=HowKnown(**{mark: round(marks[mark] / total, 4) for mark in get_args(KnownFrom)}),
        last_looked_at=data.last_looked_at,
        stale=add_months(data.last_looked_at, dates().look_again.months) < on,
        not_read=[entry.says for entry in data.not_read if entry.in_force(day)],
    )


def publish(rulebook_id: str, on: dt.date) -> PublishedRulebook:
    """All that the rulebook says on that day; UnknownRulebookError or NotInForceError where it says nothing."""
    book = rulebook(rulebook_id, on)
    # A rulebook without tables of its own or inherited chooses and places nothing.
    chooses = in_force(rulebook_id, on) if rulebook_id in index() else None
    return PublishedRulebook(
        id=book.id,
        title=book.title,
        jurisdiction=book.jurisdiction,
        note=book.note,
        in_force_from=book.in_force_from,
        in_force_until=book.in_force_until,
        last_looked_at=book.last_looked_at,
        digest=book.digest,
        criteria=_entries(book.criteria),
        limits=_entries(book.limits),
        intervals=_entries(book.intervals),
        inspections=_entries(book.inspections),
        triggers=_entries(book.triggers),
        deadlines=_entries(book.deadlines),
        editions=_entries(book.editions),
        hazard_words=_entries(book.hazard_words),
        testers=_entries(book.testers),
        not_read=_entries(book.not_read),
        tables=[] if chooses is None else _entries(chooses.tables),
        placement=[] if chooses is None else _placement(chooses.placement, on),
    )


def _placement(sets: tuple[str, ...], on: dt.date) -> list[Entry]:
    placed = placement_rules((*sets, SEEN_AT_INSPECTION), on)
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
