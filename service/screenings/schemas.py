"""A record that deserves a second look, what a person decides of it, and a component's trend: as they are answered and as they are kept."""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

import rules
from service.registry.schemas import Name

Disposition = Literal["open", "explained", "confirmed", "dismissed"]
Because = Annotated[str, Meta(min_length=1, max_length=4000)]


class ScreeningDecisionFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a person decides of a screening, why, and who decides.

    `explained`: there is an honest reason. `confirmed`: the record is wrong; have it corrected by a report that supersedes it. `dismissed`:
    there is nothing to look at. `open`: it is to be looked at again.
    """

    disposition: Disposition
    """What you decide."""
    because: Because
    """Why."""
    decided_by: Name
    """Who decides."""


class ScreeningDecision(ScreeningDecisionFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A decision as recorded. A later one overrides it and keeps it on record."""

    version: int
    """The number of the decision, counted from 1."""
    decided_at: dt.datetime
    """When it was decided."""
    organisation_id: UUID


class Screening(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A record that deserves a second look, and what was decided of it last.

    `subject_id` is a tester's, a gauge's or an assembly's. The same screen, subject and `occasion` is one screening, however often the
    screens run; its evidence is renewed as long as it is open. `false_alarms` states at most how often honest work is pointed out by this
    screen, per `false_alarms_of`, as measured on simulated programmes.
    """

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    screen: rules.screening.Screen
    """The screen that found it."""
    subject: rules.screening.Subject
    """What it is about."""
    subject_id: UUID
    """The id of what it is about."""
    occasion: str
    """The report, day, year or interval that it is about."""
    on: dt.date
    """Its day."""
    message: str
    """What was found, in words."""
    evidence: rules.screening.ScreeningEvidence
    """What it rests on."""
    false_alarms: float
    """How often the screen points at honest work, as measured in simulations."""
    false_alarms_of: str
    """What that share is of."""
    disposition: Disposition
    """What was decided."""
    decision: ScreeningDecision | UnsetType = UNSET
    """The last decision."""
    history: list[ScreeningDecision] | UnsetType = UNSET
    """Every decision, the earliest first; only where one screening is read."""
    caution: str = ""


class ScreeningRun(Struct, frozen=True, kw_only=True):
    """What a run of the screens did: how many tests it looked at since which day, and how many screenings it found, made and renewed."""

    since: dt.date
    """The first day looked at."""
    tests: int
    """How many tests were looked at."""
    found: int
    """How many screenings were found."""
    new: int
    """How many of them are new."""
    renewed: int
    """How many open ones have new evidence."""


class AssemblyTrend(Struct, frozen=True, kw_only=True):
    """How an assembly's components go: a trend each, and the day of the next test for which it is worked out."""

    assembly_id: UUID
    units: rules.TestUnits
    """The units of the trends."""
    next_test_on: dt.date
    """The day that the trends look ahead to."""
    components: list[rules.ComponentTrend]
    """A trend for each component."""
    caution: str
