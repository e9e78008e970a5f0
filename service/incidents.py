"""A backflow incident, and an exception from testing: as they are told, and as they are kept.

Neither names a person: of the people affected an incident holds a number at most, and an exception names the office that granted it.
"""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

from service.things import Location, Name, ShortText

Text = Annotated[str, Meta(min_length=1, max_length=4000)]
Reached = Annotated[list[UUID], Meta(max_length=200)]


class IncidentFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A backflow incident: when and where it happened, which assemblies and premises it concerns, and what is known of it.

    `status`: `suspected` and `confirmed` incidents make its assemblies and those of its premises due for a test, and what they protect
    unknown until they have passed it; one found `unfounded` does not. `people_affected` is a number; name nobody. `actions` is
    what was done, `closed_on` the day on which the matter was closed.
    """

    occurred_at: Annotated[dt.datetime, Meta(tz=True)]
    status: Literal["suspected", "confirmed", "unfounded"]
    description: Text
    assemblies: Reached = []
    premises: Reached = []
    place: Name | UnsetType = UNSET
    location: Location | UnsetType = UNSET
    people_affected: Annotated[int, Meta(ge=0, le=2_000_000_000)] | UnsetType = UNSET
    actions: Text | UnsetType = UNSET
    closed_on: dt.date | UnsetType = UNSET


class Incident(IncidentFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An incident as kept; `occurred_on` is its day where the utility is."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    occurred_on: dt.date


class IncidentTelling(IncidentFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An incident as it was told at one time, under the version it had then."""

    version: int
    recorded_at: dt.datetime


class TestingExceptionFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """That an assembly need not be tested from `since` to `until`, both days included; why; and which office grants it.

    It is shown beside the assembly's standing and changes nothing of it: an assembly that is overdue or failed stays so.
    """

    __test__ = False
    assembly_id: UUID
    since: dt.date
    until: dt.date
    reason: Literal["premises_empty", "cannot_be_shut_down", "not_accessible", "awaiting_replacement", "other"]
    because: Text
    granted_by: ShortText


class ExceptionEnd(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """That an exception ends before its time: its last day, and why. Nothing else of it can change, and this only once."""

    ended_on: dt.date
    ended_because: Text


class TestingException(TestingExceptionFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An exception as kept; `organisation_id` is that of the key which recorded it."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    organisation_id: UUID
    ended_on: dt.date | UnsetType = UNSET
    ended_because: Text | UnsetType = UNSET
