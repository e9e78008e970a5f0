"""The report of an inspection: as it is sent, and as it is answered."""

import datetime as dt
from typing import Annotated, ClassVar
from uuid import UUID

from msgspec import UNSET, Meta, Raw, Struct, UnsetType

import rules
from rules import selection
from rules.inspection import InspectionUnits, InspectionVerdict
from service.http.documents import Needs
from service.record.reports.schemas import Reason, Text
from service.record.reviews.schemas import ReviewDecision
from service.registry.schemas import Code, ShortText


class KeptInspection(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What a recorded inspection says."""

    gauge_id: ClassVar[None] = None
    """No gauge: that distinguishes an inspection from a test in the record."""

    assembly_id: UUID
    inspected_by: ShortText
    """The office, or the inspector's certificate number."""
    tester_id: UUID | UnsetType = UNSET
    """The registered tester who inspected; the certificate is then the register's."""
    performed_at: Annotated[dt.datetime, Meta(tz=True)]
    """When it was inspected, with its offset."""
    reason: Reason
    """Why it was inspected."""
    units: InspectionUnits
    """The units of all numbers."""
    installation: selection.Installation
    """What was seen and measured; what is left out was not."""
    rulebook: Code | UnsetType = UNSET
    """The rulebook; where it is given it must be the utility's own."""
    declared: rules.Outcome | UnsetType = UNSET
    """The outcome that the report itself declares."""
    remarks: Text | UnsetType = UNSET
    """The inspector's remarks."""
    supersedes: UUID | UnsetType = UNSET
    """The inspection that this one corrects."""
    supersedes_because: Annotated[str, Meta(min_length=1, max_length=4000, pattern=r"\S")] | UnsetType = UNSET
    """Why that inspection is corrected; required with `supersedes`."""


class InspectionFacts(KeptInspection, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An inspection as reported: an air gap, an atmospheric vacuum breaker or a barometric loop, held to the placement rules.

    After what was wrong is put right, send another inspection with the reason `repair`. `supersedes` names the inspection that this one
    corrects, and `supersedes_because` says why: send both or neither.
    """

    needs: ClassVar[Needs] = {
        "supersedes": ("supersedes_because", "supersedes_because_missing"),
        "supersedes_because": ("supersedes", "supersedes_missing"),
    }

    def __post_init__(self) -> None:
        """Require what a correction needs."""
        if (self.supersedes is UNSET) is not (self.supersedes_because is UNSET):
            raise ValueError("A correction names the inspection that it corrects, and says why.")


class InspectionReport(KeptInspection, frozen=True, kw_only=True, forbid_unknown_fields=False, omit_defaults=True):
    """An inspection as kept; `log_index` is its place in the utility's log, counted from 0."""

    id: UUID
    utility: str
    received_at: dt.datetime
    """When the service received it."""
    log_index: int | UnsetType = UNSET
    """Its place in the utility's log, counted from 0."""
    superseded_by: UUID | UnsetType = UNSET
    """The inspection that corrects this one."""
    decision: ReviewDecision | UnsetType = UNSET
    """What a person decided of it."""


class RecordedInspection(Struct, frozen=True, kw_only=True):
    """The answer to an inspection: the report, its verdict, and the standing of what was inspected."""

    inspection: InspectionReport
    """The inspection as recorded."""
    verdict: InspectionVerdict
    """The verdict."""
    standing: rules.Standing | UnsetType = UNSET
    """The standing with this inspection, where the caller sees the assembly."""


class RecordedInspectionRaw(Struct, frozen=True, kw_only=True):
    """The same answer, with the verdict as the bytes that are kept."""

    inspection: InspectionReport
    verdict: Raw
    standing: rules.Standing | UnsetType = UNSET
