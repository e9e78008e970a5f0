"""What the store of reports reads and writes: one row, one struct."""

import datetime as dt
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules

Outcome = Literal["pass", "fail", "incomplete"]
Protection = Literal["full", "degraded", "insufficient", "unknown", "lost"]
Purpose = Literal["premises_isolation", "point_of_use"]
AssemblyHazard = Literal["severe", "health", "non_health", "unknown"]
MechanicalProtection = Literal["full", "degraded", "unknown", "lost"]
ActsAs = Literal["full", "degraded", "last_barrier_weak", "last_check", "lost"]
Acceptance = Literal["accepted", "held", "refused"]
CountsAs = Literal["accepted", "held", "refused", "void"]


class StandingFacts(Struct, frozen=True, kw_only=True):
    """What the standing of an assembly rests on besides its reports; `occurrences`, `season` and `incidents` are JSON."""

    kind: str
    hazard: AssemblyHazard
    purpose: Purpose | None = None
    backpressure_possible: bool | None = None
    in_plant_air_gap: bool | None = None
    hazard_class: str | None = None
    installed_on: dt.date | None
    in_service: bool
    connection: str
    created_at: dt.datetime
    occurrences: str = "[]"
    season: str | None = None
    test_interval_months: int | None = None
    incidents: str | None = None


class AssemblyRow(StandingFacts, frozen=True, kw_only=True):
    """An assembly with its kept standing."""

    basis: str | None
    rests_on: str | None = None


class FactsRow(StandingFacts, frozen=True, kw_only=True):
    """What the registry knows of the assembly, tester and gauge that one report names.

    Where there is no such assembly (`assembly_known` is false), nothing else of it is known, and all of that is None.
    """

    n: int
    assembly_known: bool = True
    nominal_size: str | None
    certificates: str | None
    tester_known: bool
    tester_organisation_id: UUID | None = None
    accuracy: float | None
    resolution: float | None
    gauge_unit: str | None
    calibrations: str | None
    previous_judged: str | None
    """The test before it as it was judged; None where there is none, or where `rests_on` has it."""
    rests_on: str | None = None
    """What the next report of the assembly rests on, as it was kept with the standing (see service/record/reports/rests.py).

    None: to be had
    from `counted` and `latest`."""
    counted: str | None = None
    latest: str | None = None


class TakenRow(Struct, frozen=True, kw_only=True):
    """A recorded report as far as it takes to find whether another is the same, or may correct it."""

    id: UUID
    assembly_id: UUID
    content_hash: bytes
    company_id: UUID | None = None


class HistoryRow(TakenRow, frozen=True, kw_only=True):
    """A report as far as standing and idempotency need it; `acceptance` is what a person decided, where one did.

    `protection` is the mechanical value by the last phase.
    """

    performed_at: dt.datetime
    performed_on: dt.date
    received_at: dt.datetime
    reason: str
    supersedes: UUID | None
    outcome: Outcome
    protection: MechanicalProtection
    acceptance: CountsAs
    initial_outcome: Outcome | None
    failed_protection: MechanicalProtection | None
    acts_as: ActsAs | None
    declared: bool = False
    notified_on: dt.date | None = None
    """The day on which the customer was sent the notice of its failure."""


class _Phase(Struct):
    outcome: Outcome


class _Initial(Struct):
    initial: _Phase


_initial = msgspec.json.Decoder(_Initial).decode


class ReportRow(Struct, frozen=True, kw_only=True):
    """A report as kept, in the order of the columns that `record` takes."""

    id: UUID
    assembly_id: UUID
    tester_id: UUID | None
    """None only for an inspection that names no registered tester."""
    gauge_id: UUID | None
    """None for an inspection, which needs no gauge."""
    performed_at: dt.datetime
    performed_on: dt.date
    received_at: dt.datetime
    reason: str
    supersedes: UUID | None
    organisation_id: UUID
    key_id: UUID
    content_hash: bytes
    content: str
    judged: str
    verdict: str
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    rulebook: str
    rulebook_digest: str
    previous: str | None
    leaf_hash: bytes | None = None
    """Its hash in the utility's log; None only in rows from before there was a log."""
    company_id: UUID | None = None
    """Whose report it is: the tester's organisation on the day it came, else the testing company that sent it, else the company of the
    report that it corrects."""
    mechanical_protection: MechanicalProtection | None = None
    """What the parts would do by the last phase; None only in rows from before it was kept, as for the next two."""
    failed_protection: MechanicalProtection | None = None
    """The same by the phase that failed last; None where none did."""
    acts_as: ActsAs | None = None
    """Which deadline that failure has."""

    @property
    def declared(self) -> bool:
        """Whether its outcome is the one declared on paper, which Postgres keeps as a column made the same way."""
        return '"basis":"declared"' in self.verdict

    @property
    def initial_outcome(self) -> Outcome | None:
        """How the first test came out, which Postgres keeps as a column made from the verdict."""
        return _initial(self.verdict).initial.outcome


