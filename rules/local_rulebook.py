"""A local rulebook: what a utility states of its own ordinance, over its state's rulebook.

It is to the state's rulebook what a file of `data/rulebooks` is to the one that it extends. Every value has its clause: the ordinance's
title, its section and, where there is one, its address. It is marked `stated_by_utility`, since nobody here has read the ordinance, unless
the utility gives the address and says itself that the value is `published` there.
"""

import datetime as dt
import hashlib
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard, Kind, Purpose, TestableKind
from rules.rulebook import (
    ActsAs,
    Addressee,
    Connection,
    Event,
    LimitUnit,
    LocalReference,
    Occasion,
)
from rules.sources import Work

_PLAIN = r"^[^\x00-\x1f\x7f]+\Z"
Words = Annotated[str, Meta(min_length=1, max_length=500, pattern=_PLAIN)]
Title = Annotated[str, Meta(min_length=1, max_length=200, pattern=_PLAIN)]
Key = Annotated[str, Meta(min_length=1, max_length=60, pattern=r"^[a-z0-9][a-z0-9_-]*\Z")]
Name = Annotated[str, Meta(min_length=1, max_length=60, pattern=r"^[a-z0-9][a-z0-9_.]*\Z")]
Days = Annotated[int, Meta(ge=0, le=10_000)]
Months = Annotated[int, Meta(ge=1, le=1_200)]
MOST = 50
"""So many entries of each section."""


