"""What a person decides of a report: a held one is accepted or refused, any one may be voided."""

import datetime as dt
from typing import Annotated, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

import rules
from service.http.plain_text import WRITTEN
from service.registry.schemas import Name

Decision = Literal["accepted", "refused", "void"]
ReviewState = Literal["open", "accepted", "refused", "void"]


class ReviewFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether a held report is accepted as a record, why, and who decides.

    `accepted`: what is flagged has an explanation, or does not matter; the report counts from now on. `refused`: a pass does not count; a
    failure that it reports still does, until a certified tester has tested the assembly again.
    """

    decision: Literal["accepted", "refused"]
    """What you decide."""
    because: Annotated[str, Meta(min_length=1, max_length=4000, pattern=WRITTEN)]
    """Why."""
    decided_by: Name
    """Who decides."""


class VoidFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """Why a report is no test of its assembly: it was filed on the wrong assembly, say, or describes a test that nobody made.

    A void is final. A failing test that was made is no reason: it counts until the assembly passes, or an accepted report corrects it.
    """

    because: Annotated[str, Meta(min_length=1, max_length=4000, pattern=WRITTEN)]
    """Why."""
    decided_by: Name | UnsetType = UNSET
    """Who decides, where that is to be kept beside the key's organisation."""


class ReviewDecision(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A decision as recorded, the first being version 1. A later one overrides it and keeps it on record; a void is the last."""

    decision: Decision
    """What was decided."""
    because: str
    """Why."""
    decided_by: str | UnsetType = UNSET
    """Who decided; a void may leave it out."""
    version: int
    decided_at: dt.datetime
    """When it was decided."""
    organisation_id: UUID


class Review(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A report that is held or void, what holds it, and what was decided of it last.

    `id` is the report's, `version` the last decision's (0: none yet).

    The report and its verdict stay as they are. A report that is refused by its verdict, or accepted, is not reviewed: the one calls for
    another test, the other is corrected by a report that supersedes it. Both can be voided.
    """

    id: UUID
    version: int
    state: ReviewState
    """How far the review is."""
    log_index: int
    """The report's place in the utility's log."""
    assembly_id: UUID
    tester_id: UUID | None
    """The tester; null: an inspection that names none."""
    gauge_id: UUID | None
    """The gauge; null: an inspection."""
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
