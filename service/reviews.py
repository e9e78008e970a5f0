"""What a person decides of a held report: as it is told, and as it is kept."""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

import rules
from service.things import Name

ReviewState = Literal["open", "accepted", "refused"]


class ReviewFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether a held report is accepted as a record, why, and who decides.

    `accepted`: what is flagged has an explanation, or does not matter; the report counts from now on. `refused`: a pass does not count; a
    failure that it reports still does, until a certified tester has tested the assembly again.
    """

    decision: Literal["accepted", "refused"]
    """What you decide."""
    because: Annotated[str, Meta(min_length=1, max_length=4000, pattern=r"\S")]
    """Why."""
    decided_by: Name
    """Who decides."""


class ReviewDecision(ReviewFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """A decision as recorded, the first being version 1. A later one overrides it and keeps it on record."""

    version: int
    decided_at: dt.datetime
    """When it was decided."""
    organisation_id: UUID


class Review(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A held report, what holds it, and what was decided of it last; `id` is the report's, `version` the last decision's (0: none yet).

    The report and its verdict stay as they are. A report that is refused by its verdict, or accepted, is not reviewed: the one calls for
    another test, the other is corrected by a report that supersedes it.
    """

    id: UUID
    version: int
    state: ReviewState
    """How far the review is."""
    log_index: int
    """The report's place in the utility's log."""
    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    """When the test was performed."""
    received_at: dt.datetime
    """When the report was received."""
    outcome: rules.Outcome
    """The report's outcome."""
    protection: rules.Protection
    """What the assembly would do by this report."""
    held_for: list[rules.Flag]
    """The flags that hold it."""
    supersedes: UUID | None
    """The report that it corrects; null: none."""
    superseded_by: UUID | None
    """The report that corrects it; null: none."""
    decision: ReviewDecision | UnsetType = UNSET
    """The last decision."""
    history: list[ReviewDecision] | UnsetType = UNSET
    """Every decision, the earliest first; only where one review is read."""
    caution: str = rules.CAUTION
