"""A phase judged by a rulebook whose authority's criteria were not read: nothing passes and nothing fails.

Every finding is *not determined*. What was seen to leak, or not to open, still shows what the assembly would do today: that follows from
the hydraulics, not from a criterion.
"""

from typing import Final

from rules.catalogue import Component
from rules.field_test.answer import Finding
from rules.field_test.conditions import Conditions
from rules.field_test.document import (
    AirInletReading,
    Check1Reading,
    Check2Reading,
    CheckReading,
    Phase,
    Reading,
    ReliefValveReading,
)
from rules.field_test.protection import State
from rules.field_test.result import PartResult, PhaseResult, add_up, part_result
from rules.rulebook import NotRead

COMPONENT_OF: Final[dict[type[Reading], Component]] = {
    Check1Reading: "check_1",
    Check2Reading: "check_2",
    CheckReading: "check",
    ReliefValveReading: "relief_valve",
    AirInletReading: "air_inlet",
}


def phase_without_criteria(conditions: Conditions, left_open: NotRead, phase: Phase, findings: list[Finding]) -> PhaseResult:
    """Add a finding that is not determined for each part, and return what the phase comes to: incomplete."""
    results: list[PartResult] = []
    for place in conditions.plan.places:
        part = place.part
        rule = part.read.criterion.rule
        findings.append(
            Finding(
                rule=rule,
                phase=conditions.name,
                line=place.line,
                component=part.component,
                outcome="not_determined",
                code="no_criteria",
                message=left_open.says,
                source=part.read.source,
            )
        )
        readings = [row for row in phase.readings if (row.line, COMPONENT_OF[type(row)]) == (place.line, part.component)]
        state: State = "unknown"
        if not conditions.test_kit_fault and any(_seen_to_fail(row, conditions, part.component) for row in readings):
            state = "failed"
        results.append(part_result(place.line, part.component, ((rule, "not_determined"),), state))
    return add_up(conditions.plan, tuple(results))


def _seen_to_fail(reading: Reading, conditions: Conditions, component: Component) -> bool:
    """Whether a part was seen to leak, or not to open, and no leaking shutoff can have caused that."""
    cancelled = conditions.cancelled[component]
    if isinstance(reading, ReliefValveReading | AirInletReading):
        return reading.opened is False and "not_opened" not in cancelled
    return reading.closed_tight is False and "leaks" not in cancelled