class RequestRow(Struct, frozen=True, kw_only=True):
    """Which report an organisation's idempotency key made."""

    organisation_id: UUID
    idempotency_key: str
    report_id: UUID


class StandingRow(Struct, frozen=True, kw_only=True):
    """An assembly's standing as kept: `basis` is the rules' Standing as JSON."""

    assembly_id: UUID
    due_on: dt.date | None
    basis: str
    rests_on: str | None = None
    """What the next report rests on; None: it will be had from the reports."""
    latest_at: dt.datetime | None = None
    """When the latest test in `rests_on` was performed."""


class StoredReport(Struct, frozen=True, kw_only=True):
    """A report as read back."""

    id: UUID
    assembly_id: UUID
    received_at: dt.datetime
    content: str
    verdict: str
    log_index: int
    organisation_id: UUID
    superseded_by: UUID | None
    decision: str | None
    basis: str | None


class ReportListItem(Struct, frozen=True, kw_only=True):
    """A report as a line of a list; `log_index` is its place in the utility's record, `decision` what a person decided of it."""

    id: UUID
    log_index: int
    """The report's place in the utility's log."""
    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    """When the test was performed."""
    received_at: dt.datetime
    """When the report was received."""
    reason: str
    """Why the test was made."""
    supersedes: UUID | None
    """The report that it corrects; null: none."""
    superseded_by: UUID | None
    """The report that corrects it; null: none."""
    outcome: Outcome
    """The report's outcome."""
    basis: Literal["judged", "declared"]
    """Whether the readings were judged, or the outcome is the one declared on paper."""
    protection: Protection
    """What the assembly would do by this report."""
    acceptance: Acceptance
    """Whether the report was accepted, held or refused when it was judged."""
    decision: Literal["accepted", "refused", "void"] | None
    """What a person decided; null: nobody has."""
    rulebook: str
    """The rulebook that it was judged by."""
    units: rules.TestUnits | UnsetType = UNSET
    """The units of the readings; with `readings`, as all that follows."""
    line_pressure: float | UnsetType = UNSET
    """The line pressure, in `units.pressure`."""
    initial_test: rules.Phase | UnsetType = UNSET
    """The initial test."""
    final_test: rules.Phase | UnsetType = UNSET
    """The final test, after the repair."""


class InspectionListItem(Struct, frozen=True, kw_only=True):
    """An inspection as a line of a list."""

    id: UUID
    log_index: int
    """Its place in the utility's log."""
    assembly_id: UUID
    tester_id: UUID | None
    """The registered tester who inspected; null: none was named."""
    performed_at: dt.datetime
    """When it was inspected."""
    received_at: dt.datetime
    """When the report was received."""
    reason: str
    """Why it was inspected."""
    supersedes: UUID | None
    """The inspection that it corrects; null: none."""
    superseded_by: UUID | None
    """The inspection that corrects it; null: none."""
    outcome: Outcome
    """Whether it met the rules."""
    protection: Protection
    """What it would do by this inspection."""
    acceptance: Acceptance
    """Whether the report was accepted, held or refused when it was judged."""
    rulebook: str
    """The rulebook that it was judged by."""


class JudgedRow(Struct, frozen=True, kw_only=True):
    """A stored report as it was judged."""

    id: UUID
    judged: str
    previous: str | None
    received_at: dt.datetime
    verdict: str
    inspection: bool = False
    """Whether it is an inspection rather than a test."""
