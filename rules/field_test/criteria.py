"""Reading against criterion → finding.

A reading exactly at the minimum passes; readings are taken as read and never rounded up. A number that cannot be trusted (it contradicts
what stands beside it, could not have been read, or was read against a leaking shutoff) never makes a pass: the finding is then
*not determined*, and a flag says why.
"""

from msgspec import UNSET, Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import Finding, FindingOutcome, Flag, PhaseName
from rules.field_test.document import Phase, Reading, Test
from rules.field_test.flags import flag
from rules.field_test.plan import Plan, PlannedCriterion
from rules.field_test.uncertainty import conformance_probability, head_per_length, standard_uncertainty

PART_NAMES: dict[str, str] = {
    "check_1": "check 1", "relief_valve": "relief valve", "check_2": "check 2", "check": "check", "air_inlet": "air inlet",
}  # fmt: skip
_DID = {
    "closed_tight": ("closed tight", "leaked"),
    "opened": ("opened", "did not open"),
    "opened_fully": ("opened fully", "did not open fully"),
}


class Gauged(Struct, frozen=True, kw_only=True):
    """What the gauge does to every number of a test: its uncertainty (0: not told) and the head to add, in the report's unit."""

    uncertainty: float
    head: float


class PhaseFindings(Struct, kw_only=True):
    """What one phase shows, as it is gathered; `values` holds the trusted numbers by line and component."""

    name: PhaseName
    pointer: str
    findings: list[Finding]
    flags: list[Flag]
    values: dict[tuple[Line, Component], float]


def gauged(test: Test, plan: Plan) -> Gauged:
    """The gauge's effect; a head is added only where a single hose reads against the atmosphere."""
    gauge = test.gauge
    if gauge is UNSET:
        return Gauged(uncertainty=0.0, head=0.0)
    uncertainty = 0.0
    if gauge.accuracy is not UNSET:
        uncertainty = standard_uncertainty(gauge.accuracy, 0.0 if gauge.resolution is UNSET else gauge.resolution)
    head = 0.0
    if gauge.height_above_assembly is not UNSET and test.units.length is not UNSET and plan.kind.single_hose:
        # A gauge held above the assembly reads low by the head in its hose, and one held below reads high.
        head = gauge.height_above_assembly * head_per_length(test.units.length, plan.unit)
    return Gauged(uncertainty=uncertainty, head=head)


def find(name: PhaseName, phase: Phase, test: Test, plan: Plan, gauge: Gauged) -> PhaseFindings:
    """Every finding and flag of one phase, in the order of lines, components and criteria."""
    found = PhaseFindings(name=name, pointer=f"/{name}_test", findings=[], flags=[], values={})
    readings = _sorted_readings(phase, plan, found)
    line_pressure = None if test.line_pressure is UNSET else test.line_pressure
    _shutoff_notes(phase, plan, found)
    for line in plan.kind.lines:
        unreadable: dict[str, str] = {}
        for spoil in plan.spoils:
            if spoil.only_below_minimum is None and getattr(phase.shutoffs, spoil.shutoff) == "leaking":
                unreadable |= dict.fromkeys(spoil.components, spoil.because)
        for component, criteria in plan.by_component.items():
            for spoil in plan.spoils:
                # A check read before this one, under its minimum, with its shutoff leaking.
                if (
                    spoil.only_below_minimum is not None
                    and component in spoil.components
                    and getattr(phase.shutoffs, spoil.shutoff) == "leaking"
                ):
                    _spoil_below(spoil.only_below_minimum, spoil.because, component, line, unreadable, found)
            at, reading = readings.get((line, component), (-1, None))
            _component(found, plan, gauge, line, component, criteria, at, reading, unreadable.get(component), line_pressure)
        _buffer(found, plan, gauge, line, readings)
    return found