class Clause(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Where an ordinance says it."""

    title: Title
    """The ordinance's title."""
    section: Title
    """The section, such as `13.08.050 (B)`."""
    url: Annotated[str, Meta(max_length=500, pattern=r"^https?://[^\s\x00-\x1f\x7f]+\Z")] | UnsetType = UNSET
    """The address where the text can be read."""
    provenance: Literal["stated_by_utility", "published"] = "stated_by_utility"
    """`published` only if the utility has read the value in the text at `url`."""


class Stated(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value that a utility states: what it says in a sentence, its clause, and its first and last day within those of the rulebook."""

    says: Words
    """What it says, as a whole sentence: customers and testers read it."""
    clause: Clause
    """Where the ordinance says it."""
    in_force_from: dt.date | UnsetType = UNSET
    """Its first day; without it, the rulebook's."""
    in_force_until: dt.date | UnsetType = UNSET
    """Its last day; without it, the rulebook's."""


class StatedInterval(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How often assemblies are tested; an empty condition fits every assembly, and the first entry that fits decides."""

    key: Key
    """A name of its own; an entry of the state's rulebook that has the same key is replaced."""
    months: Months | None
    """The months between tests; null: tested once, when installed."""
    kinds: Annotated[tuple[TestableKind, ...], Meta(max_length=20)] = ()
    """Only for these kinds."""
    hazards: Annotated[tuple[Hazard, ...], Meta(max_length=5)] = ()
    """Only for these degrees of hazard."""
    connections: Annotated[tuple[Connection, ...], Meta(max_length=10)] = ()
    """Only for these connections."""
    seasonal: bool | None = None
    """Only for assemblies that are put back into service each season, or only for others."""
    failures: Annotated[int, Meta(ge=1, le=100)] | UnsetType = UNSET
    """Only where so many tests failed in `within_months`."""
    within_months: Months | UnsetType = UNSET
    """The months in which `failures` are counted."""


class StatedTrigger(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An event after which a test is due."""

    event: Event
    """The event."""
    days: Days
    """Within how many days; 0: before or as the assembly goes into service."""


class StatedDeadline(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How soon a failed assembly is repaired and tested again."""

    key: Key
    """A name of its own; an entry of the state's rulebook that has the same key is replaced."""
    hazards: Annotated[tuple[Hazard, ...], Meta(min_length=1, max_length=5)]
    """For these degrees of hazard."""
    acts_as: Annotated[tuple[ActsAs, ...], Meta(min_length=1, max_length=10)]
    """For assemblies whose protection acts as one of these."""
    days: Days
    """Within how many days."""
    counts_from: Literal["test", "notice"] = "test"
    """The day from which it runs."""


class StatedLimit(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Another limit: how soon a report is submitted, how old a gauge's calibration may be, and others."""

    name: Name
    """The name of the limit in the state's rulebook."""
    at_most: Annotated[float, Meta(ge=0, le=100_000)]
    """The most."""
    unit: LimitUnit
    """Its unit."""


class StatedCriterion(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A stricter minimum for a reading; the rest of the rule is the state's. Where the state's rulebook has no criteria: one of your own.

    Of your own criteria a kind needs all: each of its minima, and what has no minimum, such as `pvb.air_inlet.opened_fully`.
    """

    rule: Name
    """The rule, such as `rp.check_1.held_at`."""
    at_least: Annotated[float, Meta(ge=0, le=100_000)] | UnsetType = UNSET
    """The minimum; a reading at the minimum passes. Left out only for a rule of your own that has no minimum."""
    unit: Literal["psi", "kPa", "bar"] | UnsetType = UNSET
    """Its unit."""


class StatedNotice(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A notice that the ordinance requires; it takes the place of the schedule's step of that code, or is added to the schedule."""

    step: Key
    """The step's code."""
    occasion: Occasion
    """Why there is a notice."""
    to: Addressee
    """Who gets it."""
    days: Annotated[int, Meta(ge=-1000, le=10_000)]
    """How many days after the day it counts from; negative: before."""
    subject: Annotated[str, Meta(min_length=1, max_length=200, pattern=_PLAIN)] | UnsetType = UNSET
    """The subject line; without it, the schedule's own."""
    text: Annotated[str, Meta(min_length=1, max_length=5000)] | UnsetType = UNSET
    """The text; without it, the schedule's own."""


class StatedPremises(Stated, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Premises that need protection: of at least which hazard they are, or which kinds of assembly alone qualify there, or both."""

    key: Key
    """A name of its own."""
    premises: Annotated[tuple[Key, ...], Meta(min_length=1, max_length=50)]
    """The types of premises, by their code in `GET /v1/premises-types`."""
    purposes: Annotated[tuple[Purpose, ...], Meta(max_length=5)] = ()
    """Only for these purposes; empty: for all."""
    hazard: Hazard | UnsetType = UNSET
    """Their degree of hazard at the least, where the state's rulebook chooses by hazard."""
    fluid_category: Annotated[int, Meta(ge=1, le=5)] | UnsetType = UNSET
    """Their fluid category at the least, where the state's rulebook chooses by fluid category."""
    kinds: Annotated[tuple[Kind, ...], Meta(min_length=1, max_length=20)] | UnsetType = UNSET
    """Only these kinds qualify."""


class LocalRulebook(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, cache_hash=True):
    """A utility's ordinance over its state's rulebook. Without entries nothing is stricter than the state's."""

    extends: Key
    """The state's rulebook that it is stated over: the utility's own."""
    title: Title
    """The ordinance's title."""
    in_force_from: dt.date
    """The first day for which it says anything."""
    in_force_until: dt.date | UnsetType = UNSET
    """The last day for which it says anything; without it, it stays in force."""
    note: Annotated[str, Meta(max_length=1000)] = ""
    """What a reader should know besides."""
    intervals: Annotated[tuple[StatedInterval, ...], Meta(max_length=MOST)] = ()
    """How often assemblies are tested."""
    triggers: Annotated[tuple[StatedTrigger, ...], Meta(max_length=MOST)] = ()
    """After what else a test is due."""
    deadlines: Annotated[tuple[StatedDeadline, ...], Meta(max_length=MOST)] = ()
    """How soon a failed assembly is repaired."""
    limits: Annotated[tuple[StatedLimit, ...], Meta(max_length=MOST)] = ()
    """Other limits."""
    criteria: Annotated[tuple[StatedCriterion, ...], Meta(max_length=MOST)] = ()
    """Stricter minimums for readings."""
    notices: Annotated[tuple[StatedNotice, ...], Meta(max_length=MOST)] = ()
    """Notices that it requires."""
    premises: Annotated[tuple[StatedPremises, ...], Meta(max_length=MOST)] = ()
    """Premises that need protection."""

    @property
    def is_empty(self) -> bool:
        """Whether it states nothing, and so leaves the state's rulebook as it is."""
        return not any(getattr(self, section) for section in SECTIONS_STATED)

    def says_anything(self, on: dt.date) -> bool:
        """Whether any of its values is in force on that day; on others the state's rulebook alone holds."""
        return any(in_force(self, entry, on) for section in SECTIONS_STATED for entry in getattr(self, section))


SECTIONS_STATED = ("intervals", "triggers", "deadlines", "limits", "criteria", "notices", "premises")


class LocalVersion(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, cache_hash=True):
    """A version of a utility's local rulebook; versions are numbered from 1, and none is ever changed."""

    version: int
    rulebook: LocalRulebook

    @property
    def reference(self) -> LocalReference:
        """The version as a rulebook that it is part of names it."""
        digest = hashlib.sha256(msgspec.json.encode(self, order="sorted")).hexdigest()
        return LocalReference(version=self.version, title=self.rulebook.title, digest=f"sha256:{digest}")


RulebookKey = str | LocalVersion
"""Which rulebook: the id of one, or the version of a local rulebook that lies over one."""


def base_id(key: RulebookKey) -> str:
    """The id of the rulebook, or of the one that a local rulebook lies over."""
    return key if isinstance(key, str) else key.rulebook.extends


def days_of(rulebook: LocalRulebook, entry: Stated) -> tuple[dt.date, dt.date]:
    """The first and the last day of a stated value, both within the rulebook's own."""
    first = rulebook.in_force_from if entry.in_force_from is UNSET else max(entry.in_force_from, rulebook.in_force_from)
    last = dt.date.max if rulebook.in_force_until is UNSET else rulebook.in_force_until
    return first, last if entry.in_force_until is UNSET else min(last, entry.in_force_until)


def in_force(rulebook: LocalRulebook, entry: Stated, on: dt.date) -> bool:
    """Whether a stated value is in force on that day; both ends count."""
    first, last = days_of(rulebook, entry)
    return first <= on <= last


def work_of(clause: Clause) -> Work:
    """The ordinance as a work that is cited."""
    return Work(title=clause.title, publisher="", provenance=clause.provenance, url=clause.url)
