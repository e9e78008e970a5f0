"""Reading against criterion → finding, for one part or one pair of readings at a time.

A reading exactly at the minimum passes; readings are taken as read and never rounded up or corrected. A number that cannot be trusted (it
contradicts what stands beside it, could not have been read, or was read on a gauge that was not level or against a leaking shutoff that can
have produced it) never makes a pass: the finding is then *not determined*, and a flag says why.

What a reading shows depends on a few values that come again and again (gauges are read in tenths): the phase remembers it.
"""

from collections.abc import Mapping
from math import inf, sqrt
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType

from rules.field_test.answer import Finding, FindingOutcome
from rules.field_test.conditions import Conditions
from rules.field_test.document import AirInletReading, CheckReading, Reading, ReliefValveReading
from rules.field_test.plan import Place, PlannedCriterion, PlannedPart, sentence
from rules.field_test.plausible import read_instead
from rules.field_test.protection import State
from rules.field_test.result import PartResult, part_result, state_of_number
from rules.field_test.shutoffs import Claim, Spoil
from rules.field_test.uncertainty import conformance_probability

# What was seen, in words: where it is so, where it is not; and the claim that a leaking shutoff can have produced in each case.
_SEEN: Final[dict[str, tuple[str, str, Claim | None, Claim]]] = {
    "closed_tight": ("closed tight", "leaked", "holds", "leaks"),
    "tight_against_backpressure": ("was tight against backpressure", "leaked against backpressure", "holds", "leaks"),
    "opened": ("opened", "did not open", None, "not_opened"),
    "opened_fully": ("opened fully", "did not open fully", None, "not_fully"),
}


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


class _Sheet:
    """What is being written of one part: its findings and flags, under the conditions of its phase."""

    __slots__ = ("cancelled", "conditions", "findings", "noted", "part", "place")

    def __init__(self, conditions: Conditions, place: Place, cancelled: Mapping[Claim, Spoil]) -> None:
        self.conditions, self.place, self.part, self.cancelled = conditions, place, place.part, cancelled
        self.findings: list[Finding] = []
        self.noted: list[Noted] = []

    def add(
        self, planned: PlannedCriterion, outcome: FindingOutcome, message: str, *,
        observed: float | bool | UnsetType = UNSET, margin: float | UnsetType = UNSET, probability: float | UnsetType = UNSET,
    ) -> None:  # fmt: skip
        """Add a finding."""
        criterion = planned.criterion
        self.findings.append(
            Finding(
                rule=criterion.rule,
                phase=self.conditions.name,
                line=self.place.line,
                component=criterion.component,
                outcome=outcome,
                message=message,
                source=planned.source,
                observed=observed,
                at_least=UNSET if criterion.at_least is None else planned.at_least,
                margin=margin,
                conformance_probability=probability,
            )
        )

    def note(self, code: str, member: str, message: str, on: Literal["reading", "phase"] = "reading") -> None:
        """Add a flag."""
        self.noted.append(Noted(code, member, message, on))

    def cancels(self, claim: Claim | None) -> str:
        """Why a leaking shutoff can have produced that claim, with the flag that says so; empty where none can."""
        spoil = None if claim is None else self.cancelled.get(claim)
        if spoil is None:
            return ""
        self.note("shutoff_leak_unreadable", f"/shutoffs/{spoil.shutoff}", f"{spoil.because} {spoil.repair}", "phase")
        return spoil.because

    def add_fact(self, planned: PlannedCriterion, seen: bool) -> FindingOutcome:  # noqa: FBT001 - as stated
        """Add the finding on a fact that must be so (closed tight, opened, opened fully), and return its outcome."""
        did, did_not, claim, claim_not = _SEEN[planned.criterion.quantity]
        message = f"{sentence(self.part.name)} {did if seen else did_not}."
        outcome: FindingOutcome = "met" if seen else "not_met"
        if because := self.cancels(claim if seen else claim_not):
            outcome, message = "not_determined", f"{message} {because}"
        self.add(planned, outcome, message, observed=seen)
        return outcome

    def shows(self, state: State, *, number: float | None = None, observed: float | None = None, pair: bool = False) -> PartShows:
        """All of it."""
        outcomes = tuple([(finding.rule, finding.outcome) for finding in self.findings])
        result = part_result(self.place.line, self.part.component, outcomes, state, pair=pair)
        return PartShows(
            index=self.place.index,
            findings=tuple(self.findings),
            noted=tuple(self.noted),
            result=result,
            number=number,
            observed=observed,
        )