def _sorted_readings(phase: Phase, plan: Plan, found: PhaseFindings) -> dict[tuple[Line, Component], tuple[int, Reading | None]]:
    """The readings by line and component; what does not belong, or stands twice, is flagged. A doubled one counts as none (None)."""
    readings: dict[tuple[Line, Component], tuple[int, Reading | None]] = {}
    for at, reading in enumerate(phase.readings):
        component: Component = reading.__struct_config__.tag  # type: ignore[assignment]
        pointer = f"{found.pointer}/readings/{at}"
        if component not in plan.by_component or reading.line not in plan.kind.lines:
            where = f" on a {reading.line} line" if component in plan.by_component else ""
            found.flags.append(
                flag("unexpected_component", pointer, f"A {plan.kind.name} has no {PART_NAMES[component]}{where}.")
            )
        elif (reading.line, component) in readings:
            message = f"The {PART_NAMES[component]} is told twice in one phase; which reading counts cannot be told."
            found.flags.append(flag("contradictory_reading", pointer, message))
            readings[reading.line, component] = (at, None)
        else:
            readings[reading.line, component] = (at, reading)
    return readings


def _shutoff_notes(phase: Phase, plan: Plan, found: PhaseFindings) -> None:
    for side in ("inlet", "outlet"):
        state = getattr(phase.shutoffs, side)
        pointer = f"{found.pointer}/shutoffs/{side}"
        if state == "not_checked":
            found.flags.append(
                flag(
                    "shutoffs_not_checked",
                    pointer,
                    f"Whether the {side} shutoff held is not told; a leaking one makes readings untrustworthy.",
                )
            )
        elif state == "leaking":
            found.flags.extend(
                flag("shutoff_leak_unreadable", pointer, spoil.because)
                for spoil in plan.spoils
                if spoil.shutoff == side and spoil.only_below_minimum is None
            )


def _spoil_below(
    first: Component, because: str, component: Component, line: Line, unreadable: dict[str, str], found: PhaseFindings
) -> None:
    for finding in found.findings:
        if finding.line == line and finding.component == first and finding.outcome == "not_met" and component not in unreadable:
            unreadable[component] = because
            found.flags.append(flag("shutoff_leak_unreadable", f"{found.pointer}/shutoffs/inlet", because))


def _component(
    found: PhaseFindings, plan: Plan, gauge: Gauged, line: Line, component: Component, criteria: tuple[PlannedCriterion, ...],
    at: int, reading: Reading | None, unreadable: str | None, line_pressure: float | None,
) -> None:  # fmt: skip
    """Every finding of one component on one line."""
    pointer = f"{found.pointer}/readings/{at}" if at >= 0 else f"{found.pointer}/readings"
    if reading is None:
        message = "It is told twice; which reading counts cannot be told." if at >= 0 else "No reading is given."
        for planned in criteria:
            if planned.criterion.alternative_to is None or planned.criterion.quantity == "held_at":
                found.findings.append(_undetermined(found, planned, line, message))
        if at < 0:
            on = f" on the {line} line" if len(plan.kind.lines) > 1 else ""
            found.flags.append(
                flag(
                    "missing_reading",
                    pointer,
                    f"The {PART_NAMES[component]} was not read{on}; the test is not complete without it.",
                )
            )
        return
    # What was seen (it closed, it opened) is told beside what was read; a part seen to fail has no number.
    seen = getattr(reading, "closed_tight", UNSET) if hasattr(reading, "closed_tight") else getattr(reading, "opened", UNSET)
    for planned in criteria:
        quantity = planned.criterion.quantity
        value = getattr(reading, quantity)
        if planned.at_least is None:
            _fact(found, planned, line, value, pointer, seen, _number_of(reading), unreadable)
        else:
            _number(found, plan, planned, line, component, value, f"{pointer}/{quantity}", seen, gauge, unreadable, line_pressure)


def _number_of(reading: Reading) -> object:
    return getattr(reading, "held_at", UNSET) if hasattr(reading, "held_at") else getattr(reading, "opened_at", UNSET)


