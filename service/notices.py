"""Notices as they are told over HTTP: the schedule, a notice with its states, a run with its progress."""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.notices import Addressee, Occasion, Step
from service.things import Contact

NoticeState = Literal["prepared", "sent", "delivery_failed", "cancelled", "withdrawn"]
RunState = Literal["running", "interrupted", "finished", "abandoned"]


class ScheduleFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The steps of a utility's notices; without them the common schedule, which follows common practice and no source."""

    steps: Annotated[list[Step], Meta(max_length=50)] | UnsetType = UNSET


class Schedule(Struct, frozen=True, kw_only=True):
    """A schedule as it is followed; `own` says whether the utility has set it. Version 0 is the common one, never changed here."""

    steps: list[Step]
    own: bool
    known_from: str
    version: int
    changed_at: dt.datetime | None


class StateThen(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A state that a notice came into, and when."""

    state: NoticeState
    at: dt.datetime
    detail: str | None = None


class Address(Struct, frozen=True, kw_only=True):
    """Where a notice goes. `missing` is true where the customer's contact is not registered, or says no way to reach it.

    `contact` is the premises' contact of today, and is told to the utility and the operator only.
    """

    to: Addressee
    premises_id: UUID
    missing: bool
    contact: Contact | UnsetType = UNSET


class NoticeChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What became of a notice, as the utility's own software tells it; `detail` is for its own words, a message number or a reason."""

    state: Literal["sent", "delivery_failed", "cancelled"]
    detail: Annotated[str, Meta(min_length=1, max_length=500)] | UnsetType = UNSET


class Words(Struct, frozen=True, kw_only=True):
    """What a notice is about and what it says. It is about the due day `due_on`, or about the failing report `report_id`."""

    assembly_id: UUID
    step: str
    occasion: Occasion
    scheduled_for: dt.date
    due_on: dt.date | None
    report_id: UUID | None
    repair_by: dt.date | None
    subject: str
    text: str
    addressee: Address


class Notice(Words, frozen=True, kw_only=True):
    """A notice as kept: prepared once for its step and what it is about, with every state it has had."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    run_id: UUID
    state: NoticeState
    states: list[StateThen]


class NoticeRun(Struct, frozen=True, kw_only=True):
    """A run that prepares the notices of the day `on`, the utility's today.

    `total` is how many there were to prepare when it began (null until they are counted), `done` how many are dealt with, `by_step` how many
    were prepared by it. One that is `interrupted` goes on when the next run is asked for on that day; on a later day it is `abandoned`
    to that one.
    """

    id: UUID
    on: dt.date
    state: RunState
    created_at: dt.datetime
    finished_at: dt.datetime | None
    total: int | None
    done: int
    without_addressee: int
    by_step: dict[str, int]