def judge_unread(conditions: Conditions, place: Place, *, doubled: bool = False) -> PartShows:
    """What is left to say of a part that was not read, or whose reading is there twice."""
    sheet, part = _Sheet(conditions, place, {}), place.part
    message = "No reading is given."
    if doubled:
        message = "Two readings are given; which of them counts is unknown."
    elif conditions.test_kit_fault:
        message = "The test kit failed, so no reading counts."
    else:
        missing = f"{sentence(part.name)} was not read{place.where}; the test is not complete without it."
        sheet.note("missing_reading", "/readings", missing, "phase")
    for planned in (part.read, part.fully):
        if planned is not None:
            sheet.add(planned, "not_determined", message)
    return sheet.shows("unknown")


def judge_reading(
    conditions: Conditions,
    place: Place,
    reading: Reading,
    line_pressure: float = inf,
    cancelled: Mapping[Claim, Spoil] | None = None,
) -> PartShows:
    """What one reading shows of its part; `cancelled` replaces the claims that a leaking shutoff cancels under these conditions."""
    if cancelled is None:
        cancelled = conditions.cancelled[place.part.component]
    sheet = _Sheet(conditions, place, cancelled)
    if reading.fluctuated is True:
        sheet.note(
            "reading_fluctuated",
            "/fluctuated",
            f"The reading of {place.part.name} fluctuated; the lowest is the one that counts.",
        )
    if isinstance(reading, ReliefValveReading):
        return _judge_relief_valve(sheet, reading, line_pressure)
    if isinstance(reading, AirInletReading):
        return _judge_air_inlet(sheet, reading, line_pressure)
    return _judge_check(sheet, reading, line_pressure)


def _judge_check(sheet: _Sheet, reading: Reading, line_pressure: float) -> PartShows:
    assert not isinstance(reading, ReliefValveReading | AirInletReading)  # noqa: S101 - narrows the type
    part, closed, number = sheet.part, reading.closed_tight, reading.held_at
    against: bool | UnsetType = UNSET if isinstance(reading, CheckReading) else reading.tight_against_backpressure
    if sheet.conditions.test_kit_fault:
        return judge_unread(sheet.conditions, sheet.place)
    if number == 0 and closed is False:
        # Testers write 0 beside "leaked".
        number = UNSET
    seen: list[FindingOutcome] = []
    if closed is not UNSET:
        seen.append(sheet.add_fact(part.seen, closed))
    if against is not UNSET:
        if part.against is None:
            message = f"{sentence(part.name)} of this kind is not tested against backpressure."
            sheet.note("unexpected_component", "/tight_against_backpressure", message)
        else:
            seen.append(sheet.add_fact(part.against, against))
    trusted: float | None = None
    if number is not UNSET:
        trusted = _judge_number(sheet, number, line_pressure, contradicted=closed is False)
    elif not seen or ("not_met" not in seen and part.read.criterion.alternative_to is None):
        sheet.add(part.read, "not_determined", f"No differential is given for {part.name}.")
        sheet.note("missing_reading", "/held_at", f"Give the differential that {part.name} held.")
    state: State = "unknown"
    if "not_met" in seen:
        # How large the leak is, a field test does not show.
        state = "failed"
    elif trusted is not None:
        state = state_of_number(trusted, part.sound_from, sheet.conditions.accuracy)
        if state == "weak" and ("holds" in sheet.cancelled or sheet.conditions.level != "level"):
            # It holds less than it read, and whether it holds at all is not shown.
            state = "unknown"
    elif number is UNSET and "met" in seen:
        # It holds. Whether as it should is known only where tightness alone serves, or was seen against backpressure.
        state = "sound" if part.read.criterion.alternative_to is not None or against is True else "weak"
    drop = None if "holds" in sheet.cancelled or sheet.conditions.level != "level" else trusted
    return sheet.shows(state, number=drop, observed=None if number is UNSET else number)


def _judge_relief_valve(sheet: _Sheet, reading: ReliefValveReading, line_pressure: float) -> PartShows:
    part, opened, number = sheet.part, reading.opened, reading.opened_at
    if reading.discharging == "continuous":
        assert part.quiet is not None  # noqa: S101 - each rulebook that judges relief valves says so
        sheet.add(part.quiet, "not_met", "The relief valve discharged all the time before the test.", observed=False)
        unknown = "The relief valve was discharging already, so the differential at which it opens cannot be read."
        sheet.add(part.read, "not_determined", unknown, observed=number)
        if opened is False:
            sheet.note(
                "contradictory_reading", "/opened", "The relief valve discharged all the time, and is reported as not opened."
            )
        return sheet.shows("discharging", observed=None if number is UNSET else number)
    if reading.discharging == "intermittent":
        message = (
            "The relief valve discharged now and then before the test, which swings of the supply's pressure cause; look at them."
        )
        sheet.note("relief_valve_discharging", "/discharging", message)
    return _judge_opening(sheet, opened, number, line_pressure, must_be_read=True)


