"""Reading against criterion → finding, for one part or one pair of readings at a time.

A reading exactly at the minimum passes; readings are taken as read and never rounded up or corrected. A number that cannot be trusted never
makes a pass: it contradicts another member, could not have been read, or was read on a gauge that was not level or against a leaking
shutoff
that can have caused it. The finding is then *not determined*, and a flag says why.

The result of a reading depends on a few values that recur (gauges are read in tenths), so the phase caches it.
"""

from collections.abc import Mapping
from math import inf, sqrt
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType

from rules.field_test.answer import Finding, FindingOutcome, Flag
from rules.field_test.conditions import Conditions
from rules.field_test.document import AirInletReading, CheckReading, Reading, ReliefValveReading
from rules.field_test.flags import flag_of
from rules.field_test.plan import Place, PlannedCriterion, PlannedPart
from rules.field_test.plausible import read_instead
from rules.field_test.protection import State
from rules.field_test.result import PartResult, part_result, state_of_number
from rules.field_test.shutoffs import Claim, Spoil
from rules.field_test.uncertainty import conformance_probability
from rules.texts import Value, minimum, number, sentence, texts

# The code of the message where a fact is so and where it is not, and the claim that a leaking shutoff can have caused in each case.
_FACTS: Final[dict[str, tuple[str, str, Claim | None, Claim]]] = {
    "closed_tight": ("closed_tight", "leaked", "holds", "leaks"),
    "tight_against_backpressure": ("tight_against_backpressure", "leaked_against_backpressure", "holds", "leaks"),
    "opened": ("opened", "did_not_open", None, "not_opened"),
    "opened_fully": ("opened_fully", "did_not_open_fully", None, "not_fully"),
}


_NO_WORDS: Final[Mapping[str, str]] = {}


class PartFlag(Struct, frozen=True, kw_only=True):
    """A flag whose pointer is relative to the reading or to the phase."""

    flag: Flag
    below: Literal["reading", "phase"]


class JudgedPart(Struct, frozen=True, kw_only=True, eq=False):
    """The findings and flags of one part, or of the pair of the buffer, and its result.

    `index` is that of its place; `observed` the number as read, and `number` the same where it can be trusted.
    """

    index: int
    findings: tuple[Finding, ...]
    flags: tuple[PartFlag, ...]
    result: PartResult
    number: float | None
    observed: float | None


