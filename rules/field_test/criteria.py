"""Reading against criterion → finding, for one part or one pair of readings at a time.

A reading exactly at the minimum passes; readings are taken as read and never rounded up. A number that cannot be trusted (it contradicts
what stands beside it, could not have been read, or was read against a leaking shutoff) never makes a pass: the finding is then
*not determined*, and a flag says why.

What a reading shows depends on a few values that come again and again (gauges are read in tenths): the phase remembers it.
"""

from functools import lru_cache
from math import sqrt
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Line
from rules.field_test.answer import Finding, FindingOutcome, PhaseName
from rules.field_test.document import AirInletReading, Reading, ReliefValveReading
from rules.field_test.plan import Place, PlannedCriterion, PlannedPart, sentence
from rules.field_test.plausible import read_instead
from rules.field_test.protection import State
from rules.field_test.result import PartResult, part_result, state_of_number
from rules.field_test.uncertainty import conformance_probability

# Enough for every pair of tenths that is read often, and a few megabytes at most.
REMEMBERED: Final = 1 << 12

_DID: Final = {
    "closed_tight": ("closed tight", "leaked"),
    "opened": ("opened", "did not open"),
    "opened_fully": ("opened fully", "did not open fully"),
}


class Gauged(Struct, frozen=True, kw_only=True, eq=False):
    """What the gauge does to every number of a test, in its unit: its uncertainty (0: not told), the head to add, its accuracy (±).

    Compared by identity: take it from `gauged_by`.
    """

    uncertainty: float
    head: float
    accuracy: float


@lru_cache(maxsize=1024)
def gauged_by(uncertainty: float, head: float, accuracy: float) -> Gauged:
    """The one of that uncertainty, head and accuracy."""
    return Gauged(uncertainty=uncertainty, head=head, accuracy=accuracy)


class Noted(Struct, frozen=True):
    """A flag to be: its code, where it belongs below the reading (or the phase), and what it says."""

    code: str
    member: str
    message: str
    on: Literal["reading", "phase"] = "reading"


class PartShows(Struct, frozen=True, kw_only=True, eq=False):
    """What one part, or the pair of the buffer, shows, and what that comes to.

    `index` is that of its place; `observed` the number as read, and `number` the same where it can be trusted.
    """

    index: int
    findings: tuple[Finding, ...]
    noted: tuple[Noted, ...]
    result: PartResult
    number: float | None
    observed: float | None


def _told(  # noqa: PLR0917 - one call's worth of what is known
    place: Place,
    findings: list[Finding],
    noted: list[Noted],
    state: State,
    number: float | None = None,
    observed: float | None = None,
    *,
    pair: bool = False,
) -> PartShows:
    outcomes = tuple([(one.rule, one.outcome) for one in findings])
    result = part_result(place.line, place.part.component, outcomes, state, pair=pair)
    return PartShows(
        index=place.index, findings=tuple(findings), noted=tuple(noted), result=result, number=number, observed=observed
    )


@lru_cache(maxsize=256)
def unread(place: Place, phase: PhaseName, *, doubled: bool) -> PartShows:
    """What is left to say of a part that was not read, or whose reading stands twice."""
    noted: list[Noted] = []
    message = "It is told twice; which reading counts cannot be told."
    if not doubled:
        message = "No reading is given."
        missing = f"{sentence(place.part.name)} was not read{place.where}; the test is not complete without it."
        noted.append(Noted("missing_reading", "/readings", missing, "phase"))
    part = place.part
    asked = [part.read] if part.fully is None else [part.read, part.fully]
    return _told(place, [_finding(one, phase, place.line, "not_determined", message) for one in asked], noted, "unknown")


def shows(  # noqa: PLR0917 - one call's worth of what is known
    place: Place, phase: PhaseName, reading: Reading, gauged: Gauged, unreadable: str | None, line_pressure: float
) -> PartShows:
    """What one reading shows of its part; `unreadable` says why a leaking shutoff spoils it, where one does."""
    part = place.part
    findings: list[Finding] = []
    noted: list[Noted] = []
    fully: bool | UnsetType = UNSET
    if isinstance(reading, AirInletReading | ReliefValveReading):
        seen, number = reading.opened, reading.opened_at
        if isinstance(reading, AirInletReading):
            fully = reading.opened_fully
    else:
        seen, number = reading.closed_tight, reading.held_at
    if seen is not UNSET:
        findings.append(_fact(part.seen, phase, reading.line, seen, part, unreadable))
    trusted = _number(part, phase, reading.line, seen, number, gauged, line_pressure, unreadable, findings, noted)
    if part.fully is not None:
        _fully(part, part.fully, phase, reading.line, seen, fully, unreadable, findings, noted)
    told = {one.rule: one.outcome for one in findings}
    state = _state(part, told, trusted, gauged, unnumbered=number is UNSET)
    return _told(place, findings, noted, state, trusted, None if number is UNSET else number)