def _judge_air_inlet(sheet: _Sheet, reading: AirInletReading, line_pressure: float) -> PartShows:
    part, opened, fully = sheet.part, reading.opened, reading.opened_fully
    spills = reading.spilling == "continuous"
    if spills:
        assert part.quiet is not None  # noqa: S101 - each rulebook that judges air inlets says so
        sheet.add(part.quiet, "not_met", "The air inlet spilled all the time under pressure.", observed=False)
    elif reading.spilling == "intermittent":
        message = "The air inlet spilled now and then; one may spit until it seats."
        sheet.note("air_inlet_spilling", "/spilling", message)
    shown = _judge_opening(sheet, opened, reading.opened_at, line_pressure, must_be_read=not spills)
    if sheet.conditions.test_kit_fault or part.fully is None:
        return shown
    state = shown.result.state
    if fully is UNSET:
        if opened is not False and not spills:
            message = f"Whether {part.name} opened fully as the body drained is not stated."
            sheet.add(part.fully, "not_determined", message)
            sheet.note("missing_reading", "/opened_fully", message)
            state = "failed" if state == "failed" else "unknown"
    elif fully and opened is False:
        message = f"{sentence(part.name)} is reported as not opened, and as opened fully; the two contradict each other."
        sheet.add(part.fully, "not_determined", message, observed=True)
        sheet.note("contradictory_reading", "/opened_fully", message)
    else:
        outcome = sheet.add_fact(part.fully, fully)
        if outcome != "met" and state != "failed":
            # One that does not open fully may not be enough beside a check that leaks.
            state = "unknown"
    if spills and state != "failed":
        state = "weak"
    return sheet.shows(state, number=shown.number, observed=shown.observed)


def _judge_opening(
    sheet: _Sheet, opened: bool | UnsetType, number: float | UnsetType, line_pressure: float, *, must_be_read: bool  # noqa: FBT001 - as stated
) -> PartShows:  # fmt: skip
    """A relief valve's or an air inlet's opening."""
    part = sheet.part
    if sheet.conditions.test_kit_fault:
        unread = judge_unread(sheet.conditions, sheet.place)
        sheet.findings += unread.findings
        return sheet.shows("weak" if sheet.findings[0].outcome == "not_met" else "unknown")
    if number == 0 and opened is False:
        # Testers write 0 for "did not open".
        number = UNSET
    seen: FindingOutcome | None = None if opened is UNSET else sheet.add_fact(part.seen, opened)
    trusted: float | None = None
    if number is not UNSET:
        trusted = _judge_number(sheet, number, line_pressure, contradicted=opened is False)
    elif opened is not False:
        sheet.add(part.read, "not_determined", f"No differential is given for {part.name}.")
        if must_be_read:
            sheet.note("missing_reading", "/opened_at", f"Give the differential that {part.name} opened at.")
    state: State = "unknown"
    if seen == "not_met":
        state = "failed"
    elif trusted is not None:
        state = state_of_number(trusted, part.sound_from, sheet.conditions.accuracy)
        if state == "weak" and sheet.conditions.level != "level":
            state = "unknown"
    return sheet.shows(state, number=trusted, observed=None if number is UNSET else number)