class _PartJudge:
    """Collects the findings and flags of one part, under the conditions of its phase."""

    __slots__ = ("cancelled", "conditions", "findings", "flags", "part", "place")

    def __init__(self, conditions: Conditions, place: Place, cancelled: Mapping[Claim, Spoil]) -> None:
        self.conditions, self.place, self.part, self.cancelled = conditions, place, place.part, cancelled
        self.findings: list[Finding] = []
        self.flags: list[PartFlag] = []

    def add(
        self,
        planned: PlannedCriterion,
        outcome: FindingOutcome,
        code: str,
        words: Mapping[str, str] = _NO_WORDS,
        *,
        observed: float | bool | UnsetType = UNSET,
        margin: float | UnsetType = UNSET,
        probability: float | UnsetType = UNSET,
        parameters: dict[str, str | float] | UnsetType = UNSET,
    ) -> None:
        """Add a finding; `words` are the parameters of its message beside those of the part."""
        criterion = planned.criterion
        self.findings.append(
            Finding(
                rule=criterion.rule,
                phase=self.conditions.name,
                line=self.place.line,
                component=criterion.component,
                outcome=outcome,
                code=code,
                message=_message(code, self.part, words),
                source=planned.source,
                observed=observed,
                at_least=UNSET if criterion.at_least is None else planned.at_least,
                margin=margin,
                conformance_probability=probability,
                parameters=parameters,
            )
        )

    def add_flag(
        self,
        code: str,
        member: str,
        parameters: Mapping[str, Value] = _NO_WORDS,
        *,
        below: Literal["reading", "phase"] = "reading",
        in_words: Mapping[str, str] = _NO_WORDS,
    ) -> None:
        """Add a flag; `member` is the pointer below the reading or the phase."""
        self.flags.append(PartFlag(flag=flag_of(code, member, parameters, in_words=in_words), below=below))

    def leak_behind(self, claim: Claim | None) -> Spoil | None:
        """The leaking shutoff that can have caused that claim, with its flag added; None where there is none."""
        spoil = None if claim is None else self.cancelled.get(claim)
        if spoil is not None:
            self.add_flag(
                "shutoff_leak_unreadable",
                f"/shutoffs/{spoil.shutoff}",
                {"leak": spoil.code},
                below="phase",
                in_words={"leak": spoil.because, "repair": spoil.repair},
            )
        return spoil

    def add_fact(self, planned: PlannedCriterion, seen: bool) -> FindingOutcome:  # noqa: FBT001 - as stated
        """Add the finding on a fact that must be so (closed tight, opened, opened fully), and return its outcome."""
        code, code_not, claim, claim_not = _FACTS[planned.criterion.quantity]
        leak = self.leak_behind(claim if seen else claim_not)
        outcome: FindingOutcome = "not_determined" if leak is not None else "met" if seen else "not_met"
        stated = code if seen else code_not
        if leak is None:
            self.add(planned, outcome, stated, observed=seen)
        else:
            self.add_unreliable(planned, stated, leak, observed=seen)
        return outcome

    def add_unreliable(
        self,
        planned: PlannedCriterion,
        code: str,
        leak: Spoil,
        words: Mapping[str, str] = _NO_WORDS,
        *,
        observed: float | bool,
        margin: float | UnsetType = UNSET,
    ) -> None:
        """Add the finding on what a leaking shutoff can have caused."""
        self.add(
            planned,
            "not_determined",
            f"{code}.unreliable",
            {**words, "leak": leak.because},
            observed=observed,
            margin=margin,
            parameters={"leak": leak.code},
        )

    def finish(
        self, state: State, *, number: float | None = None, observed: float | None = None, pair: bool = False
    ) -> JudgedPart:
        """All findings and flags, with the result."""
        outcomes = tuple([(finding.rule, finding.outcome) for finding in self.findings])
        return JudgedPart(
            index=self.place.index,
            findings=tuple(self.findings),
            flags=tuple(self.flags),
            result=part_result(self.place.line, self.part.component, outcomes, state, pair=pair),
            number=number,
            observed=observed,
        )


def _message(code: str, part: PlannedPart, words: Mapping[str, str]) -> str:
    return sentence(texts("field_test").templates["findings"][code].format(**part.words, **words))


def judge_unread(conditions: Conditions, place: Place, *, doubled: bool = False) -> JudgedPart:
    """The findings on a part that was not read, or that was reported twice."""
    judging, part = _PartJudge(conditions, place, {}), place.part
    code = "read_twice" if doubled else "test_kit_failed" if conditions.test_kit_fault else "not_read"
    if code == "not_read" and place.only_line:
        judging.add_flag("missing_reading", "/readings", {"case": "part", "component": part.component}, below="phase")
    elif code == "not_read":
        judging.add_flag(
            "missing_reading",
            "/readings",
            {"case": "part_on_line", "component": part.component, "line": place.line},
            below="phase",
        )
    for planned in (part.read, part.fully):
        if planned is not None:
            judging.add(planned, "not_determined", code)
    return judging.finish("unknown")


def judge_reading(
    conditions: Conditions,
    place: Place,
    reading: Reading,
    line_pressure: float = inf,
    cancelled: Mapping[Claim, Spoil] | None = None,
) -> JudgedPart:
    """The findings on one reading; `cancelled` replaces the claims that a leaking shutoff cancels under these conditions."""
    if cancelled is None:
        cancelled = conditions.cancelled[place.part.component]
    judging = _PartJudge(conditions, place, cancelled)
    if reading.fluctuated is True:
        judging.add_flag("reading_fluctuated", "/fluctuated", {"component": place.part.component})
    if isinstance(reading, ReliefValveReading):
        return _judge_relief_valve(judging, reading, line_pressure)
    if isinstance(reading, AirInletReading):
        return _judge_air_inlet(judging, reading, line_pressure)
    return _judge_check(judging, reading, line_pressure)


