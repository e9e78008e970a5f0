"""A hazard assessment of premises: as it is sent, and as it is kept."""

import datetime as dt
from typing import Annotated, ClassVar
from uuid import UUID

from msgspec import UNSET, Meta, Struct, UnsetType

from service.http.documents import Needs
from service.http.plain_text import WRITTEN
from service.registry.schemas import HazardDegree, ShortText

Count = Annotated[int, Meta(ge=0, le=100_000)]
Text = Annotated[str, Meta(min_length=1, max_length=4000, pattern=WRITTEN)]


class HazardAssessmentFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which hazard was found at premises, on which day and by whom: an office, or a specialist by certificate; and when the next is due.

    It changes nothing that is registered of the premises. It is never edited: `supersedes` names an assessment of the same premises that
    this one corrects, and `supersedes_because` says why.
    """

    needs: ClassVar[Needs] = {
        "supersedes": ("supersedes_because", "supersedes_because_missing"),
        "supersedes_because": ("supersedes", "supersedes_missing"),
    }
    premises_id: UUID
    assessed_on: dt.date
    """The day of the assessment."""
    assessed_by: ShortText
    """The office, or the specialist's certificate number."""
    hazard: HazardDegree
    """The degree of hazard that was found."""
    findings: Text | UnsetType = UNSET
    """What was found, in words."""
    next_due_on: dt.date | UnsetType = UNSET
    """The day the next assessment is due."""
    cross_connections_found: Count | UnsetType = UNSET
    """How many unprotected cross-connections this assessment found."""
    cross_connections_corrected: Count | UnsetType = UNSET
    """How many cross-connections, found now or before, were seen to be corrected; each is counted in one assessment."""
    isolation_exception: Text | UnsetType = UNSET
    """Why no isolation of these premises is required although their type is listed as requiring it; for the yearly summary."""
    supersedes: UUID | UnsetType = UNSET
    """The assessment that this one corrects."""
    supersedes_because: Text | UnsetType = UNSET
    """Why that one is corrected; required with `supersedes`."""

    def __post_init__(self) -> None:
        """Ask for what a correction needs."""
        if (self.supersedes is UNSET) is not (self.supersedes_because is UNSET):
            raise ValueError("A correction names the assessment that it corrects, and says why.")


class HazardAssessment(HazardAssessmentFacts, frozen=True, kw_only=True, forbid_unknown_fields=False):
    """An assessment as kept; `organisation_id` is that of the key which recorded it."""

    id: UUID
    version: int
    created_at: dt.datetime
    organisation_id: UUID
    superseded_by: UUID | UnsetType = UNSET
    """The assessment that corrects this one."""