def _state(
    part: PlannedPart, told: dict[str, FindingOutcome], number: float | None, gauged: Gauged, *, unnumbered: bool
) -> State:
    """The state of a part by the outcomes of its rules and the number that can be trusted, if there is one.

    `unnumbered` where no number is given. A check that closed tight without the number that is required still holds.
    """
    seen_as = told.get(part.seen.criterion.rule)
    if seen_as == "not_met":
        # It leaked, or did not open. How large the leak is, a field test does not show.
        return "failed"
    if number is not None:
        state = state_of_number(number + gauged.head, part.sound_from, gauged.accuracy)
    elif seen_as == "met" and part.is_check and unnumbered:
        state = "weak" if part.read.criterion.rule in told else "sound"
    else:
        return "unknown"
    fully = None if part.fully is None else told.get(part.fully.criterion.rule)
    # An air inlet that does not open fully may not be enough beside a check that leaks.
    return "unknown" if fully in {"not_determined", "not_met"} and state != "failed" else state


def _fact(  # noqa: PLR0917 - one call's worth of what is known
    planned: PlannedCriterion,
    phase: PhaseName,
    line: Line,
    seen: bool,  # noqa: FBT001 - as told
    part: PlannedPart,
    unreadable: str | None,
) -> Finding:
    """A fact that must be so: closed tight, opened, opened fully."""
    did, did_not = _DID[planned.criterion.quantity]
    message = f"{sentence(part.name)} {did if seen else did_not}."
    # A relief valve or air inlet that did not open fails whatever the shutoffs did.
    if unreadable is not None and (part.is_check or seen):
        return _finding(planned, phase, line, "not_determined", f"{message} {unreadable}", observed=seen)
    return _finding(planned, phase, line, "met" if seen else "not_met", message, observed=seen)


def _number(  # noqa: PLR0917 - one call's worth of what is known
    part: PlannedPart, phase: PhaseName, line: Line, seen: bool | UnsetType, number: float | UnsetType, gauged: Gauged,  # noqa: FBT001 - as told
    line_pressure: float, unreadable: str | None, findings: list[Finding], noted: list[Noted],
) -> float | None:  # fmt: skip
    """A number against its minimum; returned where it can be trusted."""
    planned, unit = part.read, part.unit
    verb = "held" if part.is_check else "opened at"
    member = f"/{planned.criterion.quantity}"
    if number is UNSET:
        # A part that leaked or did not open has no differential; and tightness may serve in place of a number where the rule says so.
        if seen is UNSET or (seen and planned.criterion.alternative_to is None):
            findings.append(_finding(planned, phase, line, "not_determined", f"No differential is given for {part.name}."))
            noted.append(Noted("missing_reading", member, f"Give the differential that {part.name} {verb}."))
        return None
    observed = float(number) + 0.0  # adding zero makes a negative zero plain
    true = observed if gauged.head == 0 else round(observed + gauged.head, 9)
    at_least = planned.at_least
    # Less than a billionth is the rounding of somebody's conversion, not a reading.
    margin = round(true - at_least, 9) + 0.0
    outcome: FindingOutcome = "met" if margin >= 0 else "not_met"
    at_height = "" if gauged.head == 0 else f" ({_digits(true)} {unit} at the height of the assembly)"
    said = f"{sentence(part.name)} {verb} {_digits(observed)} {unit}{at_height}"
    message = f"{said}{';' if outcome == 'met' else ', where'} at least {_digits(at_least)} {unit} is required."
    trusted = False
    if seen is False:
        outcome, failed = "not_determined", _DID[part.seen.criterion.quantity][1]
        message = f"It is told that {part.name} {failed}, and {_digits(observed)} {unit} stands beside that; the two contradict each other."
        noted.append(Noted("contradictory_reading", member, message))
    elif impossible := _impossible(observed, part, line_pressure):
        # Whether too high or too low: of a number that was never read nothing follows, and nothing of the protection either.
        outcome = "not_determined"
        message = f"{said}: {impossible}"
        noted.append(Noted("impossible_reading", member, message))
    else:
        trusted = unreadable is None
    if observed > part.ceiling and (doubt := _doubt(observed, part)):
        noted.append(Noted("unit_doubtful", member, f"{said}{doubt}"))
    if unreadable is not None:
        outcome, message = "not_determined", f"{said}, but that cannot count. {unreadable}"
    probability: float | UnsetType = UNSET
    if trusted and gauged.uncertainty > 0:
        probability = round(conformance_probability(true, at_least, gauged.uncertainty), 6)
        if part.near[0] <= probability <= part.near[1]:
            why = f"{_digits(true)} {unit} lies so near {_digits(at_least)} {unit} that this gauge cannot tell surely"
            noted.append(Noted("near_limit", member, f"{why}: the chance that the true value conforms is {probability:.0%}."))
    findings.append(
        _finding(
            planned, phase, line, outcome, message, observed=observed, corrected=UNSET if gauged.head == 0 else true,
            at_least=at_least, margin=margin, conformance_probability=probability,
        )
    )  # fmt: skip
    return observed if trusted else None


