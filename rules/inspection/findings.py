"""What an inspection saw and measured against the placement rules, and what that shows of its protection."""

import datetime as dt
from typing import Final, get_args

from msgspec import Struct

from rules.field_test.answer import Outcome
from rules.inspection.document import Inspection
from rules.quantities import Units
from rules.rulebook import ActsAs, MechanicalProtection
from rules.selection.air_gap import AirGapRule
from rules.selection.installation import SEEN_AT_INSPECTION, PlacementFinding, PlacementRequest, PlacementRule, placement_rules
from rules.selection.placement import hold_to_rules
from rules.selection.tables import digest, in_force, index

_WORST: Final[tuple[MechanicalProtection, ...]] = get_args(MechanicalProtection)
Rule = PlacementRule | AirGapRule


class Found(Struct, frozen=True, kw_only=True):
    """Each rule that applies with its finding, and what they come to; `decisive` are those that decide the outcome."""

    judged: tuple[tuple[Rule, PlacementFinding], ...]
    digest: str

    @property
    def decisive(self) -> tuple[tuple[Rule, PlacementFinding], ...]:
        """The rules that are not advice, less those not determined that say nothing of today's protection."""
        return tuple(
            (rule, finding)
            for rule, finding in self.judged
            if not finding.advisory and not (finding.outcome == "not_determined" and rule.leaves == "full")
        )

    @property
    def outcome(self) -> Outcome:
        """Fail where a rule is not met, pass where all are met; incomplete where one is not determined, or there is none."""
        outcomes = {finding.outcome for _, finding in self.decisive}
        return "fail" if "not_met" in outcomes else "pass" if outcomes == {"met"} else "incomplete"

    @property
    def protection(self) -> MechanicalProtection:
        """What it would do today: the worst that any finding leaves; unknown where nothing was judged."""
        return max((_left(rule, finding) for rule, finding in self.decisive), default="unknown", key=_WORST.index)

    @property
    def acts_as(self) -> ActsAs | None:
        """Which deadline a failure has; what is unknown after a failure acts as lost."""
        if self.outcome != "fail":
            return None
        return "lost" if self.protection == "unknown" else self.protection


def find(inspection: Inspection, on: dt.date) -> Found:
    """Hold an inspection to the rulebook's placement rules of that day; nothing found where it has none for the kind."""
    if inspection.rulebook not in index():
        return Found(judged=(), digest=digest(()))
    tables = in_force(inspection.rulebook, on)
    rules = placement_rules((*tables.placement, SEEN_AT_INSPECTION), on)
    kind = inspection.assembly.kind
    if kind not in {rank.kind for rank in tables.ranks}:
        return Found(judged=(), digest=digest(rules))
    request = PlacementRequest(
        rulebook=inspection.rulebook, kind=kind, installation=inspection.installation, units=Units(length=inspection.units.length)
    )
    return Found(judged=tuple(hold_to_rules(request, tables, rules)), digest=digest(rules))


def _left(rule: Rule, finding: PlacementFinding) -> MechanicalProtection:
    if finding.outcome == "not_met":
        # Where there is no distance at all, the outlet is in the water: there is no gap.
        return "lost" if isinstance(rule, AirGapRule) and finding.observed == 0 else rule.leaves
    return "unknown" if finding.outcome == "not_determined" and rule.leaves in ("unknown", "lost") else "full"