def _judge_number(sheet: _Sheet, number: float, line_pressure: float, *, contradicted: bool) -> float | None:
    """Add the finding on a number against its minimum; returned where it can be trusted."""
    part, planned, conditions = sheet.part, sheet.part.read, sheet.conditions
    unit, at_least = part.unit, planned.at_least
    member = f"/{planned.criterion.quantity}"
    observed = float(number) + 0.0  # adding zero makes a negative zero plain
    # Less than a billionth is the rounding of somebody's conversion, not a reading.
    margin = round(observed - at_least, 9) + 0.0
    outcome: FindingOutcome = "met" if margin >= 0 else "not_met"
    said = f"{sentence(part.name)} {'held' if part.is_check else 'opened at'} {_digits(observed)} {unit}"
    message = f"{said}{';' if outcome == 'met' else ', where'} at least {_digits(at_least)} {unit} is required."
    trusted = True
    if contradicted:
        failed = _SEEN[part.seen.criterion.quantity][1]
        message = f"It is reported that {part.name} {failed}, and {_digits(observed)} {unit} beside that; the two contradict each other."
        outcome, trusted = "not_determined", False
        sheet.note("contradictory_reading", member, message)
    elif impossible := _impossible(observed, part, line_pressure):
        # Whether too high or too low: of a number that was never read nothing follows, and nothing of the protection either.
        outcome, trusted, message = "not_determined", False, f"{said}: {impossible}"
        sheet.note("impossible_reading", member, message)
    if observed > part.ceiling and (doubt := _doubt(observed, part)):
        sheet.note("unit_doubtful", member, f"{said}{doubt}")
    if trusted and part.is_check and (because := sheet.cancels("holds" if outcome == "met" else "leaks")):
        outcome, trusted, message = "not_determined", False, f"{said}, but that does not count. {because}"
    if trusted and conditions.level != "level" and (outcome == "met" or conditions.level == "high"):
        # Read on a gauge held too low, which reads high, a number below the minimum still fails.
        outcome, trusted = "not_determined", False
        message = (
            f"{said}, but the gauge was not at the level that the procedure states: test again with the gauge at that level."
        )
    probability: float | UnsetType = UNSET
    if trusted and conditions.uncertainty > 0 and conditions.level == "level":
        probability = round(conformance_probability(observed, at_least, conditions.uncertainty), 6)
        if part.near[0] <= probability <= part.near[1]:
            why = f"{_digits(observed)} {unit} lies so near {_digits(at_least)} {unit} that this gauge cannot tell surely"
            sheet.note("near_limit", member, f"{why}: the chance that the true value conforms is {probability:.0%}.")
    sheet.add(planned, outcome, message, observed=observed, margin=margin, probability=probability)
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


def judge_buffer(conditions: Conditions, planned: PlannedCriterion, place: Place, drop: float, opening: float) -> PartShows:
    """Check 1's drop less the relief valve's opening: a criterion in some rulebooks, a note in others.

    In a quiet RP the zone stands below the inlet by check 1's drop, so a relief valve that opens at that drop or above it would be
    discharging: such a pair cannot have been read, and nothing can pass on it. `place` is that of the part whose criterion it is.
    """
    sheet, unit, advisory = _Sheet(conditions, place, {}), place.part.unit, planned.criterion.advisory
    at_least, buffer = planned.at_least, round(drop - opening, 9)
    margin = round(buffer - at_least, 9) + 0.0
    pair = f"Check 1 held {_digits(drop)} {unit} and the relief valve opened at {_digits(opening)} {unit}"
    required = f"{'more than' if planned.criterion.above else 'at least'} {_digits(at_least)} {unit}"
    message = f"{pair}: a buffer of {_digits(buffer)} {unit}; {required} is required."
    outcome: FindingOutcome = "met"
    probability: float | UnsetType = UNSET
    if buffer <= 0:
        outcome = "not_determined" if advisory else "not_met"
        message = f"{pair}, which is not below it; a quiet assembly would be discharging, so the two cannot both have been read."
        sheet.note("relief_opening_not_below_check_1", "/opened_at", message)
    else:
        if margin < 0 or (margin == 0 and planned.criterion.above):
            outcome = "not_met"
            sheet.note("buffer_low", "/opened_at", message)
            if advisory:
                return sheet.shows("sound", pair=True)
        if conditions.uncertainty > 0:
            # Two readings of the same gauge, taken as independent.
            probability = round(conformance_probability(buffer, at_least, conditions.uncertainty * sqrt(2)), 6)
    sheet.add(planned, outcome, message, observed=buffer, margin=margin, probability=probability)
    return sheet.shows("unknown" if buffer <= 0 else "sound", pair=True)


def judge_buffer_unread(conditions: Conditions, planned: PlannedCriterion, place: Place) -> PartShows:
    """What is left to say of a buffer that is a criterion and whose readings cannot be had."""
    sheet = _Sheet(conditions, place, {})
    sheet.add(planned, "not_determined", "The buffer needs both check 1's drop and the relief valve's opening.")
    return sheet.shows("unknown")


def _digits(value: float) -> str:
    """A number as people write it: no trailing zeros, and digits enough that a reading just under a limit never reads like the limit."""
    return f"{value:.9g}"
