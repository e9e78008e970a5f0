"""A rulebook is what one authority asks, in force on one day.

The data (`data/rulebooks/*.toml`) hold every value with its unit, dates, source and mark. A rulebook may extend another: it then
holds what that one holds, except the entries that it states itself under the same key. Resolving a rulebook for a day picks the
entries in force and seals them with a digest; nothing in force is an error, never an empty rulebook that passes everything.
"""

import datetime as dt
import hashlib
from collections.abc import Collection
from typing import Any, Literal

import msgspec
from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component, Hazard, Kind, TestableKind
from rules.errors import NotInForceError
from rules.quantities import Unit, convert
from rules.sources import Cited, Provenance, Source, Work, cite

Quantity = Literal[
    "held_at",
    "closed_tight",
    "tight_against_backpressure",
    "opened",
    "opened_at",
    "opened_fully",
    "not_discharging",
    "not_spilling",
    "buffer",
]
Event = Literal[
    "installation", "periodic", "repair", "relocation", "incident", "seasonal_start", "return_to_service", "reoccupancy"
]
Connection = Literal["residential", "non_residential", "irrigation", "fire", "reclaimed_on_site"]
Occasion = Literal["due", "failed", "unprotected", "retest"]
"""Why a notice is sent."""
Addressee = Literal["customer", "utility"]
LimitUnit = Literal[
    "psi", "kPa", "bar", "in", "months", "days", "business_days", "hours", "minutes", "degF", "probability", "per_year"
]
Protection = Literal["full", "degraded", "insufficient", "unknown", "lost"]
"""What an assembly would do today, from best to worst; `insufficient`: its parts work, but it is not for this hazard or mechanism."""
MechanicalProtection = Literal["full", "degraded", "unknown", "lost"]
ActsAs = Literal["full", "degraded", "last_barrier_weak", "last_check", "lost"]
"""Which deadline a failed assembly has. `last_check`: an RP with a shut relief valve and one check left; `last_barrier_weak`: the only
barrier left is itself below its minimum; `lost` also where a failure was seen and nobody can say what is left."""


