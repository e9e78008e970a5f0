"""A rulebook laid open: all that it says on a day, every entry with its own source and mark in place of a key.

Field-test criteria, limits, intervals, triggers and deadlines, who may test, the authority's words for hazards, the tables by which it
chooses and its rules of placement; how well all of that is known, and what was not read.
"""

import datetime as dt
from collections import Counter
from collections.abc import Callable
from typing import Any, get_args, get_type_hints

import msgspec
from msgspec import UNSET, Struct

from rules.calendar import add_months
from rules.dates import dates
from rules.load import rulebook, rulebook_data, rulebook_ids
from rules.local_rulebook import LocalVersion, RulebookKey, StatedNotice, base_id
from rules.notices.local import stated_notices
from rules.rulebook import SECTIONS, LocalReference, RulebookData
from rules.selection.air_gap import AirGapRule
from rules.selection.installation import SEEN_AT_INSPECTION, PlacementRule, placement_rules
from rules.selection.local_premises import tables_for
from rules.selection.tables import Table, cite, index
from rules.sources import Cited, KnownFrom, Source
from rules.stating import not_applied

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


class EffectiveRulebook(PublishedRulebook, frozen=True, kw_only=True):
    """The rulebook by which a utility judges on a day: its state's, with its local rulebook laid over it.

    Each entry also says by `stated_by` whether it is the authority's or the utility's own.
    """

    local: LocalReference | None
    """The version of the local rulebook; null: the utility has stated none, or has withdrawn it."""
    notices: list[Entry]
    """The notices that the local rulebook requires."""
    not_applied: list[str]
    """Values of the local rulebook that are laxer than the state's rulebook became since, and so not applied, with the reason."""


class PublishedNotice(Struct, frozen=True, kw_only=True):
    """A notice that a local rulebook requires."""

    step: str
    occasion: str
    to: str
    days: int
    says: str
    source: Source


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
        data.criteria,
        data.limits,
        data.intervals,
        data.inspections,
        data.triggers,
        data.deadlines,
        data.editions,
        data.hazard_words,
        data.testers,
    )
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
    return PublishedRulebook(**_content(rulebook_id, on, _laid_open))


def publish_effective(key: RulebookKey, on: dt.date) -> EffectiveRulebook:
    """The same of a utility's rulebook, a local one laid over its state's, and the notices that it requires."""
    version = key if isinstance(key, LocalVersion) else None
    local = rulebook(key, on).local
    return EffectiveRulebook(
        **_content(key, on, _with_stater),
        local=None if local is UNSET else local,
        notices=[_stated_notice(entry) for entry in stated_notices(version, on)],
        not_applied=[] if version is None else list(not_applied(version, on)),
    )


def entry_types() -> dict[str, tuple[type[Struct], ...]]:
    """The rows whose members the entries of each section have, by section; a row's key of a source is laid open as `source`."""
    declared = get_type_hints(RulebookData)
    sections: dict[str, tuple[type[Struct], ...]] = {name: (get_args(declared[name])[0],) for name in SECTIONS}
    return {**sections, "tables": (Table,), "placement": (PlacementRule, AirGapRule), "notices": (PublishedNotice,)}


Opening = Callable[[Any], Any]
"""How a value of a rulebook is laid open."""


def _content(key: RulebookKey, on: dt.date, opened: Opening) -> dict[str, Any]:
    book = rulebook(key, on)
    # A rulebook without tables of its own or inherited chooses and places nothing.
    chooses = tables_for(key, on) if base_id(key) in index() else None
    plain = (
        "id",
        "title",
        "jurisdiction",
        "note",
        "in_force_from",
        "in_force_until",
        "last_looked_at",
        "digest",
    )
    placed = None if chooses is None else placement_rules((*chooses.placement, SEEN_AT_INSPECTION), on)
    return {
        **{name: getattr(book, name) for name in plain},
        **{section: [opened(row) for row in getattr(book, section)] for section in SECTIONS},
        "tables": [] if chooses is None else [opened(table) for table in chooses.tables],
        "placement": [] if placed is None else [opened(row) for row in (*placed.rules, *placed.air_gaps)],
    }


def _stated_notice(entry: StatedNotice) -> Entry:
    clause = entry.clause
    source = Source(title=clause.title, clause=clause.section, provenance=clause.provenance, url=clause.url)
    says = {name: getattr(entry, name) for name in ("step", "occasion", "to", "days", "says")}
    return {**says, "stated_by": "utility", "source": msgspec.to_builtins(source)}


def _laid_open(value: Any) -> Any:
    return _open(value, _laid_open)


def _with_stater(value: Any) -> Any:
    opened = _open(value, _with_stater)
    return {**opened, "stated_by": "utility" if value.stated_by_utility else "authority"} if isinstance(value, Cited) else opened


def _open(value: Any, opened: Opening) -> Any:
    if isinstance(value, Struct):
        hidden = {"source", "clause", "provenance"} if isinstance(value, Cited) else set()
        members = {name: getattr(value, name) for name in value.__struct_fields__ if name not in hidden}
        plain = {name: opened(member) for name, member in members.items() if member is not UNSET}
        return {**plain, "source": msgspec.to_builtins(cite(value))} if isinstance(value, Cited) else plain
    if isinstance(value, tuple):
        return [opened(member) for member in value]
    return msgspec.to_builtins(value)