def _impossible(value: float, part: PlannedPart, line_pressure: float) -> str:
    """Why a number could not have been read; empty where it could."""
    if value < 0:
        return "a differential is not negative."
    if value > line_pressure:
        return f"that is more than the line pressure, {_digits(line_pressure)} {part.unit}."
    if value > part.most_plausible:
        return f"that is more than a differential gauge of this trade reads, {_digits(part.most_plausible)} {part.unit}."
    return ""


def _doubt(value: float, part: PlannedPart) -> str:
    """Why the unit of a number is in doubt, as the end of a sentence; empty where the number is impossible in every unit near."""
    instead = read_instead(value, part.unit, part.ceiling)
    if value > part.most_plausible and not instead:
        return ""
    return f", more than such a part shows ({_digits(round(part.ceiling, 2))} {part.unit} at most).{instead} Look at the unit of the reading."


def _fully(  # noqa: PLR0917 - one call's worth of what is known
    part: PlannedPart, planned: PlannedCriterion, phase: PhaseName, line: Line, opened: bool | UnsetType, fully: bool | UnsetType,  # noqa: FBT001 - as told
    unreadable: str | None, findings: list[Finding], noted: list[Noted],
) -> None:  # fmt: skip
    """Whether an air inlet opened fully as the body drained; one that did not open at all need not be asked."""
    if fully is UNSET:
        if opened is not False:
            message = f"Whether {part.name} opened fully as the body drained is not told."
            findings.append(_finding(planned, phase, line, "not_determined", message))
            noted.append(Noted("missing_reading", "/opened_fully", message))
    elif fully and opened is False:
        message = f"It is told that {part.name} did not open, and that it opened fully; the two contradict each other."
        findings.append(_finding(planned, phase, line, "not_determined", message, observed=True))
        noted.append(Noted("contradictory_reading", "/opened_fully", message))
    else:
        findings.append(_fact(planned, phase, line, fully, part, unreadable))


def buffer_shows(  # noqa: PLR0917 - one call's worth of what is known
    planned: PlannedCriterion, place: Place, phase: PhaseName, drop: float, opening: float, uncertainty: float
) -> PartShows:
    """Check 1's drop less the relief valve's opening: a criterion in some rulebooks, a note in others.

    In a quiet RP the zone stands below the inlet by check 1's drop, so a relief valve that opens at that drop or above it would be
    discharging: such a pair cannot have been read, and nothing can pass on it. `place` is that of the part whose criterion it is.
    """
    line, unit = place.line, place.part.unit
    at_least, buffer = planned.at_least, round(drop - opening, 9)
    margin = round(buffer - at_least, 9) + 0.0
    outcome: FindingOutcome = "met" if margin >= 0 else "not_met"
    noted: list[Noted] = []
    pair = f"Check 1 held {_digits(drop)} {unit} and the relief valve opened at {_digits(opening)} {unit}"
    message = f"{pair}: a buffer of {_digits(buffer)} {unit}; at least {_digits(at_least)} {unit} is asked."
    probability: float | UnsetType = UNSET
    if buffer <= 0:
        outcome = "not_determined" if planned.criterion.advisory else outcome
        message = f"{pair}, which is not below it; a quiet assembly would be discharging, so the two cannot both have been read."
        noted.append(Noted("relief_opening_not_below_check_1", "/opened_at", message))
    elif uncertainty > 0:
        # Two readings of the same gauge, taken as independent.
        probability = round(conformance_probability(buffer, at_least, uncertainty * sqrt(2)), 6)
    if buffer > 0 and outcome == "not_met":
        noted.append(Noted("buffer_low", "/opened_at", message))
        if planned.criterion.advisory:
            return _told(place, [], noted, "sound", pair=True)
    finding = _finding(
        planned, phase, line, outcome, message, observed=buffer, at_least=at_least, margin=margin,
        conformance_probability=probability,
    )  # fmt: skip
    return _told(place, [finding], noted, "unknown" if buffer <= 0 else "sound", pair=True)


def buffer_unread(planned: PlannedCriterion, place: Place, phase: PhaseName) -> PartShows:
    """What is left to say of a buffer that is a criterion and whose readings cannot be had."""
    message = "The buffer needs both check 1's drop and the relief valve's opening."
    return _told(place, [_finding(planned, phase, place.line, "not_determined", message)], [], "unknown")


def _finding(
    planned: PlannedCriterion, phase: PhaseName, line: Line, outcome: FindingOutcome, message: str, *,
    observed: float | bool | UnsetType = UNSET, corrected: float | UnsetType = UNSET, at_least: float | UnsetType = UNSET,
    margin: float | UnsetType = UNSET, conformance_probability: float | UnsetType = UNSET,
) -> Finding:  # fmt: skip
    if at_least is UNSET and planned.criterion.at_least is not None:
        at_least = planned.at_least
    return Finding(
        rule=planned.criterion.rule, phase=phase, line=line, component=planned.criterion.component, outcome=outcome, message=message,
        source=planned.source, observed=observed, corrected=corrected, at_least=at_least, margin=margin,
        conformance_probability=conformance_probability,
    )  # fmt: skip


def _digits(value: float) -> str:
    """A number as people write it: no trailing zeros, and digits enough that a reading just under a limit never reads like the limit."""
    return f"{value:.9g}"
