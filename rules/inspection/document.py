"""An inspection as it is reported, and its verdict: the shapes.

What was not seen or measured is left out (UNSET), and is never assumed.
"""

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Hazard, InspectedKind, Purpose
from rules.field_test.answer import Acceptance, Action, Flag, JudgedBy, Outcome, SuitabilityReason
from rules.field_test.document import CertifiedTester, Declared, Moment, Word
from rules.quantities import LengthUnit
from rules.rulebook import ActsAs, MechanicalProtection, Protection
from rules.selection.installation import Installation, PlacementFinding


class InspectionUnits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The units of an inspection."""

    length: LengthUnit
    """The unit of all lengths."""


class InspectedAssembly(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What was inspected. `purpose` and `backpressure_possible` decide with the hazard whether the kind is suitable."""

    kind: InspectedKind
    """The kind."""
    hazard: Hazard | Literal["unknown"] | UnsetType = UNSET
    """The degree of hazard it protects against; required unless `hazard_class` is stated."""
    hazard_class: Word | UnsetType = UNSET
    """The hazard in the rulebook's own word, one of its `hazard_words`, such as `class I` or `fluid category 4`."""
    purpose: Purpose | UnsetType = UNSET
    """What it isolates."""
    backpressure_possible: bool | UnsetType = UNSET
    """Whether the customer's side can push back."""


class Inspection(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An inspection, with all that judging it needs; `performed_at` has its offset, and its own date is the day of the inspection."""

    rulebook: Annotated[str, Meta(min_length=1, max_length=60)]
    """The rulebook to judge by, such as `us-wa`."""
    performed_at: Moment
    """When it was inspected, with its offset."""
    assembly: InspectedAssembly
    """What was inspected."""
    units: InspectionUnits
    """The units of all numbers."""
    installation: Installation
    """What was seen and measured; what is left out was not."""
    inspector: CertifiedTester | UnsetType = UNSET
    """The certificate of the tester or specialist who inspected."""
    declared: Declared | UnsetType = UNSET
    """The outcome that the report itself declares."""


class InspectionVerdict(Struct, frozen=True, kw_only=True):
    """Whether what was inspected is right, what it would do today, and whether the report is accepted.

    `acts_as` says which deadline a failed inspection has; null where it did not fail. `placement_digest` seals the rules that the findings
    rest on, as the rulebook's own digest seals the rest.
    """

    outcome: Outcome
    """Whether it met the rules."""
    protection: Protection
    """What it would do today, suitability included."""
    mechanical_protection: MechanicalProtection
    """What it would do, whatever the hazard; deadlines follow from it."""
    acts_as: ActsAs | None
    """The protection whose deadline applies."""
    suitable: bool | None
    """Whether the kind is approved for this hazard and use; null where that is not determined."""
    suitability: SuitabilityReason
    """Why it is suitable or not, and what serves."""
    acceptance: Acceptance
    """Whether the report is accepted as a record."""
    rulebook: JudgedBy
    """The rulebook that it was judged by."""
    placement_digest: str
    """The digest that seals the placement rules."""
    units: InspectionUnits
    """The units of all numbers."""
    findings: list[PlacementFinding]
    """Each rule against what was seen or measured."""
    flags: list[Flag]
    """What decides the acceptance, or deserves a look."""
    actions: list[Action]
    """What to do, the most urgent first."""
    summary: str
    """The verdict in a sentence that a customer could read."""
    caution: str
