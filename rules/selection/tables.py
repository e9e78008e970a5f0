"""The published tables of choice, as data in force on one day.

Each rulebook names its tables in order, its own authority's first (`data/selection/index.toml`). On one topic the first table
that covers the hazard decides which kinds are admitted, as a rulebook's own entry replaces what it inherits; what
excludes a kind counts from every table, since no table takes back another's warning.
"""

import datetime as dt
import hashlib
from functools import cache, lru_cache
from typing import Any, Literal

import msgspec
from msgspec import Struct

from rules import load
from rules.catalogue import Hazard
from rules.errors import UnknownRulebookError
from rules.files import read
from rules.sources import Cited, Source, Work

Purpose = Literal["premises_isolation", "point_of_use"]
Outcome = Literal["met", "not_met", "not_determined"]
Fact = Literal[
    "backpressure_possible",
    "continuous_pressure",
    "premises_isolation",
    "subject_to_submergence",
    "drainage",
    "freezing_exposure",
    "indoors",
    "in_plant_air_gap",
    "hose_connection",
    "domestic",
]


class Scope(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a row applies; an empty member fits everything."""

    rule: str
    hazards: tuple[Hazard, ...] = ()
    fluid_categories: tuple[int, ...] = ()
    purposes: tuple[Purpose, ...] = ()
    premises: tuple[str, ...] = ()
    says: str

    def covers(self, hazard: Hazard | int, purpose: Purpose, premises: str) -> bool:
        """Whether the row covers that hazard (or fluid category), purpose and premises."""
        covered = self.fluid_categories if isinstance(hazard, int) else self.hazards
        return (
            (not covered or hazard in covered)
            and (not self.purposes or purpose in self.purposes)
            and (not self.premises or premises in self.premises)
        )


class Admission(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Only these kinds qualify where the row applies; those of `first` come first in the order of preference."""

    topic: Literal["hazard", "premises", "irrigation"]
    kinds: tuple[str, ...]
    first: tuple[str, ...] = ()


class Raise(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """These premises are of at least this hazard, or this fluid category."""

    hazard: Hazard | None = None
    fluid_category: int | None = None


class NoneRequired(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether an assembly may be left out where a survey found no cross-connection."""

    allowed: bool


class Exclusion(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A fact that excludes these kinds; `otherwise` is the sentence where the fact is known to be false."""

    fact: Fact
    when_is: bool = True
    kinds: tuple[str, ...]
    otherwise: str


class Requirement(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A fact without which these kinds do not qualify: what is not on record counts as missing, since it would have to be proved."""

    fact: Fact
    kinds: tuple[str, ...]
    none_stated: str


class ConditionRow(Scope, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What must be kept where these kinds are chosen; with a `fact`, only where that is true.

    `replaces` names a rule of another table that this one takes the place of for its kinds.
    """

    kinds: tuple[str, ...]
    fact: Fact | None = None
    replaces: str = ""


class Rank(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind's place in the order from the least to the most, and what it adds to those before it."""

    kind: str
    name: str = ""
    adds: str
    breaks_pressure: bool = False


class Variant(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A kind that a table does not list by itself and that is treated like one it lists."""

    kind: str
    of: str
    says: str


class Table(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One published table: one file of `data/selection`."""

    id: str
    title: str
    admissions: tuple[Admission, ...] = ()
    raises: tuple[Raise, ...] = ()
    none_required: tuple[NoneRequired, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    conditions: tuple[ConditionRow, ...] = ()
    ranks: tuple[Rank, ...] = ()
    variants: tuple[Variant, ...] = ()


class Entry(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One rulebook's tables and placement sets."""

    id: str
    tables: tuple[str, ...]
    placement: tuple[str, ...]
    note: str = ""


class Index(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which rulebook chooses by which tables."""

    rulebooks: tuple[Entry, ...]


class RulebookReference(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The rulebook by which an answer was given; `digest` seals the tables (or placement rules) that it rests on."""

    id: str
    """The rulebook's id."""
    title: str
    """Its title."""
    in_force_from: dt.date
    """The day since which it has been in force in this form."""
    digest: str
    """The digest that seals its content."""
    note: str = ""
    """What it leaves open."""


class InForce(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The tables of one rulebook on one day, in order."""

    rulebook: RulebookReference
    placement: tuple[str, ...]
    tables: tuple[Table, ...]
    ranks: tuple[Rank, ...]
    by_category: bool

    def admissions(self, hazard: Hazard | int, purpose: Purpose, premises: str) -> tuple[Admission, ...]:
        """The rows that decide which kinds serve: on each topic those of the first table that covers it."""
        found: list[Admission] = []
        decided: set[str] = set()
        for table in self.tables:
            rows = [row for row in table.admissions if row.topic not in decided and row.covers(hazard, purpose, premises)]
            decided.update(row.topic for row in rows)
            found.extend(rows)
        return tuple(found)

    def variant(self, kind: str) -> Variant | None:
        """How a kind is treated that the tables do not list by itself."""
        return next((row for table in self.tables for row in table.variants if row.kind == kind), None)

    def none_required(self, purpose: Purpose, premises: str) -> NoneRequired:
        """The first row that says whether no assembly may be required; every rulebook that chooses by hazard has one."""
        return next(
            row
            for table in self.tables
            for row in table.none_required
            if (not row.purposes or purpose in row.purposes) and (not row.premises or premises in row.premises)
        )


_SECTIONS = ("admissions", "raises", "none_required", "exclusions", "requirements", "conditions", "ranks", "variants")


@cache
def index() -> dict[str, Entry]:
    """Each rulebook's tables, by rulebook id."""
    return {entry.id: entry for entry in read("selection/index.toml", Index).rulebooks}


@cache
def table(table_id: str) -> Table:
    """One table, as written."""
    return read(f"selection/{table_id}.toml", Table)


def cite(value: Cited) -> Source:
    """Where a value is from, with its own clause and mark."""
    return _cite(value.source, value.clause, value.provenance)


@lru_cache(maxsize=4096)
def _cite(source: str | Work, clause: str, provenance: Any) -> Source:
    work = source if isinstance(source, Work) else load.works()[source]
    return Source(title=work.title, clause=clause, provenance=provenance or work.provenance, url=work.url)


@lru_cache(maxsize=4096)
def in_force(rulebook_id: str, on: dt.date) -> InForce:
    """The tables in force on that day; UnknownRulebookError or NotInForceError where there are none."""
    entry = index().get(rulebook_id)
    if entry is None:
        raise UnknownRulebookError("unknown_rulebook", "/rulebook", rulebook=rulebook_id, available=sorted(index()))
    book = load.rulebook(rulebook_id, on)
    tables = tuple(
        msgspec.structs.replace(
            whole, **{section: tuple(row for row in getattr(whole, section) if row.in_force(on)) for section in _SECTIONS}
        )
        for whole in map(table, entry.tables)
    )
    return InForce(
        rulebook=RulebookReference(
            id=rulebook_id, title=book.title, in_force_from=book.in_force_from, digest=digest(tables), note=entry.note
        ),
        placement=entry.placement,
        tables=tables,
        ranks=tuple(rank for own in tables for rank in own.ranks),
        by_category=any(row.fluid_categories for own in tables for row in own.admissions),
    )


def digest(rows: Any) -> str:
    """The seal of what an answer rests on: `sha256:` and the digest of its sorted JSON."""
    return "sha256:" + hashlib.sha256(msgspec.json.encode(rows, order="sorted")).hexdigest()
