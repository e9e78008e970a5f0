"""The verdict as it is told: findings, flags, diagnosis, actions. Every finding carries its source and how that is known."""

import datetime as dt
from typing import Literal

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component, Line
from rules.field_test.document import TestUnits
from rules.rulebook import ActsAs, MechanicalProtection, Protection
from rules.sources import Source

Outcome = Literal["pass", "fail", "incomplete"]
FindingOutcome = Literal["met", "not_met", "not_determined"]
Severity = Literal["refuse", "hold", "note"]
Acceptance = Literal["accepted", "held", "refused"]
PhaseName = Literal["initial", "final"]


class Finding(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One criterion against one reading, in the report's unit.

    `margin` is what is left over the minimum; `conformance_probability` the chance that the true value reaches it (JCGM 106:2012, 7.3.3),
    where the gauge's accuracy is stated.
    """

    rule: str
    phase: PhaseName
    line: Line
    component: Component
    outcome: FindingOutcome
    message: str
    source: Source
    observed: float | bool | UnsetType = UNSET
    at_least: float | UnsetType = UNSET
    margin: float | UnsetType = UNSET
    conformance_probability: float | UnsetType = UNSET


class Flag(Struct, frozen=True, kw_only=True):
    """Something about the report that decides whether it may stand, or deserves a look; `pointer` leads to it (RFC 6901)."""

    code: str
    severity: Severity
    pointer: str
    message: str


class Diagnosis(Struct, frozen=True, kw_only=True):
    """What probably failed and what usually mends it."""

    component: Component
    line: Line
    likely: str
    because: str
    repair: str
    source: Source


class Action(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What to do, within how many days of the test (0: at once), and why."""

    code: str
    because: str
    within_days: int | UnsetType = UNSET
    source: Source | UnsetType = UNSET


class PhaseVerdict(Struct, frozen=True, kw_only=True):
    """What one phase shows, by itself.

    `mechanical_protection` is what the parts would do today; `protection` is the same, or `insufficient` where that is worse. A phase that
    failed has the deadline of what it `acts_as`; null where it did not fail.
    """

    outcome: Outcome
    protection: Protection
    mechanical_protection: MechanicalProtection
    acts_as: ActsAs | None


class SuitabilityReason(Struct, frozen=True, kw_only=True):
    """Why the kind is or is not approved for this hazard and use, and by which row of the rulebook's tables (null: no row decides).

    `missing` names the facts that would decide where suitability is not determined; `serves` the kinds that are suitable where this one is
    not known to be, in the rulebook's order.
    """

    because: str
    source: Source | None
    missing: tuple[str, ...]
    serves: tuple[str, ...]


class ProtectionReason(Struct, frozen=True, kw_only=True):
    """Why the protection is what it is, and where that is from."""

    because: str
    source: Source


class JudgedBy(Struct, frozen=True, kw_only=True):
    """The rulebook, since when it has been so, and the digest that seals it."""

    id: str
    in_force_from: dt.date
    digest: str


class Verdict(Struct, frozen=True, kw_only=True):
    """Whether the assembly is good, and whether the report is accepted.

    `suitable` says whether the kind is approved for this hazard and use; null: not determined. `protection_reasons` are for the last phase.
    """

    outcome: Outcome
    initial: PhaseVerdict
    final: PhaseVerdict | None
    suitable: bool | None
    suitability: SuitabilityReason
    protection_reasons: list[ProtectionReason]
    acceptance: Acceptance
    rulebook: JudgedBy
    units: TestUnits
    findings: list[Finding]
    flags: list[Flag]
    diagnosis: list[Diagnosis]
    actions: list[Action]
    summary: str
    caution: str
