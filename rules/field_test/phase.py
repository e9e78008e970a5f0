"""One phase of a test, initial or final: its readings put to their parts, its shutoffs weighed, what each line shows.

The order of readings does not matter: findings stand in the order of lines and parts. A reading that does not belong, or stands twice,
is flagged and counts for nothing.

What a reading shows depends on little besides itself, and gauges are read in tenths, so it is remembered. Line pressures vary as freely as
readings do: one that a reading exceeds is looked at afresh, outside what is remembered.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache, partial
from itertools import count
from math import inf
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from rules.catalogue import Component
from rules.field_test.answer import Finding, Flag, PhaseName
from rules.field_test.criteria import REMEMBERED, Gauged, Noted, PartShows, buffer_shows, buffer_unread, shows, unread
from rules.field_test.document import (
    AirInletReading,
    Check1Reading,
    Check2Reading,
    CheckReading,
    Phase,
    Reading,
    ReliefValveReading,
    Shutoffs,
)
from rules.field_test.flags import flag
from rules.field_test.plan import PART_NAMES, Plan, PlannedCriterion, Spoil, sentence
from rules.field_test.result import PartResult, PhaseResult, add_up

COMPONENT_OF: Final[dict[type[Reading], Component]] = {
    Check1Reading: "check_1",
    Check2Reading: "check_2",
    CheckReading: "check",
    ReliefValveReading: "relief_valve",
    AirInletReading: "air_inlet",
}


class Leaks(Struct, frozen=True, kw_only=True):
    """What the shutoffs of a phase do to its readings."""

    flags: tuple[Flag, ...]
    unreadable: dict[Component, str]
    below_minimum: tuple[Spoil, ...]


_worked_out: Final = count(1)


class Remembered(dict[Reading, PartShows | None]):
    """What readings show in one setting, each worked out when it is first met (None: it does not belong)."""

    __slots__ = ("_work_out",)

    def __init__(self, work_out: Callable[[Reading], PartShows | None]) -> None:
        super().__init__()
        self._work_out = work_out

    def __missing__(self, reading: Reading) -> PartShows | None:
        """Work it out. So that all settings together never hold too much, they are forgotten after so many."""
        if next(_worked_out) % REMEMBERED == 0:
            setting.cache_clear()
            # It keeps settings alive.
            _both.cache_clear()
        shown = self[reading] = self._work_out(reading)
        return shown


class Setting(Struct, frozen=True, kw_only=True, eq=False):
    """What all readings of a phase have in common; compared by identity. `unread` is what is left to say of each place."""

    plan: Plan
    name: PhaseName
    gauged: Gauged
    leaks: Leaks
    unread: tuple[PartShows, ...]
    shown: Remembered


@lru_cache(maxsize=1024)
def setting(plan: Plan, name: PhaseName, gauged: Gauged, shutoffs: Shutoffs) -> Setting:
    """The setting of a phase, shared by all tests made in the same."""
    left = tuple(unread(place, name, doubled=False) for place in plan.places)
    leaks = _leaks(plan, name, shutoffs)
    shown = Remembered(partial(_shows, plan, name, gauged, leaks))
    return Setting(plan=plan, name=name, gauged=gauged, leaks=leaks, unread=left, shown=shown)


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
                message = "The inlet shutoff leaks, which can make a check that leaks look sound; a person should look at these readings."
                flags.append(flag("inlet_shutoff_leaking", pointer, message))
            else:
                unreadable |= dict.fromkeys(spoil.components, spoil.because)
                flags.append(flag("shutoff_leak_unreadable", pointer, spoil.because))
    return Leaks(flags=tuple(flags), unreadable=unreadable, below_minimum=tuple(below))


def judge_phase(
    around: Setting, phase: Phase, line_pressure: float, findings: list[Finding], flags: list[Flag]
) -> tuple[PhaseResult, list[PartShows]]:
    """Add every finding and flag of one phase, in the order of lines, parts and criteria, and tell what they come to.

    `line_pressure` is infinite where it is not told. Beside the result stands what each part of each line shows.
    """
    plan, name = around.plan, around.name
    flags += around.leaks.flags
    told, stands = _placed(around, phase.readings, line_pressure, flags)
    if around.leaks.below_minimum:
        _spoil(around, told, stands, phase.readings, line_pressure)
    results: list[PartResult] = []
    for of_line in [told] if len(plan.lines) == 1 else [told[line] for line in plan.lines]:
        for shown in of_line:
            if shown.noted:
                flags += _noted(name, shown, stands.get(shown.index))
            findings += shown.findings
            results.append(shown.result)
        if plan.buffer is not None:
            # An RP's parts stand in flow order: check 1, relief valve, check 2.
            both = _both(around, plan.buffer, of_line[0], of_line[1])
            if both is None or (not both.result.pair and "fail" in [shown.result.outcome for shown in of_line]):
                continue
            if both.noted:
                flags += _noted(name, both, stands.get(of_line[1].index))
            findings += both.findings
            results.append(both.result)
    return add_up(plan, tuple(results)), told


def _placed(
    around: Setting, readings: Sequence[Reading], line_pressure: float, flags: list[Flag]
) -> tuple[list[PartShows], dict[int, int | None]]:
    """What each place shows, and where the reading of each place that was read stands (None: it is told twice)."""
    told = [*around.unread]
    stands: dict[int, int | None] = {}
    remembered = around.shown
    for at, reading in enumerate(readings):
        shown = remembered[reading]
        if shown is None:
            flags.append(_unexpected(around, at, reading))
            continue
        index = shown.index
        if index in stands:
            told[index], stands[index] = unread(around.plan.places[index], around.name, doubled=True), None
            flags.append(_doubled(around, at, reading))
            continue
        if shown.observed is not None and shown.observed > line_pressure:
            because = around.leaks.unreadable.get(shown.result.component)
            shown = shows(around.plan.places[index], around.name, reading, around.gauged, because, line_pressure)
        told[index] = shown
        stands[index] = at
    return told, stands


def _shows(plan: Plan, name: PhaseName, gauged: Gauged, leaks: Leaks, reading: Reading) -> PartShows | None:
    component = COMPONENT_OF[type(reading)]
    place = plan.place_of.get((reading.line, component))
    if place is None:
        return None
    return shows(place, name, reading, gauged, leaks.unreadable.get(component), inf)


@lru_cache(maxsize=REMEMBERED)
def _both(around: Setting, buffer: PlannedCriterion, first: PartShows, second: PartShows) -> PartShows | None:
    """What check 1 and the relief valve of one line show together; None where nothing is asked of them."""
    drop, opening = first.number, second.number
    place = around.plan.place_of[first.result.line, buffer.criterion.component]
    if drop is not None and opening is not None:
        return buffer_shows(buffer, place, around.name, drop, opening, around.gauged.uncertainty)
    # One of the two is unknown already, and with it the test incomplete.
    return None if buffer.criterion.advisory else buffer_unread(buffer, place, around.name)


def _unexpected(around: Setting, at: int, reading: Reading) -> Flag:
    kind, component = around.plan.kind, COMPONENT_OF[type(reading)]
    where = f" on a {reading.line} line" if component in kind.components else ""
    message = f"A {kind.name} has no {PART_NAMES[component].removeprefix('the ')}{where}."
    return flag("unexpected_component", f"/{around.name}_test/readings/{at}", message)


def _doubled(around: Setting, at: int, reading: Reading) -> Flag:
    message = (
        f"{sentence(PART_NAMES[COMPONENT_OF[type(reading)]])} is told twice in one phase; which reading counts cannot be told."
    )
    return flag("contradictory_reading", f"/{around.name}_test/readings/{at}", message)


@lru_cache(maxsize=REMEMBERED)
def _noted(name: PhaseName, shown: PartShows, at: int | None) -> tuple[Flag, ...]:
    below = {"reading": f"/{name}_test/readings/{at}", "phase": f"/{name}_test"}
    return tuple([flag(one.code, f"{below[one.on]}{one.member}", one.message) for one in shown.noted])


def _spoil(
    around: Setting, told: list[PartShows], stands: Mapping[int, int | None], readings: Sequence[Reading], line_pressure: float
) -> None:
    """What cannot be read because a part before it has failed while a shutoff leaks."""
    for line in around.plan.lines:
        spoilt: dict[Component, str] = {}
        for shown in told[line]:
            index, component = shown.index, shown.result.component
            because, at = spoilt.get(component), stands.get(index)
            now = shown
            if because is not None and at is not None:
                now = shows(around.plan.places[index], around.name, readings[at], around.gauged, because, line_pressure)
            spoils = [one for one in around.leaks.below_minimum if one.only_below_minimum == component]
            if spoils and now.result.outcome == "fail":
                spoilt |= {one: spoil.because for spoil in spoils for one in spoil.components}
                noted = [Noted("shutoff_leak_unreadable", f"/shutoffs/{one.shutoff}", one.because, "phase") for one in spoils]
                now = replace(now, noted=(*now.noted, *noted))
            told[index] = now
