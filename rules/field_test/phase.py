"""One phase of a test, initial or final: each reading is judged for its part, and the results of each line are added up.

The order of readings does not matter: findings are in the order of lines and parts. A reading that does not belong, or a second reading
of a part, is flagged and does not count.

The result of a reading depends on little besides itself, and gauges are read in tenths, so it is cached. Line pressures vary as freely as
readings do: where a reading exceeds it, the reading is judged again outside the cache.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from msgspec.structs import replace

from rules.field_test.answer import Finding, Flag
from rules.field_test.conditions import Conditions
from rules.field_test.criteria import JudgedPart, PartFlag, judge_buffer, judge_buffer_unread, judge_reading, judge_unread
from rules.field_test.document import Phase, Reading
from rules.field_test.flags import flag
from rules.field_test.plan import PlannedCriterion
from rules.field_test.result import PhaseResult, add_up, part_result
from rules.field_test.shutoffs import cancelled_by
from rules.field_test.without_criteria import COMPONENT_OF, phase_without_criteria

# Enough for every pair of tenths that is read often, and a few megabytes at most.
CACHED: Final = 1 << 12

# Marks the place of a part while no reading of it is found.
_NOT_READ: Final = JudgedPart(
    index=-1, findings=(), flags=(), result=part_result("main", "check", (), "unknown"), number=None, observed=None
)


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
    judged, read_at = _judge_places(conditions, phase.readings, line_pressure, flags)
    if conditions.below_minimum:
        _cancel_below_minimum(conditions, judged, read_at, phase.readings, line_pressure)
    results = []
    for line in plan.lines:
        parts = judged[line]
        if conditions.backpressure_present:
            parts = _unattributed(parts)
        for part in parts:
            if part.flags:
                _add_flags(conditions, part.flags, read_at[part.index], flags)
            findings += part.findings
            results.append(part.result)
        if plan.buffer is not None and parts[-1].result.component != "check":
            # An RP's parts are in flow order: check 1, relief valve, check 2.
            both = _buffer(conditions, plan.buffer, parts[0], parts[1])
            if both is None or (not both.result.pair and any(part.result.outcome == "fail" for part in parts)):
                continue
            if both.flags:
                _add_flags(conditions, both.flags, read_at[parts[1].index], flags)
            findings += both.findings
            results.append(both.result)
    return add_up(plan, tuple(results))


def _judge_places(
    conditions: Conditions, readings: Sequence[Reading], line_pressure: float, flags: list[Flag]
) -> tuple[list[JudgedPart], list[int | None]]:
    """The result of each place, and the index of its reading (None: it was not read, or read twice)."""
    places = conditions.plan.places
    judged = [_NOT_READ] * len(places)
    read_at: list[int | None] = [None] * len(places)
    for at, reading in enumerate(readings):
        part = _judge_cached(conditions, reading)
        if part is None:
            flags.append(_unexpected(conditions, at, reading))
            continue
        index = part.index
        if judged[index] is not _NOT_READ:
            judged[index], read_at[index] = judge_unread(conditions, places[index], doubled=True), None
            flags.append(_read_twice(conditions, at, reading))
            continue
        if part.observed is not None and part.observed > line_pressure:
            part = judge_reading(conditions, places[index], reading, line_pressure)
        judged[index], read_at[index] = part, at
    if _NOT_READ in judged:
        for place in places:
            if judged[place.index] is _NOT_READ:
                judged[place.index] = judge_unread(conditions, place)
    return judged, read_at


@lru_cache(maxsize=CACHED)
def _judge_cached(conditions: Conditions, reading: Reading) -> JudgedPart | None:
    place = conditions.plan.place_of.get((reading.line, COMPONENT_OF[type(reading)]))
    return None if place is None else judge_reading(conditions, place, reading)


@lru_cache(maxsize=CACHED)
def _buffer(conditions: Conditions, buffer: PlannedCriterion, first: JudgedPart, second: JudgedPart) -> JudgedPart | None:
    """The result of the buffer of one line; None where it is only advice and cannot be read."""
    drop, opening = first.number, second.number
    place = conditions.plan.place_of[first.result.line, buffer.criterion.component]
    if drop is not None and opening is not None:
        return judge_buffer(conditions, buffer, place, drop, opening)
    # One of the two is unknown already, and with it the test incomplete.
    return None if buffer.criterion.advisory else judge_buffer_unread(conditions, buffer, place)


def _unexpected(conditions: Conditions, at: int, reading: Reading) -> Flag:
    kind, component = conditions.plan.kind, COMPONENT_OF[type(reading)]
    pointer = f"/{conditions.name}_test/readings/{at}"
    if component in (*kind.components, *kind.bypass_components):
        return flag("unexpected_component", pointer, case="line", kind=kind.kind, component=component, line=reading.line)
    return flag("unexpected_component", pointer, case="part", kind=kind.kind, component=component)


def _read_twice(conditions: Conditions, at: int, reading: Reading) -> Flag:
    component = COMPONENT_OF[type(reading)]
    return flag("contradictory_reading", f"/{conditions.name}_test/readings/{at}", case="twice", component=component)


def _add_flags(conditions: Conditions, part_flags: Sequence[PartFlag], at: int | None, flags: list[Flag]) -> None:
    """Add each flag once: a leaking shutoff that spoils several readings is one fault."""
    for found in part_flags:
        below = f"/{conditions.name}_test" if found.below == "phase" else f"/{conditions.name}_test/readings/{at}"
        new = replace(found.flag, pointer=f"{below}{found.flag.pointer}")
        if new not in flags:
            flags.append(new)


def _unattributed(parts: list[JudgedPart]) -> list[JudgedPart]:
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
    judged: list[JudgedPart],
    read_at: list[int | None],
    readings: Sequence[Reading],
    line_pressure: float,
) -> None:
    """Judge again what cannot be read because a part before it is below its minimum while a shutoff leaks."""
    plan = conditions.plan
    # The bypass check of a Type II detector assembly comes after main check 1.
    for line in [slice(None)] if plan.kind.bypass_components else plan.lines:
        below = {part.result.component for part in judged[line] if part.result.outcome == "fail"}
        spoils = [spoil for spoil in conditions.below_minimum if spoil.only_below_minimum in below]
        for part in judged[line]:
            component, at = part.result.component, read_at[part.index]
            cancelled = cancelled_by(spoils, component)
            if at is not None and cancelled:
                place = plan.places[part.index]
                both = cancelled | conditions.cancelled[component]
                judged[part.index] = judge_reading(conditions, place, readings[at], line_pressure, both)
