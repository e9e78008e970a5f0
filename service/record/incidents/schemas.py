"""A backflow incident, and an exception from testing: as they are sent, and as they are kept.

Neither names a person: of the people affected an incident holds a number at most, and an exception names the office that granted it.
"""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

import rules
from service.registry.schemas import Location, Name, ShortText

Text = Annotated[str, Meta(min_length=1, max_length=4000)]
Reached = Annotated[list[UUID], Meta(max_length=200)]


class IncidentFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A backflow incident: when and where it happened, which assemblies and premises it concerns, and what is known of it.

    `assemblies` are those suspected as its path; `premises` are the area whose assemblies are tested besides. A `suspected` or `confirmed`
    incident makes all of them due for a test, and the protection of those suspected unknown until they have passed it; the others keep
    what their last test showed. One found `unfounded` does neither. `people_affected` is a number; name nobody. `actions` is
    what was done, `closed_on` the day on which the matter was closed.
    """

    occurred_at: Annotated[dt.datetime, Meta(tz=True)]
    """When it happened."""
    status: Literal["suspected", "confirmed", "unfounded"]
    """What is known of it."""
    description: Text
    """What happened, in words."""
    assemblies: Reached = []
    """The assemblies suspected as its path."""
    premises: Reached = []
    """The premises that it reached."""
    place: Name | UnsetType = UNSET
    """Where it happened, in words."""
    location: Location | UnsetType = UNSET
    """Where it happened on the map."""
    people_affected: Annotated[int, Meta(ge=0, le=2_000_000_000)] | UnsetType = UNSET
    """How many people were affected."""
    actions: Text | UnsetType = UNSET
    """What was done."""
    closed_on: dt.date | UnsetType = UNSET
    """The day the matter was closed."""


class Incident(IncidentFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An incident as kept; `occurred_on` is its day where the utility is."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    occurred_on: dt.date
    """The day it happened, in the utility's time zone."""
    notice: rules.IncidentNotice | UnsetType = UNSET
    """Until when the regulator is notified of it; absent where the rulebook names no time, and for an unfounded one."""


class IncidentRevision(IncidentFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """One revision of an incident, under its version at the time."""

    version: int
    """The version that this revision was."""
    recorded_at: dt.datetime


class TestingExceptionFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """That an assembly need not be tested from `since` to `until`, both days included; why; and which office grants it.

    It is shown beside the assembly's standing and changes nothing of it: an assembly that is overdue or failed stays so.
    """

    __test__ = False
    assembly_id: UUID
    since: dt.date
    """The first day."""
    until: dt.date
    """The last day."""
    reason: Literal["premises_empty", "cannot_be_shut_down", "not_accessible", "awaiting_replacement", "other"]
    """Why the test is put off."""
    because: Text
    """The reason in words."""
    granted_by: ShortText
    """The office that grants it."""


class ExceptionEnd(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """That an exception ends before its time: its last day, and why. Nothing else of it can change, and this only once."""

    ended_on: dt.date
    """The last day of the exception."""
    ended_because: Text
    """Why it ends early."""


class TestingException(TestingExceptionFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An exception as kept; `organisation_id` is that of the key which recorded it."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    organisation_id: UUID
    ended_on: dt.date | UnsetType = UNSET
    """Its last day, where it was ended early."""
    ended_because: Text | UnsetType = UNSET
    """Why it was ended early."""
