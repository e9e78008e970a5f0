"""One phase of a test, initial or final: its readings put to their parts, its shutoffs weighed, what each line shows.

The order of readings does not matter: findings stand in the order of lines and parts. A reading that does not belong, or stands twice,
is flagged and counts for nothing.
"""

from collections.abc import Sequence
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
from rules.field_test.plan import PART_NAMES, Plan, Spoil, sentence
from rules.field_test.protection import line_protection, worse
from rules.field_test.uncertainty import head_per_length, standard_uncertainty
from rules.rulebook import Protection

COMPONENT_OF: Final[dict[type[Reading], Component]] = {
    Check1Reading: "check_1",
    Check2Reading: "check_2",
    CheckReading: "check",
    ReliefValveReading: "relief_valve",
    AirInletReading: "air_inlet",
}

_MISSING: Final = -1
_DOUBLED: Final = -2


class PhaseShows(Struct, frozen=True, kw_only=True):
    """What one phase shows; `states` holds each line's parts in flow order, `observed` every number as read, line by line."""

    verdict: PhaseVerdict
    findings: list[Finding]
    flags: list[Flag]
    states: dict[Line, tuple[State, ...]]
    observed: list[float | None]


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
    readings = phase.readings
    places = _placed(plan, name, readings, flags)
    states: dict[Line, tuple[State, ...]] = {}
    observed: list[float | None] = []
    outcome: Outcome = "pass"
    left: Protection = "full"
    for line in plan.kind.lines:
        unreadable = leaks.unreadable
        told: list[PartShows] = []
        for part in plan.parts:
            at = places.get((line, part.component), _MISSING)
            if at >= 0:
                shown = shows(part, name, readings[at], gauge, unreadable.get(part.component) if unreadable else None)
                if shown.noted:
                    _note(flags, shown, f"/{name}_test/readings/{at}")
            else:
                shown = unread(part, name, line, doubled=at == _DOUBLED)
                if at == _MISSING:
                    flags.append(_missing(plan, name, line, part.component))
            findings += shown.findings
            told.append(shown)
            if leaks.below_minimum and shown.state == "failed":
                unreadable = _spoiled(leaks, part.component, name, unreadable, flags)
        of_line = tuple([shown.state for shown in told])
        observed += [shown.observed for shown in told]
        if plan.buffer is not None:
            # An RP's parts stand in flow order: check 1, relief valve, check 2.
            drop, opening = told[0].number, told[1].number
            if drop is not None and opening is not None:
                both = buffer_shows(plan.buffer, plan.unit, name, line, drop, opening, gauge.uncertainty)
                if both.noted:
                    _note(flags, both, f"/{name}_test/readings/{places[line, 'relief_valve']}")
                findings += both.findings
                if both.state == "unknown":
                    # Of two readings that contradict each other neither can be believed.
                    of_line = (*("unknown" if state == "sound" else state for state in of_line[:2]), of_line[2])
                    outcome = "incomplete" if outcome == "pass" else outcome
                elif both.state == "failed":
                    outcome = "fail"
            elif not plan.buffer.criterion.advisory and "failed" not in of_line:
                # One of the two is unknown already, and with it the test incomplete.
                findings += buffer_unread(plan.buffer, name, line).findings
        if "failed" in of_line:
            outcome = "fail"
        elif outcome == "pass" and "unknown" in of_line:
            outcome = "incomplete"
        states[line] = of_line
        left = worse(left, line_protection(plan.kind.kind, of_line))
    verdict = PhaseVerdict(outcome=outcome, protection=left)
    return PhaseShows(verdict=verdict, findings=findings, flags=flags, states=states, observed=observed)


def _placed(plan: Plan, name: PhaseName, readings: Sequence[Reading], flags: list[Flag]) -> dict[tuple[Line, Component], int]:
    """Where the reading of each part stands, or that it is told twice."""
    places: dict[tuple[Line, Component], int] = {}
    for at, reading in enumerate(readings):
        place = (reading.line, COMPONENT_OF[type(reading)])
        if place not in plan.places:
            component = place[1]
            where = f" on a {reading.line} line" if component in plan.kind.components else ""
            message = f"A {plan.kind.name} has no {PART_NAMES[component].removeprefix('the ')}{where}."
            flags.append(flag("unexpected_component", f"/{name}_test/readings/{at}", message))
        elif place in places:
            places[place] = _DOUBLED
            message = f"{sentence(PART_NAMES[place[1]])} is told twice in one phase; which reading counts cannot be told."
            flags.append(flag("contradictory_reading", f"/{name}_test/readings/{at}", message))
        else:
            places[place] = at
    return places


def _missing(plan: Plan, name: PhaseName, line: Line, component: Component) -> Flag:
    on = f" on the {line} line" if len(plan.kind.lines) > 1 else ""
    message = f"{sentence(PART_NAMES[component])} was not read{on}; the test is not complete without it."
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
