"""The report of a field test: as it is sent, and as it is answered."""

import datetime as dt
from typing import Annotated, Any, ClassVar, Literal
from uuid import UUID

from msgspec import UNSET, Meta, Raw, Struct, UnsetType

import rules
from service.auth.access import Principal
from service.http.documents import Needs
from service.http.plain_text import WRITTEN
from service.record.reviews.schemas import ReviewDecision
from service.registry.schemas import Code, ShortText

Reason = Literal["installation", "periodic", "repair", "relocation", "incident", "other"]
InstalledAs = Literal["new", "existing", "replacement"]
Text = Annotated[str, Meta(max_length=4000)]


class KeptFacts(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What a recorded report says. It is read as it was taken, and corrections once came without their reason."""

    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: Annotated[dt.datetime, Meta(tz=True)]
    """When the test was performed, with its offset."""
    reason: Reason
    """Why the test was made."""
    units: rules.TestUnits
    """The units of all numbers."""
    initial_test: rules.Phase
    """The initial test."""
    rulebook: Code | UnsetType = UNSET
    """The rulebook; where it is given it must be the utility's own."""
    line_pressure: rules.PressureValue | UnsetType = UNSET
    """The line pressure, in `units.pressure`."""
    gauge_height_above_assembly: rules.LengthValue | UnsetType = UNSET
    """How high the gauge was held above the level that the procedure states, in `units.length`; negative: below."""
    repairs: Annotated[list[rules.Repair], Meta(max_length=50)] | UnsetType = UNSET
    """What was repaired between the tests."""
    final_test: rules.Phase | UnsetType = UNSET
    """The final test, after the repair."""
    declared: Literal["pass", "fail", "incomplete"] | UnsetType = UNSET
    """The outcome that the report itself declares."""
    installed_correctly: bool | UnsetType = UNSET
    """Whether the assembly is installed correctly, as the tester found it; recorded, not judged."""
    relief_air_gap: bool | UnsetType = UNSET
    """Whether the relief valve discharges through an approved air gap; recorded, not judged."""
    installed_as: InstalledAs | UnsetType = UNSET
    """Whether the assembly is new, existing or a replacement."""
    replaced_serial_number: ShortText | UnsetType = UNSET
    """The serial number of the assembly that was replaced."""
    remarks: Text | UnsetType = UNSET
    """The tester's remarks."""
    supersedes: UUID | UnsetType = UNSET
    """The report that this one corrects."""
    supersedes_because: Text | UnsetType = UNSET
    """Why that report is corrected."""
    accepted_on_paper: bool = False
    """Whether the utility accepted the report on paper; the test was performed before the day on which its record began here.

    Only a key with the right `register` may say so."""


class ReportFacts(KeptFacts, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A field test as reported: a test as judged, with ids in place of the assembly, the tester and the gauge.

    `gauge_height_above_assembly` in `units.length`. `rulebook`, where given, must be the utility's own. `supersedes` names the
    report that this one corrects, and `supersedes_because` says why: send both or neither.
    """

    needs: ClassVar[Needs] = {
        "supersedes": ("supersedes_because", "supersedes_because_missing"),
        "supersedes_because": ("supersedes", "supersedes_missing"),
    }
    supersedes_because: Annotated[str, Meta(min_length=1, max_length=4000, pattern=WRITTEN)] | UnsetType = UNSET
    """Why that report is corrected; required with `supersedes`."""

    def __post_init__(self) -> None:
        """Ask for what a correction needs."""
        if (self.supersedes is UNSET) is not (self.supersedes_because is UNSET):
            raise ValueError("A correction names the report that it corrects, and says why.")


class Submission(Struct, kw_only=True):
    """A report on its way in."""

    id: UUID
    facts: Any
    """What the report says: `ReportFacts` of a test, `InspectionFacts` of an inspection."""
    principal: Principal
    received_at: dt.datetime
    idempotency_key: str | None = None


class Report(KeptFacts, frozen=True, kw_only=True, forbid_unknown_fields=False, omit_defaults=True):
    """A report as kept; `log_index` is its place in the utility's record, counted from 0.

    `decision` is what a person last decided of it.
    """

    id: UUID
    utility: str
    received_at: dt.datetime
    """When the service received it."""
    log_index: int | UnsetType = UNSET
    """Its place in the utility's log, counted from 0."""
    superseded_by: UUID | UnsetType = UNSET
    """The report that corrects this one."""
    decision: ReviewDecision | UnsetType = UNSET
    """What a person decided of it: a held report was accepted or refused, or any report was voided."""


class RecordedReport(Struct, frozen=True, kw_only=True):
    """The answer to a report: the report, its verdict, and the assembly's standing, where the caller (still) sees the assembly."""

    report: Report
    """The report as recorded."""
    verdict: rules.Verdict
    """The verdict."""
    standing: rules.Standing | UnsetType = UNSET
    """The assembly's standing with this report."""


class TriedReport(Struct, frozen=True, kw_only=True):
    """The answer to a report that was only tried (`dry_run=true`): what it would have been answered; nothing is recorded."""

    verdict: rules.Verdict
    """The verdict that the report would have now."""
    standing: rules.Standing | UnsetType = UNSET
    """The standing that the assembly would have with it."""


class TriedRaw(Struct, frozen=True, kw_only=True):
    """The same, with the verdict as bytes."""

    verdict: Raw
    standing: rules.Standing | UnsetType = UNSET


class RecordedRaw(Struct, frozen=True, kw_only=True):
    """The same answer, with the verdict as the bytes that are kept."""

    report: Report
    verdict: Raw
    standing: rules.Standing | UnsetType = UNSET
