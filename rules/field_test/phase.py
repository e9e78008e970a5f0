"""One phase of a test, initial or final: its readings put to their parts, its shutoffs weighed, what each line shows.

The order of readings does not matter: findings stand in the order of lines and parts. A reading that does not belong, or stands twice,
is flagged and counts for nothing.
"""

from functools import lru_cache
from typing import Final

from msgspec import UNSET, Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import Finding, Flag, Outcome, PhaseName, PhaseVerdict
from rules.field_test.criteria import Gauged, PartShows, State, buffer_shows, buffer_unread, shows, unread
from rules.field_test.document import (
    AirInletReading,
    Check1Reading,
    Check2Reading,
    CheckReading,
    Phase,
    Reading,
    ReliefValveReading,
    Shutoffs,
    Test,
)
from rules.field_test.flags import flag
from rules.field_test.plan import PART_NAMES, Plan, Spoil
from rules.field_test.protection import line_protection, worst
from rules.field_test.uncertainty import head_per_length, standard_uncertainty

COMPONENT_OF: Final[dict[type[Reading], Component]] = {
    Check1Reading: "check_1",
    Check2Reading: "check_2",
    CheckReading: "check",
    ReliefValveReading: "relief_valve",
    AirInletReading: "air_inlet",
}


class PhaseShows(Struct, frozen=True, kw_only=True):
    """What one phase shows; `states` holds each line's parts in flow order."""

    verdict: PhaseVerdict
    findings: list[Finding]
    flags: list[Flag]
    states: dict[Line, tuple[State, ...]]


class Leaks(Struct, frozen=True, kw_only=True):
    """What the shutoffs of a phase do to its readings."""

    flags: tuple[Flag, ...]
    unreadable: dict[Component, str]
    below_minimum: tuple[Spoil, ...]


def gauged(test: Test, plan: Plan) -> Gauged:
    """What surrounds the numbers; a head is added only where a single hose reads against the atmosphere."""
    line_pressure = None if test.line_pressure is UNSET else test.line_pressure
    gauge = test.gauge
    uncertainty = head = 0.0
    if gauge is not UNSET:
        if gauge.accuracy is not UNSET:
            uncertainty = standard_uncertainty(gauge.accuracy, 0.0 if gauge.resolution is UNSET else gauge.resolution)
        if gauge.height_above_assembly and test.units.length is not UNSET and plan.kind.single_hose:
            # A gauge held above the assembly reads low by the head in its hose, and one held below reads high.
            head = gauge.height_above_assembly * head_per_length(test.units.length, plan.unit)
    return Gauged(uncertainty=uncertainty, head=head, line_pressure=line_pressure)


@lru_cache(maxsize=4096)
def _leaks(plan: Plan, name: PhaseName, shutoffs: Shutoffs) -> Leaks:
    flags: list[Flag] = []
    unreadable: dict[Component, str] = {}
    below: list[Spoil] = []
    for side, state in (("inlet", shutoffs.inlet), ("outlet", shutoffs.outlet)):
        pointer = f"/{name}_test/shutoffs/{side}"
        if state == "not_checked":
            message = f"Whether the {side} shutoff held is not told; a leaking one makes readings untrustworthy."
            flags.append(flag("shutoffs_not_checked", pointer, message))
        for spoil in plan.spoils:
            if state != "leaking" or spoil.shutoff != side:
                continue
            if spoil.only_below_minimum is not None:
                below.append(spoil)
            else:
                unreadable |= dict.fromkeys(spoil.components, spoil.because)
                flags.append(flag("shutoff_leak_unreadable", pointer, spoil.because))
    return Leaks(flags=tuple(flags), unreadable=unreadable, below_minimum=tuple(below))