def _fact(
    found: PhaseFindings, planned: PlannedCriterion, line: Line, value: object, pointer: str, seen: object, number: object,
    unreadable: str | None,
) -> None:  # fmt: skip
    """A fact that must be so: closed tight, opened, opened fully."""
    criterion = planned.criterion
    part, (did, did_not) = PART_NAMES[criterion.component], _DID[criterion.quantity]
    opens = criterion.quantity != "closed_tight"
    if value is UNSET:
        # A number says that it closed or opened; and a part that did not open at all did not open fully either.
        implied = number is not UNSET or criterion.quantity == "closed_tight"
        if criterion.quantity == "opened_fully":
            implied = seen is False
        if not implied:
            found.findings.append(_undetermined(found, planned, line, f"Whether the {part} {did} is not told."))
            found.flags.append(flag("missing_reading", f"{pointer}/{criterion.quantity}", f"Say whether the {part} {did}."))
        return
    outcome: FindingOutcome = "met" if value else "not_met"
    message = f"The {part} {did if value else did_not}."
    # A relief valve or air inlet that did not open fails whatever the shutoffs did.
    if unreadable is not None and not (opens and not value):
        outcome, message = "not_determined", f"{message} {unreadable}"
    found.findings.append(
        Finding(
            rule=criterion.rule, phase=found.name, line=line, component=criterion.component, outcome=outcome, observed=bool(value),
            message=message, source=planned.source,
        )
    )  # fmt: skip


def _number(
    found: PhaseFindings, plan: Plan, planned: PlannedCriterion, line: Line, component: Component, value: object, pointer: str,
    seen: object, gauge: Gauged, unreadable: str | None, line_pressure: float | None,
) -> None:  # fmt: skip
    """A number against its minimum."""
    criterion, part, unit = planned.criterion, PART_NAMES[component], plan.unit
    at_least = planned.at_least or 0.0
    verb, failed = ("held", "leaked") if criterion.quantity == "held_at" else ("opened at", "did not open")
    if not isinstance(value, int | float):
        # A part that leaked or did not open has no differential; and tightness may serve in place of a number where the rule says so.
        if seen is False or (criterion.alternative_to is not None and seen is not UNSET):
            return
        found.findings.append(_undetermined(found, planned, line, f"No differential is given for the {part}."))
        found.flags.append(
            flag("missing_reading", pointer, f"Give the differential at which the {part} {verb.removesuffix(' at')}.")
        )
        return
    true = value if gauge.head == 0 else round(value + gauge.head, 9)
    margin = round(true - at_least, 9)
    outcome: FindingOutcome = "met" if true >= at_least else "not_met"
    at_height = "" if gauge.head == 0 else f" ({true:.4g} {unit} at the height of the assembly)"
    compared = "at least" if outcome == "met" else "where at least"
    message = f"The {part} {verb} {value:g} {unit}{at_height}, {compared} {at_least:.4g} {unit} is required."
    if outcome == "met":
        message = f"The {part} {verb} {value:g} {unit}{at_height}; at least {at_least:.4g} {unit} is required."
    trusted = True
    if unreadable is not None:
        outcome, trusted, message = (
            "not_determined",
            False,
            f"The {part} {verb} {value:g} {unit}, but that cannot count. {unreadable}",
        )
    elif seen is False:
        outcome, trusted = "not_determined", False
        message = f"The {part} is told to have {failed.replace('did not open', 'not opened')}, yet {value:g} {unit} stands beside it; a part that {failed} has no differential."
        found.flags.append(flag("contradictory_reading", pointer, message))
    elif impossible := _impossible(value, plan, line_pressure):
        trusted = False
        if outcome == "met":
            outcome = "not_determined"
        message = f"The {part} is told to have {verb} {value:g} {unit}: {impossible}"
        found.flags.append(flag("impossible_reading", pointer, message))
    if trusted:
        found.values[line, component] = value
    probability = UNSET
    if gauge.uncertainty > 0 and trusted:
        probability = round(conformance_probability(true, at_least, gauge.uncertainty), 6)
        if plan.near[0] <= probability <= plan.near[1]:
            found.flags.append(
                flag(
                    "near_limit",
                    pointer,
                    f"{value:g} {unit} lies so near {at_least:.4g} {unit} that this gauge cannot tell surely: the chance that the true value conforms is {probability:.0%}.",
                )
            )
    found.findings.append(
        Finding(
            rule=criterion.rule, phase=found.name, line=line, component=component, outcome=outcome, observed=value,
            corrected=UNSET if gauge.head == 0 else true, at_least=at_least, margin=margin, conformance_probability=probability,
            message=message, source=planned.source,
        )
    )  # fmt: skip