def _judge_check(judging: _PartJudge, reading: Reading, line_pressure: float) -> JudgedPart:
    assert not isinstance(reading, ReliefValveReading | AirInletReading)  # noqa: S101 - narrows the type
    part, closed, number = judging.part, reading.closed_tight, reading.held_at
    against: bool | UnsetType = UNSET if isinstance(reading, CheckReading) else reading.tight_against_backpressure
    if judging.conditions.test_kit_fault:
        return judge_unread(judging.conditions, judging.place)
    if number == 0 and closed is False:
        # Testers write 0 beside "leaked".
        number = UNSET
    seen: list[FindingOutcome] = []
    if closed is not UNSET:
        seen.append(judging.add_fact(part.seen, closed))
    if against is not UNSET:
        if part.against is None:
            judging.add_flag(
                "unexpected_component",
                "/tight_against_backpressure",
                {"case": "backpressure", "component": part.component, "kind": judging.conditions.plan.kind.kind},
            )
        else:
            seen.append(judging.add_fact(part.against, against))
    trusted: float | None = None
    if number is not UNSET:
        trusted = _judge_number(judging, number, line_pressure, contradicted=closed is False)
    elif not seen or ("not_met" not in seen and part.read.criterion.alternative_to is None):
        judging.add(part.read, "not_determined", "number_missing")
        judging.add_flag("missing_reading", "/held_at", {"case": "held_at", "component": part.component})
    state: State = "unknown"
    if "not_met" in seen:
        # A field test does not show how large the leak is.
        state = "failed"
    elif trusted is not None:
        state = state_of_number(trusted, part.sound_from, judging.conditions.accuracy)
        if state == "weak" and ("holds" in judging.cancelled or judging.conditions.level != "level"):
            # It holds less than it read, and may not hold at all.
            state = "unknown"
    elif number is UNSET and "met" in seen:
        # It holds. Whether it holds its minimum is known only where tightness alone is enough, or was seen against backpressure.
        state = "sound" if part.read.criterion.alternative_to is not None or against is True else "weak"
    drop = None if "holds" in judging.cancelled or judging.conditions.level != "level" else trusted
    return judging.finish(state, number=drop, observed=None if number is UNSET else number)


def _judge_relief_valve(judging: _PartJudge, reading: ReliefValveReading, line_pressure: float) -> JudgedPart:
    part, opened, number = judging.part, reading.opened, reading.opened_at
    if reading.discharging == "continuous":
        assert part.quiet is not None  # noqa: S101 - each rulebook that judges relief valves says so
        judging.add(part.quiet, "not_met", "discharging", observed=False)
        judging.add(part.read, "not_determined", "discharging_not_read", observed=number)
        if opened is False:
            judging.add_flag("contradictory_reading", "/opened", {"case": "discharging"})
        return judging.finish("discharging", observed=None if number is UNSET else number)
    if reading.discharging == "intermittent":
        judging.add_flag("relief_valve_discharging", "/discharging")
    return _judge_opening(judging, opened, number, line_pressure, must_be_read=True)


def _judge_air_inlet(judging: _PartJudge, reading: AirInletReading, line_pressure: float) -> JudgedPart:
    part, opened, fully = judging.part, reading.opened, reading.opened_fully
    spills = reading.spilling == "continuous"
    if spills:
        assert part.quiet is not None  # noqa: S101 - each rulebook that judges air inlets says so
        judging.add(part.quiet, "not_met", "spilling", observed=False)
    elif reading.spilling == "intermittent":
        judging.add_flag("air_inlet_spilling", "/spilling")
    opening = _judge_opening(judging, opened, reading.opened_at, line_pressure, must_be_read=not spills)
    if judging.conditions.test_kit_fault or part.fully is None:
        return opening
    state = opening.result.state
    if fully is UNSET:
        if opened is not False and not spills:
            judging.add(part.fully, "not_determined", "opened_fully_not_stated")
            judging.add_flag("missing_reading", "/opened_fully", {"case": "opened_fully", "component": part.component})
            state = "failed" if state == "failed" else "unknown"
    elif fully and opened is False:
        judging.add(part.fully, "not_determined", "opened_fully_contradicted", observed=True)
        judging.add_flag("contradictory_reading", "/opened_fully", {"case": "opened_fully", "component": part.component})
    else:
        outcome = judging.add_fact(part.fully, fully)
        if outcome != "met" and state != "failed":
            # An air inlet that does not open fully may not be enough beside a check that leaks.
            state = "unknown"
    if spills and state != "failed":
        state = "weak"
    return judging.finish(state, number=opening.number, observed=opening.observed)


