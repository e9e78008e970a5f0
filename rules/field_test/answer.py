"""The verdict as it is given: findings, flags, diagnosis, actions. Every finding names its source and how that is known."""

import datetime as dt
from typing import Literal

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component, Line
from rules.field_test.document import TestUnits
from rules.rulebook import ActsAs, CountsFrom, MechanicalProtection, Protection
from rules.sources import Source

Outcome = Literal["pass", "fail", "incomplete"]
FindingOutcome = Literal["met", "not_met", "not_determined"]
Severity = Literal["refuse", "hold", "note"]
Acceptance = Literal["accepted", "held", "refused"]
PhaseName = Literal["initial", "final"]
Basis = Literal["judged", "declared"]


class Finding(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One criterion against one reading, in the report's unit.

    `margin` is what is left over the minimum; `conformance_probability` the chance that the true value reaches it (JCGM 106:2012, 7.3.3),
    where the gauge's accuracy is stated.
    """

    rule: str
    """The criterion: kind, component and quantity."""
    phase: PhaseName
    """The phase of the test."""
    line: Line
    """The line."""
    component: Component
    """The part."""
    outcome: FindingOutcome
    """Whether the criterion is met."""
    code: str
    """Which message it is. With `parameters` and the other members, a client can write the message in another language."""
    message: str
    """What was found and what is required."""
    source: Source
    """The publication that states the criterion."""
    observed: float | bool | UnsetType = UNSET
    """The reading, or whether what is required was seen."""
    at_least: float | UnsetType = UNSET
    """The minimum."""
    margin: float | UnsetType = UNSET
    """The reading less the minimum; negative: below it."""
    conformance_probability: float | UnsetType = UNSET
    """The chance that the true value reaches the minimum (JCGM 106:2012, 7.3.3), where the gauge's accuracy is stated."""
    parameters: dict[str, str | float] | UnsetType = UNSET
    """What the message names that is in no other member, such as the leaking shutoff."""


class Flag(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Something in the report that decides whether it is accepted, or needs a look; `pointer` leads to it (RFC 6901)."""

    code: str
    """What is flagged."""
    severity: Severity
    """What the flag does to the report."""
    pointer: str
    """Where it is in the report: a JSON pointer (RFC 6901)."""
    message: str
    """What was found, what is required, and what to do."""
    parameters: dict[str, str | int | float] | UnsetType = UNSET
    """What the message names, by name; `case` picks among several messages of one code.

    With `code`, a client can write the message in another language.
    """


class Diagnosis(Struct, frozen=True, kw_only=True):
    """What probably failed, and the usual repair."""

    component: Component
    """The part."""
    line: Line
    """The line it is on."""
    code: str
    """What probably failed, as a code from `GET /v1/codes`."""
    likely: str
    """What probably failed."""
    because: str
    """What that rests on."""
    repair: str
    """The usual repair."""
    source: Source
    """Where this is from."""


class Action(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What to do, within how many days of the test (0: at once), and why."""

    code: str
    """What to do."""
    because: str
    """What to do, and why."""
    within_days: int | UnsetType = UNSET
    """Within how many days; 0: at once."""
    counts_from: CountsFrom | UnsetType = UNSET
    """From when the days count: the test, or the notice of its failure."""
    business_days: bool = False
    """Whether the days are business days, Monday to Friday but for public holidays."""
    source: Source | UnsetType = UNSET
    """Where the deadline is from."""
    parameters: dict[str, str] | UnsetType = UNSET
    """What the sentence names: `case` picks among several sentences of one code.

    `rule` is the key of the rulebook's deadline or limit that the sentence quotes.
    """


class PhaseVerdict(Struct, frozen=True, kw_only=True):
    """The result of one phase by itself.

    `mechanical_protection` is what the parts would do today; `protection` is the same, or `insufficient` where that is worse. A phase that
    failed has the deadline of what it `acts_as`; null where it did not fail.
    """

    outcome: Outcome
    """Whether the criteria are met in this phase."""
    protection: Protection
    """What the assembly would do in this state, suitability included."""
    mechanical_protection: MechanicalProtection
    """What its parts would do, whatever the hazard; deadlines follow from it."""
    acts_as: ActsAs | None
    """The protection whose deadline applies."""


class SuitabilityReason(Struct, frozen=True, kw_only=True):
    """Why the kind is or is not approved for this hazard and use, and by which row of the rulebook's tables (null: no row decides).

    `missing` names the facts that would decide where suitability is not determined; `serves` the kinds that are suitable where this one is
    not known to be, in the rulebook's order.
    """

    because: str
    """The rule that decides, or what is missing."""
    source: Source | None
    """Where the rule is from."""
    missing: tuple[str, ...]
    """Facts that were not stated and decide."""
    serves: tuple[str, ...]
    """The kinds that serve here."""


class ProtectionReason(Struct, frozen=True, kw_only=True):
    """Why the protection is what it is, and where that is from."""

    code: str
    """Which reason it is."""
    because: str
    """What was considered."""
    source: Source
    """Where that is from."""


class JudgedBy(Struct, frozen=True, kw_only=True):
    """The rulebook, the day since which it has been in force in this form, and the digest that seals it."""

    id: str
    """The rulebook's id."""
    in_force_from: dt.date
    """The day since which it has been in force in this form."""
    digest: str
    """The digest that seals its content, a local rulebook's among it."""
    local_version: int | UnsetType = UNSET
    """The version of the utility's local rulebook, if it had one."""


class Verdict(Struct, frozen=True, kw_only=True):
    """Whether the assembly meets the criteria, and whether the report is accepted.

    `suitable` says whether the kind is approved for this hazard and use; null: not determined. `protection_reasons` are for the last phase.
    """

    outcome: Outcome
    """Whether the assembly met the criteria, in the last phase tested."""
    basis: Basis
    """Whether the readings were judged, or the outcome is the one declared on paper and was not judged here."""
    initial: PhaseVerdict
    """The result of the initial test."""
    final: PhaseVerdict | None
    """The result of the final test; null where there was none."""
    suitable: bool | None
    """Whether the kind is approved for this hazard and use; null where that is not determined."""
    suitability: SuitabilityReason
    """Why it is suitable or not, and what serves."""
    protection_reasons: tuple[ProtectionReason, ...]
    """What the protection rests on."""
    acceptance: Acceptance
    """Whether the report is accepted as a record."""
    rulebook: JudgedBy
    """The rulebook that the test was judged by."""
    units: TestUnits
    """The units of all numbers."""
    findings: list[Finding]
    """Each criterion against its reading."""
    flags: list[Flag]
    """What decides the acceptance, or needs a look."""
    diagnosis: tuple[Diagnosis, ...]
    """What probably failed and how it is usually repaired."""
    actions: tuple[Action, ...]
    """What to do, the most urgent first."""
    summary: str
    """The verdict in sentences that a customer can read."""
    caution: str
