"""Notices as they are answered over HTTP: the schedule, a notice with its states, a run with its progress."""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.notices import Addressee, NoticeStep, Occasion
from service.registry.schemas import Contact

NoticeState = Literal["prepared", "sent", "delivery_failed", "cancelled", "withdrawn"]
RunState = Literal["running", "interrupted", "finished", "abandoned"]


class NoticeScheduleFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The steps of a utility's notices; without them the common schedule, which follows common practice and no source."""

    steps: Annotated[list[NoticeStep], Meta(max_length=50)] | UnsetType = UNSET
    """The steps; without them, the common schedule."""


class NoticeSchedule(Struct, frozen=True, kw_only=True):
    """A schedule as it is followed; `own` says whether the utility has set it. Version 0 is the common one, never changed here."""

    steps: list[NoticeStep]
    """The steps of the schedule; notices that the utility's local rulebook requires take the place of those of their codes."""
    own: bool
    """Whether the utility has set them."""
    provenance: str
    """How the schedule is known."""
    version: int
    changed_at: dt.datetime | None


class NoticeStateEntry(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A state that a notice came into, and when."""

    state: NoticeState
    """The state."""
    at: dt.datetime
    """Since when."""
    detail: str | None = None
    """What your software said of it."""


class NoticeAddress(Struct, frozen=True, kw_only=True):
    """Where a notice goes. `missing` is true where the customer's contact is not registered, or says no way to reach it.

    `contact` is the premises' contact of today, and is shown only to the utility and the operator.
    """

    to: Addressee
    """Who gets the notice."""
    premises_id: UUID
    missing: bool
    """True where the customer has no contact on record, or none that can be reached."""
    contact: Contact | UnsetType = UNSET
    """The contact, for those who may read it."""


class NoticeChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What became of a notice, as the utility's own software reports it; `detail` is for its own words, a message number or a reason."""

    state: Literal["sent", "delivery_failed", "cancelled"]
    """What became of the notice."""
    detail: Annotated[str, Meta(min_length=1, max_length=500)] | UnsetType = UNSET
    """Your own words: a message number, or a reason."""


class NoticeText(Struct, frozen=True, kw_only=True):
    """What a notice is about and what it says. It is about the due day `due_on`, or about the failing report `report_id`."""

    assembly_id: UUID
    step: str
    """The step of the schedule."""
    occasion: Occasion
    """Why there is a notice."""
    scheduled_for: dt.date
    """The day the notice was due to be prepared."""
    due_on: dt.date | None
    """The day the test is due, for a notice about a due test."""
    report_id: UUID | None
    """The failing report, for a notice about a failure."""
    repair_by: dt.date | None
    """The last day for the repair, for a notice about a failure."""
    subject: str
    """The subject line."""
    text: str
    """The text."""
    addressee: NoticeAddress
    """Who gets it."""


class Notice(NoticeText, frozen=True, kw_only=True):
    """A notice as kept: prepared once for its step and what it is about, with every state it has had."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    run_id: UUID
    """The run that prepared it."""
    state: NoticeState
    """The state it is in."""
    states: list[NoticeStateEntry]
    """Every state it has had, the first one first."""


class NoticeRun(Struct, frozen=True, kw_only=True):
    """A run that prepares the notices of the day `on`, the utility's today.

    `total` is how many there were to prepare when it began (null until they are counted), `done` how many are dealt with, `by_step` how
    many
    were prepared by it. One that is `interrupted` goes on when the next run is asked for on that day; on a later day it is `abandoned`
    to that one.
    """

    id: UUID
    on: dt.date
    """The day whose notices are prepared."""
    state: RunState
    """How far the run is."""
    created_at: dt.datetime
    finished_at: dt.datetime | None
    """When it finished; null while it runs."""
    total: int | None
    """How many assemblies are to be looked at; null until that is known."""
    done: int
    """How many have been looked at."""
    without_addressee: int
    """How many notices have nobody to go to."""
    by_step: dict[str, int]
    """How many notices each step has."""
