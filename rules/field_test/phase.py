"""One phase of a test, initial or final: its readings put to their parts, its shutoffs weighed, what each line shows.

The order of readings does not matter: findings stand in the order of lines and parts. A reading that does not belong, or is there twice,
is flagged and counts for nothing.

What a reading shows depends on little besides itself, and gauges are read in tenths, so it is remembered. Line pressures vary as freely as
readings do: one that a reading exceeds is looked at again, outside what is remembered.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from msgspec.structs import replace

from rules.field_test.answer import Finding, Flag
from rules.field_test.conditions import Conditions
from rules.field_test.criteria import Noted, PartShows, judge_buffer, judge_buffer_unread, judge_reading, judge_unread
from rules.field_test.document import Phase, Reading
from rules.field_test.flags import flag
from rules.field_test.plan import PART_NAMES, PlannedCriterion, sentence
from rules.field_test.result import PhaseResult, add_up, part_result
from rules.field_test.shutoffs import cancelled_by
from rules.field_test.without_criteria import COMPONENT_OF, phase_without_criteria

# Enough for every pair of tenths that is read often, and a few megabytes at most.
REMEMBERED: Final = 1 << 12


def judge_phase(
    conditions: Conditions, phase: Phase, line_pressure: float, findings: list[Finding], flags: list[Flag]
) -> PhaseResult:
    """Add every finding and flag of one phase, in the order of lines, parts and criteria, and return what they come to.

    `line_pressure` is infinite where it is not stated.
    """
    plan = conditions.plan
    flags += conditions.flags
    if plan.no_criteria is not None:
        return phase_without_criteria(conditions, plan.no_criteria, phase, findings)
    shown, read_at = _placed(conditions, phase.readings, line_pressure, flags)
    if conditions.below_minimum:
        _cancel_below_minimum(conditions, shown, read_at, phase.readings, line_pressure)
    results = []
    for line in plan.lines:
        parts = shown[line]
        if conditions.backpressure_present:
            parts = _unattributed(parts)
        for part in parts:
            if part.noted:
                _add_flags(conditions, part.noted, read_at[part.index], flags)
            findings += part.findings
            results.append(part.result)
        if plan.buffer is not None and parts[-1].result.component != "check":
            # An RP's parts stand in flow order: check 1, relief valve, check 2.
            both = _buffer(conditions, plan.buffer, parts[0], parts[1])
            if both is None or (not both.result.pair and any(part.result.outcome == "fail" for part in parts)):
                continue
            if both.noted:
                _add_flags(conditions, both.noted, read_at[parts[1].index], flags)
            findings += both.findings
            results.append(both.result)
    return add_up(plan, tuple(results))


def _placed(
    conditions: Conditions, readings: Sequence[Reading], line_pressure: float, flags: list[Flag]
) -> tuple[list[PartShows], list[int | None]]:
    """What each place shows, and which reading is that of each place (None: it was not read, or is there twice)."""
    places = conditions.plan.places
    shown: list[PartShows | None] = [None] * len(places)
    read_at: list[int | None] = [None] * len(places)
    for at, reading in enumerate(readings):
        part = _shown(conditions, reading)
        if part is None:
            flags.append(_unexpected(conditions, at, reading))
            continue
        index = part.index
        if shown[index] is not None:
            shown[index], read_at[index] = judge_unread(conditions, places[index], doubled=True), None
            flags.append(_doubled(conditions, at, reading))
            continue
        if part.observed is not None and part.observed > line_pressure:
            part = judge_reading(conditions, places[index], reading, line_pressure)
        shown[index], read_at[index] = part, at
    whole = [part for part in shown if part is not None]
    if len(whole) < len(places):
        whole = [judge_unread(conditions, place) if part is None else part for part, place in zip(shown, places, strict=True)]
    return whole, read_at


@lru_cache(maxsize=REMEMBERED)
def _shown(conditions: Conditions, reading: Reading) -> PartShows | None:
    place = conditions.plan.place_of.get((reading.line, COMPONENT_OF[type(reading)]))
    return None if place is None else judge_reading(conditions, place, reading)


@lru_cache(maxsize=REMEMBERED)
def _buffer(conditions: Conditions, buffer: PlannedCriterion, first: PartShows, second: PartShows) -> PartShows | None:
    """What check 1 and the relief valve of one line show together; None where nothing is asked of them."""
    drop, opening = first.number, second.number
    place = conditions.plan.place_of[first.result.line, buffer.criterion.component]
    if drop is not None and opening is not None:
        return judge_buffer(conditions, buffer, place, drop, opening)
    # One of the two is unknown already, and with it the test incomplete.
    return None if buffer.criterion.advisory else judge_buffer_unread(conditions, buffer, place)


def _unexpected(conditions: Conditions, at: int, reading: Reading) -> Flag:
    kind, component = conditions.plan.kind, COMPONENT_OF[type(reading)]
    where = f" on a {reading.line} line" if component in (*kind.components, *kind.bypass_components) else ""
    message = f"A {kind.name} has no {PART_NAMES[component].removeprefix('the ')}{where}."
    return flag("unexpected_component", f"/{conditions.name}_test/readings/{at}", message)


def _doubled(conditions: Conditions, at: int, reading: Reading) -> Flag:
    name = sentence(PART_NAMES[COMPONENT_OF[type(reading)]])
    message = f"{name} is there twice in one phase; which reading counts is unknown. Send one reading of each part."
    return flag("contradictory_reading", f"/{conditions.name}_test/readings/{at}", message)


def _add_flags(conditions: Conditions, noted: Sequence[Noted], at: int | None, flags: list[Flag]) -> None:
    """Add each flag once: a leaking shutoff that spoils several readings is one fault."""
    for note in noted:
        below = f"/{conditions.name}_test" if note.on == "phase" else f"/{conditions.name}_test/readings/{at}"
        new = flag(note.code, f"{below}{note.member}", note.message)
        if new not in flags:
            flags.append(new)


def _unattributed(parts: list[PartShows]) -> list[PartShows]:
    """The parts of a line under backpressure: where a check failed, which of the checks it was is unknown."""
    checks = [part for part in parts if part.result.component.startswith("check")]
    if not any(part.result.outcome == "fail" for part in checks):
        return parts
    unknown = {
        part.index: part_result(part.result.line, part.result.component, part.result.outcomes, "unknown", pair=False)
        for part in checks
    }
    return [replace(part, result=unknown.get(part.index, part.result)) for part in parts]


def _cancel_below_minimum(
    conditions: Conditions,
    shown: list[PartShows],
    read_at: list[int | None],
    readings: Sequence[Reading],
    line_pressure: float,
) -> None:
    """Judge again what cannot be read because a part before it is below its minimum while a shutoff leaks."""
    plan = conditions.plan
    # The bypass check of a Type II detector assembly comes after main check 1.
    for line in [slice(None)] if plan.kind.bypass_components else plan.lines:
        below = {part.result.component for part in shown[line] if part.result.outcome == "fail"}
        spoils = [spoil for spoil in conditions.below_minimum if spoil.only_below_minimum in below]
        for part in shown[line]:
            component, at = part.result.component, read_at[part.index]
            cancelled = cancelled_by(spoils, component)
            if at is not None and cancelled:
                place = plan.places[part.index]
                both = cancelled | conditions.cancelled[component]
                shown[part.index] = judge_reading(conditions, place, readings[at], line_pressure, both)