def _impossible(value: float, plan: Plan, line_pressure: float | None) -> str:
    """Why a number could not have been read; empty where it could."""
    if value < 0:
        return "a differential is not negative."
    if line_pressure is not None and value > line_pressure:
        return f"that is more than the line pressure, {line_pressure:g} {plan.unit}."
    if value > plan.most_plausible:
        return f"that is more than a differential gauge of this trade reads, {plan.most_plausible:.4g} {plan.unit}."
    return ""


def _buffer(
    found: PhaseFindings,
    plan: Plan,
    gauge: Gauged,
    line: Line,
    readings: dict[tuple[Line, Component], tuple[int, Reading | None]],
) -> None:
    """Check 1's drop less the relief valve's opening: a criterion in some rulebooks, a note in others, and never below zero.

    In a quiet RP the zone stands below the inlet by check 1's drop, so a relief valve that opens at that drop or above it would be
    discharging: such a pair cannot have been read, and nothing can pass on it.
    """
    drop, opening = found.values.get((line, "check_1")), found.values.get((line, "relief_valve"))
    if plan.buffer is None or drop is None or opening is None:
        return
    planned, unit = plan.buffer, plan.unit
    at_least = planned.at_least or 0.0
    buffer = round(drop - opening, 9)
    pointer = f"{found.pointer}/readings/{readings[line, 'relief_valve'][0]}/opened_at"
    outcome: FindingOutcome = "met" if buffer >= at_least else "not_met"
    message = f"Check 1 held {drop:g} {unit} and the relief valve opened at {opening:g} {unit}: a buffer of {buffer:g} {unit}; at least {at_least:.4g} {unit} is asked."
    if buffer <= 0:
        outcome = "not_determined" if planned.criterion.advisory else outcome
        message = f"The relief valve opened at {opening:g} {unit}, not below check 1's drop of {drop:g} {unit}; a quiet assembly would be discharging, so the two cannot both have been read."
        found.flags.append(flag("relief_opening_not_below_check_1", pointer, message))
    elif outcome == "not_met":
        found.flags.append(flag("buffer_low", pointer, message))
        if planned.criterion.advisory:
            return
    probability = UNSET
    if gauge.uncertainty > 0 and buffer > 0:
        # Two readings of the same gauge, taken as independent.
        probability = round(conformance_probability(buffer, at_least, gauge.uncertainty * 2**0.5), 6)
    found.findings.append(
        Finding(
            rule=planned.criterion.rule, phase=found.name, line=line, component="check_1", outcome=outcome, observed=buffer,
            at_least=at_least, margin=round(buffer - at_least, 9), conformance_probability=probability, message=message,
            source=planned.source,
        )
    )  # fmt: skip


def _undetermined(found: PhaseFindings, planned: PlannedCriterion, line: Line, message: str) -> Finding:
    criterion = planned.criterion
    return Finding(
        rule=criterion.rule, phase=found.name, line=line, component=criterion.component, outcome="not_determined",
        at_least=UNSET if planned.at_least is None else planned.at_least, message=message, source=planned.source,
    )  # fmt: skip