def judge_phase(plan: Plan, name: PhaseName, phase: Phase, gauge: Gauged) -> PhaseShows:
    """Every finding and flag of one phase, in the order of lines, parts and criteria, and what they add up to."""
    leaks = _leaks(plan, name, phase.shutoffs)
    flags = list(leaks.flags)
    findings: list[Finding] = []
    placed, doubled = _placed(plan, name, phase, flags)
    states: dict[Line, tuple[State, ...]] = {}
    failed = unknown = False
    for line in plan.kind.lines:
        unreadable = leaks.unreadable
        of_line: list[State] = []
        drop: float | None = None
        opening: float | None = None
        opening_at = 0
        for part in plan.parts:
            component = part.component
            at = placed.get((line, component))
            if at is None or (line, component) in doubled:
                shown = unread(part, name, line, doubled=at is not None)
                if at is None:
                    flags.append(_missing(plan, name, line, component))
            else:
                shown = shows(part, name, phase.readings[at], gauge, unreadable.get(component))
                if shown.noted:
                    _note(flags, shown, f"/{name}_test/readings/{at}")
                if component == "check_1":
                    drop = shown.number
                elif component == "relief_valve":
                    opening, opening_at = shown.number, at
            findings += shown.findings
            of_line.append(shown.state)
            if leaks.below_minimum and shown.state == "failed":
                unreadable = _spoiled(leaks, component, name, unreadable, flags)
        if plan.buffer is not None:
            both: PartShows | None = None
            if drop is not None and opening is not None:
                both = buffer_shows(plan.buffer, plan.unit, name, line, drop, opening, gauge.uncertainty)
                if both.noted:
                    _note(flags, both, f"/{name}_test/readings/{opening_at}")
            elif not plan.buffer.criterion.advisory and "failed" not in of_line:
                both = buffer_unread(plan.buffer, name, line)
            if both is not None:
                findings += both.findings
                failed = failed or both.state == "failed"
                if both.state == "unknown":
                    # Of two readings that contradict each other neither can be believed, so no part that they tell of is known sound.
                    unknown = True
                    of_line = ["unknown" if state == "sound" else state for state in of_line]
        failed = failed or "failed" in of_line
        unknown = unknown or "unknown" in of_line
        states[line] = tuple(of_line)
    outcome: Outcome = "fail" if failed else "incomplete" if unknown else "pass"
    left = worst([line_protection(plan.kind.kind, one) for one in states.values()])
    return PhaseShows(verdict=PhaseVerdict(outcome=outcome, protection=left), findings=findings, flags=flags, states=states)


def _placed(
    plan: Plan, name: PhaseName, phase: Phase, flags: list[Flag]
) -> tuple[dict[tuple[Line, Component], int], set[tuple[Line, Component]]]:
    """Where the reading of each part stands, and which parts are told twice."""
    placed: dict[tuple[Line, Component], int] = {}
    doubled: set[tuple[Line, Component]] = set()
    for at, reading in enumerate(phase.readings):
        component = COMPONENT_OF[type(reading)]
        place = (reading.line, component)
        if component not in plan.kind.components or reading.line not in plan.kind.lines:
            where = f" on a {reading.line} line" if component in plan.kind.components else ""
            message = f"A {plan.kind.name} has no {PART_NAMES[component]}{where}."
            flags.append(flag("unexpected_component", f"/{name}_test/readings/{at}", message))
        elif place in placed:
            doubled.add(place)
            message = f"The {PART_NAMES[component]} is told twice in one phase; which reading counts cannot be told."
            flags.append(flag("contradictory_reading", f"/{name}_test/readings/{at}", message))
        else:
            placed[place] = at
    return placed, doubled


def _missing(plan: Plan, name: PhaseName, line: Line, component: Component) -> Flag:
    on = f" on the {line} line" if len(plan.kind.lines) > 1 else ""
    message = f"The {PART_NAMES[component]} was not read{on}; the test is not complete without it."
    return flag("missing_reading", f"/{name}_test/readings", message)


def _note(flags: list[Flag], shown: PartShows, pointer: str) -> None:
    flags.extend(flag(one.code, f"{pointer}{one.member}", one.message) for one in shown.noted)


def _spoiled(
    leaks: Leaks, component: Component, name: PhaseName, unreadable: dict[Component, str], flags: list[Flag]
) -> dict[Component, str]:
    """What else cannot be read now that this part has failed while a shutoff leaks."""
    for spoil in leaks.below_minimum:
        if spoil.only_below_minimum == component:
            unreadable = unreadable | dict.fromkeys(spoil.components, spoil.because)
            flags.append(flag("shutoff_leak_unreadable", f"/{name}_test/shutoffs/{spoil.shutoff}", spoil.because))
    return unreadable