def _judge_opening(
    judging: _PartJudge,
    opened: bool | UnsetType,  # noqa: FBT001 - as stated
    number: float | UnsetType,
    line_pressure: float,
    *,
    must_be_read: bool,
) -> JudgedPart:
    """The findings on the opening of a relief valve or an air inlet."""
    part = judging.part
    if judging.conditions.test_kit_fault:
        unread = judge_unread(judging.conditions, judging.place)
        judging.findings += unread.findings
        return judging.finish("weak" if judging.findings[0].outcome == "not_met" else "unknown")
    if number == 0 and opened is False:
        # Testers write 0 for "did not open".
        number = UNSET
    seen: FindingOutcome | None = None if opened is UNSET else judging.add_fact(part.seen, opened)
    trusted: float | None = None
    if number is not UNSET:
        trusted = _judge_number(judging, number, line_pressure, contradicted=opened is False)
    elif opened is not False:
        judging.add(part.read, "not_determined", "number_missing")
        if must_be_read:
            judging.add_flag("missing_reading", "/opened_at", {"case": "opened_at", "component": part.component})
    state: State = "unknown"
    if seen == "not_met":
        state = "failed"
    elif trusted is not None:
        state = state_of_number(trusted, part.sound_from, judging.conditions.accuracy)
        if state == "weak" and judging.conditions.level != "level":
            state = "unknown"
    return judging.finish(state, number=trusted, observed=None if number is UNSET else number)


def _judge_number(judging: _PartJudge, reading: float, line_pressure: float, *, contradicted: bool) -> float | None:
    """Add the finding on a number against its minimum; returned where it can be trusted."""
    part, planned, conditions = judging.part, judging.part.read, judging.conditions
    at_least, quantity = planned.at_least, planned.criterion.quantity
    member = f"/{quantity}"
    observed = float(reading) + 0.0  # adding zero makes a negative zero plain
    # Less than a billionth is the rounding of somebody's conversion, not a reading.
    margin = round(observed - at_least, 9) + 0.0
    outcome: FindingOutcome = "met" if margin >= 0 else "not_met"
    digits = number(observed)
    words = {"observed": digits, "at_least": planned.digits or minimum(at_least, observed)}
    common: dict[str, Value] = {"component": part.component, "quantity": quantity, "observed": observed, "unit": part.unit}
    impossible = None if contradicted else _impossible(observed, part, line_pressure)
    if contradicted:
        fault = part.seen.criterion.quantity
        judging.add(
            planned, "not_determined", "number.contradicted", {**words, "fault": _fault(fault)}, observed=observed, margin=margin
        )
        judging.add_flag(
            "contradictory_reading",
            member,
            {"case": "number", "component": part.component, "fault": fault, "observed": observed, "unit": part.unit},
        )
    elif impossible is not None:
        # Nothing follows from a number that was never read, whether too high or too low, and nothing for the protection either.
        case, limit = impossible
        limits: dict[str, str | float] = {} if limit is None else {"limit": limit}
        judging.add(
            planned,
            "not_determined",
            f"number.{case}",
            {**words, "limit": "" if limit is None else number(limit)},
            observed=observed,
            margin=margin,
            parameters=limits or UNSET,
        )
        judging.add_flag("impossible_reading", member, {"case": case, **common, **limits})
    if observed > part.ceiling:
        _flag_unit(judging, member, observed, common)
    if contradicted or impossible is not None:
        return None
    if part.is_check and (leak := judging.leak_behind("holds" if outcome == "met" else "leaks")) is not None:
        judging.add_unreliable(planned, "number", leak, words, observed=observed, margin=margin)
        return None
    if conditions.level != "level" and (outcome == "met" or conditions.level == "high"):
        # A gauge held too low reads high, so a number below the minimum still fails.
        judging.add(planned, "not_determined", "number.gauge_not_level", words, observed=observed, margin=margin)
        return None
    probability: float | UnsetType = UNSET
    if conditions.uncertainty > 0 and conditions.level == "level":
        probability = round(conformance_probability(observed, at_least, conditions.uncertainty), 6)
        if part.near[0] <= probability <= part.near[1]:
            at_least_words = {"at_least": words["at_least"]}
            judging.add_flag(
                "near_limit", member, {**common, "at_least": at_least, "probability": probability}, in_words=at_least_words
            )
    judging.add(planned, outcome, "number", words, observed=observed, margin=margin, probability=probability)
    return observed