class Printed(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The publisher's own metric figure beside the one in psi; a metric report is judged by it."""

    at_least: float
    unit: Unit


class Criterion(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A minimum that a reading must reach (at the minimum passes), or a fact that must be so.

    `rule` is the key, and the wording of a finding's `rule`. `alternative_to` names a rule that serves in its place when this one
    has no reading. An advisory criterion gives a note and never fails a test. With `above`, the figure itself does not pass.
    """

    rule: str
    kinds: tuple[TestableKind, ...]
    component: Component
    quantity: Quantity
    at_least: float | None = None
    unit: Unit | None = None
    printed: tuple[Printed, ...] = ()
    alternative_to: str | None = None
    advisory: bool = False
    above: bool = False
    says: str

    def minimum_in(self, unit: str) -> tuple[float, Printed | None]:
        """The minimum in the report's unit, and the printed figure it rests on, if it rests on one.

        A publisher's metric figure serves every metric unit; anything else is converted exactly.
        """
        if self.at_least is None or self.unit is None:
            raise ValueError(f"{self.rule} has no minimum")
        if unit != self.unit:
            for figure in self.printed:
                if (figure.unit == "psi") == (unit == "psi"):
                    return convert(figure.at_least, figure.unit, unit), figure
        return convert(self.at_least, self.unit, unit), None


class Limit(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A named bound that is no criterion: of the gauge, the line, a plausible reading, a date."""

    name: str
    at_least: float | None = None
    at_most: float | None = None
    unit: LimitUnit
    says: str


class Interval(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How often a kind of connection is tested: months, or once (on installation) where `months` is left out.

    The first entry whose conditions all fit decides; an empty condition fits everything. An entry with `failures` and `within_months`
    fits where at least so many tests failed in so many months up to the passing one. `seasonal` asks whether the assembly is put back
    into service each season. Where the kind is not stated, an entry for some kinds fits.
    """

    key: str
    months: int | None = None
    kinds: tuple[TestableKind, ...] = ()
    seasonal: bool | None = None
    hazards: tuple[Hazard, ...] = ()
    connections: tuple[Connection, ...] = ()
    failures: int | UnsetType = UNSET
    within_months: int | UnsetType = UNSET
    says: str

    def covers(self, hazard: str, connection: str, kind: str | UnsetType, *, seasonal: bool) -> bool:
        """Whether its conditions fit such an assembly, whatever its failures."""
        return (
            (not self.hazards or hazard in self.hazards)
            and (not self.connections or connection in self.connections)
            and (not self.kinds or kind is UNSET or kind in self.kinds)
            and (self.seasonal is None or self.seasonal == seasonal)
        )


class Inspection(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How often, and after which events, a kind that is not field-tested is inspected.

    `months` is left out where the clause names events only. An empty condition fits everything; the first entry that fits decides.
    Nobody inherits these from the common rulebook: where an authority states none, no day is set for an inspection. With `certified`, the
    clause requires a certified tester or specialist.
    """

    key: str
    months: int | None = None
    kinds: tuple[Kind, ...]
    hazards: tuple[Hazard, ...] = ()
    connections: tuple[Connection, ...] = ()
    events: tuple[Event, ...] = ()
    certified: bool = False
    says: str


class Trigger(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An event after which a test is due within `days` (0: before or as it goes into service)."""

    event: Event
    days: int
    says: str


CountsFrom = Literal["test", "notice"]
"""From when a deadline for repair runs by the clause: the day of the test, or the notice of its failure."""


class Deadline(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How soon a failed assembly is repaired and tested again, by hazard and what its protection acts as.

    `counts_from` is the day from which it runs by the clause. Until a notice is on record as sent, due days are counted from the test, the
    earliest that a notice can be.
    """

    key: str
    hazards: tuple[Hazard, ...]
    acts_as: tuple[ActsAs, ...]
    days: int
    counts_from: CountsFrom = "test"
    says: str


class ServingKinds(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The kinds that the authority's text admits against a hazard that it names by a word of its own."""

    kinds: tuple[Kind, ...]
    says: str


class HazardWord(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A word by which the authority grades hazards, and what it means.

    `acts_as` is the degree whose deadlines and intervals it has; left out where no text that was read says whether it is a hazard to
    health. Which kinds serve against it follows from the tables for the degree `chosen_as`, from those for `fluid_category`, or from
    `serves`; where none of these is stated, it is unknown.
    """

    word: str
    acts_as: Hazard | None = None
    chosen_as: Hazard | None = None
    fluid_category: int | None = None
    serves: ServingKinds | None = None
    says: str


class TesterRule(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who may test, and what a tester keeps to; `months` is how long a certificate is valid, where the clause says so."""

    key: str
    months: int | None = None
    says: str


class NotRead(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A subject of which the authority's text was not read, and what is therefore left open.

    Criteria and intervals are then not inherited, since they would pass for the authority's own; the rest is common practice, and marked
    so. What it says is this project's own, in no text of the authority's: it is never marked as published.
    """

    provenance: Provenance | None = "common_practice"
    subject: Literal["criteria", "intervals", "triggers", "deadlines", "report_due", "hazard_words", "premises", "testers"]
    says: str


class Edition(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which edition of which manual decides; `named` false where the authority names none, as `says` then explains."""

    key: Literal["field_test"]
    named: bool
    says: str


class RulebookData(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One file of `data/rulebooks`, as written."""

    id: str
    title: str
    jurisdiction: str
    in_force_from: dt.date
    in_force_until: dt.date | None = None
    extends: str | None = None
    note: str = ""
    last_looked_at: dt.date
    criteria: tuple[Criterion, ...] = ()
    limits: tuple[Limit, ...] = ()
    intervals: tuple[Interval, ...] = ()
    inspections: tuple[Inspection, ...] = ()
    triggers: tuple[Trigger, ...] = ()
    deadlines: tuple[Deadline, ...] = ()
    editions: tuple[Edition, ...] = ()
    hazard_words: tuple[HazardWord, ...] = ()
    testers: tuple[TesterRule, ...] = ()
    not_read: tuple[NotRead, ...] = ()
    tables: tuple[str, ...] = ()


class LocalReference(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which version of a utility's local rulebook lies over its state's; `digest` seals the whole of that version."""

    version: int
    """The number of the version."""
    title: str
    """The utility's ordinance."""
    digest: str
    """The digest that seals the version."""


class Rulebook(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A rulebook as it is in force on one day; `in_force_from` is the day on which it last changed before that day.

    `sources` holds the works cited, by key. `tables` names the selection and placement tables that the authority uses. `local` says which
    local rulebook is part of it.
    """

    id: str
    title: str
    jurisdiction: str
    note: str
    in_force_from: dt.date
    in_force_until: dt.date | None
    last_looked_at: dt.date
    digest: str
    criteria: tuple[Criterion, ...]
    limits: tuple[Limit, ...]
    intervals: tuple[Interval, ...]
    inspections: tuple[Inspection, ...]
    triggers: tuple[Trigger, ...]
    deadlines: tuple[Deadline, ...]
    editions: tuple[Edition, ...]
    hazard_words: tuple[HazardWord, ...]
    testers: tuple[TesterRule, ...]
    not_read: tuple[NotRead, ...]
    tables: tuple[str, ...]
    sources: dict[str, Source]
    local: LocalReference | UnsetType = UNSET

    def limit(self, name: str) -> Limit:
        """The limit of that name; KeyError where the rulebook has none."""
        for limit in self.limits:
            if limit.name == name:
                return limit
        raise KeyError(name)

    def left_open(self, subject: str) -> NotRead | None:
        """Why the rulebook says nothing on that subject, where its authority's text was not read."""
        return next((entry for entry in self.not_read if entry.subject == subject), None)

    def cite(self, value: Cited) -> Source:
        """Where a value of this rulebook is from, with its own clause and mark."""
        return cite(value, self.sources)


SECTIONS = {
    "criteria": "rule",
    "limits": "name",
    "intervals": "key",
    "inspections": "key",
    "triggers": "event",
    "deadlines": "key",
    "editions": "key",
    "hazard_words": "word",
    "testers": "key",
    "not_read": "subject",
}  # as each entry is named


# An authority that states its own words for hazards uses no others.
_STATED_AS_A_WHOLE = frozenset({"hazard_words"})
# What would pass for the authority's own if it came from another rulebook.
_NEVER_UNREAD = frozenset({"criteria", "intervals"})

# Nobody has an interval of the common rulebook unseen: an authority's own is stated, or none is.
_NEVER_FROM_THE_COMMON = frozenset({"intervals", "inspections"})


def extend(base: RulebookData | None, own: RulebookData) -> RulebookData:
    """`own` with what it inherits: its own entries first, then those of `base` whose key it does not state itself.

    It inherits no criteria and no intervals where its authority's text on them was not read.
    """
    if base is None:
        return own
    subjects = {entry.subject for entry in own.not_read}
    unread = subjects & _NEVER_UNREAD
    merged: dict[str, Any] = {}
    for section, key in SECTIONS.items():
        stated = getattr(own, section)
        common = section in _NEVER_FROM_THE_COMMON and base.extends is None
        if section in unread or common or (stated and section in _STATED_AS_A_WHOLE):
            merged[section] = stated
            continue
        keys = {getattr(entry, key) for entry in stated}
        merged[section] = stated + tuple(entry for entry in getattr(base, section) if getattr(entry, key) not in keys)
    if "criteria" in unread:
        merged["editions"] = own.editions
    # What the base left open, and this one states, is open no longer.
    merged["not_read"] = own.not_read + tuple(
        entry for entry in base.not_read if entry.subject not in subjects and not getattr(own, entry.subject, ())
    )
    return msgspec.structs.replace(own, **merged, tables=own.tables or base.tables)


def changes_of(data: RulebookData) -> set[dt.date]:
    """The days on which the rulebook changes, its first day among them."""
    changes = {data.in_force_from}
    for section in SECTIONS:
        for entry in getattr(data, section):
            if entry.in_force_from is not None:
                changes.add(entry.in_force_from)
            if entry.in_force_until is not None and entry.in_force_until < dt.date.max:
                changes.add(entry.in_force_until + dt.timedelta(days=1))
    return changes


def resolve(
    data: RulebookData,
    sources: dict[str, Source],
    on: dt.date,
    *,
    local: LocalReference | UnsetType = UNSET,
    also_changes: Collection[dt.date] = (),
) -> Rulebook:
    """The (already extended) rulebook on that day; NotInForceError where it says nothing then.

    `also_changes` are days on which it changes by what is no longer among its entries.
    """
    if on < data.in_force_from or (data.in_force_until is not None and on > data.in_force_until):
        first, day = data.in_force_from.isoformat(), on.isoformat()
        if data.in_force_until is None:
            raise NotInForceError("rulebook_not_yet_in_force", "/rulebook", rulebook=data.id, day=day, first=first)
        raise NotInForceError(
            "rulebook_not_in_force", "/rulebook", rulebook=data.id, day=day, first=first, last=data.in_force_until.isoformat()
        )
    changes = changes_of(data) | {day for day in also_changes if day >= data.in_force_from}
    chosen = {section: tuple(entry for entry in getattr(data, section) if entry.in_force(on)) for section in SECTIONS}
    cited = {entry.source for entries in chosen.values() for entry in entries if not isinstance(entry.source, Work)}
    cited |= {
        figure.source for criterion in chosen["criteria"] for figure in criterion.printed if not isinstance(figure.source, Work)
    }
    cited |= {
        entry.serves.source
        for entry in chosen["hazard_words"]
        if entry.serves is not None and not isinstance(entry.serves.source, Work)
    }
    later = [day for day in changes if day > on]
    unsealed = Rulebook(
        id=data.id,
        title=data.title,
        jurisdiction=data.jurisdiction,
        note=data.note,
        in_force_from=max(day for day in changes if day <= on),
        in_force_until=min(later) - dt.timedelta(days=1) if later else data.in_force_until,
        last_looked_at=data.last_looked_at,
        digest="",
        tables=data.tables,
        sources={key: sources[key] for key in sorted(cited)},
        local=local,
        **chosen,
    )
    # What does not change the judgement (when somebody last looked, when it will end) does not change the digest.
    sealed = msgspec.structs.replace(unsealed, in_force_until=None, last_looked_at=data.in_force_from)
    digest = hashlib.sha256(msgspec.json.encode(sealed, order="sorted")).hexdigest()
    return msgspec.structs.replace(unsealed, digest=f"sha256:{digest}")