def _fault(quantity: str) -> str:
    return texts("field_test").words["fault"][quantity]


def _impossible(value: float, part: PlannedPart, line_pressure: float) -> tuple[str, float | None] | None:
    """Why a number could not have been read, with the limit that it exceeds; None where it could."""
    if value < 0:
        return "negative", None
    if value > line_pressure:
        return "above_line_pressure", line_pressure
    if value > part.most_plausible:
        return "above_gauge", part.most_plausible
    return None


def _flag_unit(judging: _PartJudge, member: str, observed: float, common: Mapping[str, Value]) -> None:
    """Add the flag on a number whose unit is doubtful, unless it is impossible in every smaller unit too."""
    part = judging.part
    other = read_instead(observed, part.unit, part.ceiling)
    limit = {"limit": number(round(part.ceiling, 2))}
    if other is not None:
        judging.add_flag(
            "unit_doubtful",
            member,
            {
                "case": "reading_in_other_unit",
                **common,
                "limit": part.ceiling,
                "other_unit": other.unit,
                "converted": other.value,
            },
            in_words={**limit, "converted": f"{other.value:.3g}"},
        )
    elif observed <= part.most_plausible:
        judging.add_flag("unit_doubtful", member, {"case": "reading", **common, "limit": part.ceiling}, in_words=limit)


def judge_buffer(conditions: Conditions, planned: PlannedCriterion, place: Place, drop: float, opening: float) -> JudgedPart:
    """Check 1's differential less the relief valve's opening: a criterion in some rulebooks, a note in others.

    In a quiet RP the zone is below the inlet by check 1's differential, so a relief valve that opens at that differential or above it would
    be discharging: such a pair cannot have been read, and nothing can pass on it. `place` is that of the part whose criterion it is.
    """
    judging, unit, advisory = _PartJudge(conditions, place, {}), place.part.unit, planned.criterion.advisory
    at_least, buffer = planned.at_least, round(drop - opening, 9)
    margin = round(buffer - at_least, 9) + 0.0
    code = "buffer.above" if planned.criterion.above else "buffer"
    words = {
        "drop": number(drop),
        "opening": number(opening),
        "observed": number(buffer),
        "at_least": planned.digits or minimum(at_least, buffer),
    }
    parameters: dict[str, str | float] = {"drop": drop, "opening": opening}
    outcome: FindingOutcome = "met"
    probability: float | UnsetType = UNSET
    if buffer <= 0:
        outcome, code = "not_determined" if advisory else "not_met", "buffer.contradicted"
        judging.add_flag("relief_opening_not_below_check_1", "/opened_at", {**parameters, "unit": unit})
    else:
        if margin < 0 or (margin == 0 and planned.criterion.above):
            outcome = "not_met"
            case: dict[str, Value] = {"case": "above"} if planned.criterion.above else {}
            judging.add_flag(
                "buffer_low",
                "/opened_at",
                {**case, **parameters, "observed": buffer, "at_least": at_least, "unit": unit},
                in_words={"at_least": words["at_least"]},
            )
            if advisory:
                return judging.finish("sound", pair=True)
        if conditions.uncertainty > 0:
            # Two readings of the same gauge, taken as independent.
            probability = round(conformance_probability(buffer, at_least, conditions.uncertainty * sqrt(2)), 6)
    judging.add(planned, outcome, code, words, observed=buffer, margin=margin, probability=probability, parameters=parameters)
    return judging.finish("unknown" if buffer <= 0 else "sound", pair=True)


def judge_buffer_unread(conditions: Conditions, planned: PlannedCriterion, place: Place) -> JudgedPart:
    """The finding on a buffer that is a criterion and whose readings are not both known."""
    judging = _PartJudge(conditions, place, {})
    judging.add(planned, "not_determined", "buffer_not_read")
    return judging.finish("unknown")
