"""What the report says of itself: the gauge, the tester, the times, the repairs → flags.

These decide whether a report may stand as a record; they never change what the readings show.
"""

import datetime as dt
from collections.abc import Sequence

from msgspec import UNSET

from rules.calendar import add_months
from rules.catalogue import AssemblyKind
from rules.errors import DocumentError
from rules.field_test.answer import Flag
from rules.field_test.document import AirInletReading, Gauge, PreviousReadings, Reading, ReliefValveReading, Repair, Test, Tester
from rules.field_test.flags import flag
from rules.field_test.phase import COMPONENT_OF, PhaseShows
from rules.field_test.plan import Plan
from rules.load import catalogue


def check_units(test: Test) -> None:
    """Refuse a document that tells a length without saying in what unit; DocumentError."""
    if test.units.length is not UNSET:
        return
    if test.assembly.size is not UNSET:
        raise DocumentError(
            "The assembly's size is told without a unit: add `length` to `units` (in, ft, mm or m).", "/units/length"
        )
    if test.gauge is not UNSET and test.gauge.height_above_assembly is not UNSET:
        raise DocumentError(
            "The gauge's height is told without a unit: add `length` to `units` (in, ft, mm or m).", "/units/length"
        )


def flags_of_report(test: Test, plan: Plan, received_at: dt.datetime, performed_on: dt.date) -> list[Flag]:
    """The flags on the gauge, the tester, the line pressure and the time; `performed_on` is the day of the test where it was made."""
    flags: list[Flag] = []
    if test.performed_at > received_at:
        flags.append(
            flag("performed_in_future", "/performed_at", "The test is dated after the moment at which its report was received.")
        )
    flags += _gauge(test.gauge if test.gauge is not UNSET else None, plan, performed_on)
    flags += _tester(test.tester if test.tester is not UNSET else None, plan.kind, performed_on)
    if test.line_pressure is not UNSET and not plan.line_pressure[0] <= test.line_pressure <= plan.line_pressure[1]:
        least, most = plan.line_pressure
        message = f"A line pressure of {test.line_pressure:g} {plan.unit} lies outside {least:.4g}–{most:.4g} {plan.unit}; look at the maker's plate."
        flags.append(flag("line_pressure_out_of_range", "/line_pressure", message))
    return flags


def _gauge(gauge: Gauge | None, plan: Plan, performed_on: dt.date) -> list[Flag]:
    if gauge is None:
        return [flag("gauge_calibration_unknown", "/gauge", "Nothing is told of the gauge, so nothing vouches for its readings.")]
    flags: list[Flag] = []
    if gauge.calibrated_on is UNSET:
        flags.append(flag("gauge_calibration_unknown", "/gauge/calibrated_on", "When the gauge was calibrated is not told."))
    elif gauge.calibrated_on > performed_on:
        message = "The gauge's only calibration told was made after the test; what it read then is not vouched for."
        flags.append(flag("gauge_calibrated_after_test", "/gauge/calibrated_on", message))
    elif performed_on > add_months(gauge.calibrated_on, plan.calibration_months):
        message = f"The gauge was last calibrated on {gauge.calibrated_on.isoformat()}, more than {plan.calibration_months} months before the test."
        flags.append(flag("gauge_calibration_expired", "/gauge/calibrated_on", message))
    if gauge.accuracy is not UNSET and gauge.accuracy > plan.accuracy_at_most:
        message = f"The gauge is accurate to ±{gauge.accuracy:g} {plan.unit}; ±{plan.accuracy_at_most:.4g} {plan.unit} or better is asked."
        flags.append(flag("gauge_too_coarse", "/gauge/accuracy", message))
    if gauge.height_above_assembly is not UNSET and gauge.height_above_assembly != 0:
        what = (
            "the readings are corrected for the head of water in the hose"
            if plan.kind.single_hose
            else "both hoses are filled, so the differential stands"
        )
        flags.append(
            flag("gauge_not_level", "/gauge/height_above_assembly", f"The gauge did not stand level with the assembly; {what}.")
        )
    return flags


def certificate_covers(kinds: Sequence[str], kind: str) -> bool:
    """Whether a certificate for these kinds of test covers a kind: a detector assembly is tested as what it is made of."""
    return kind in kinds or catalogue()[kind].tested_as in kinds


def _tester(tester: Tester | None, kind: AssemblyKind, performed_on: dt.date) -> list[Flag]:
    if tester is None:
        return [flag("tester_unknown", "/tester", "Who tested, and with what certificate, is not told.")]
    flags: list[Flag] = []
    if tester.certificate is UNSET or tester.valid_from is UNSET or tester.valid_until is UNSET:
        message = "The certificate's number, first day and last day are not all told, so nothing shows that it was valid on the day of the test."
        flags.append(flag("tester_not_certified", "/tester", message))
    elif performed_on < tester.valid_from:
        message = f"The tester's certificate is valid from {tester.valid_from.isoformat()}, after the day of the test."
        flags.append(flag("tester_not_certified", "/tester/valid_from", message))
    elif performed_on > tester.valid_until:
        message = f"The tester's certificate was valid until {tester.valid_until.isoformat()}, before the day of the test."
        flags.append(flag("tester_not_certified", "/tester/valid_until", message))
    if tester.kinds is UNSET:
        flags.append(flag("tester_unknown", "/tester/kinds", "Which kinds the tester's certificate covers is not told."))
    elif not certificate_covers(tester.kinds, kind.kind):
        message = f"The tester's certificate does not cover testing a {kind.name}."
        flags.append(flag("tester_wrong_kind", "/tester/kinds", message))
    return flags


def flags_of_repair(test: Test, kind: AssemblyKind, initial: PhaseShows) -> list[Flag]:
    """The flags on repairs and the final test."""
    flags: list[Flag] = []
    repairs: Sequence[Repair] = () if test.repairs is UNSET else test.repairs
    for at, repair in enumerate(repairs):
        if repair.component is UNSET:
            caused = initial.verdict.outcome != "pass"
        elif repair.component in kind.components and repair.line in kind.lines:
            caused = initial.states[repair.line][kind.components.index(repair.component)] != "sound"
            # A buffer that is too small is mended at check 1 or at the relief valve, though each alone reads well.
            caused = caused or any(
                one.rule.endswith(".buffer") and one.line == repair.line and one.outcome != "met" for one in initial.findings
            )
        else:
            flags.append(
                flag("unexpected_component", f"/repairs/{at}", f"A {kind.name} has no such part; say which was repaired.")
            )
            continue
        if not caused:
            flags.append(
                flag("repair_without_cause", f"/repairs/{at}", "The initial test shows no failure of what was repaired.")
            )
    if test.final_test is UNSET:
        if repairs:
            message = "A repaired assembly is tested again at once; no final test is told."
            flags.append(flag("repair_not_retested", "/final_test", message))
    elif initial.verdict.outcome == "fail" and not repairs:
        message = "The initial test failed and a final test is told, but no repair; say what was done."
        flags.append(flag("final_without_repair", "/repairs", message))
    return flags


def flags_of_repetition(test: Test, initial: PhaseShows, last: PhaseShows, previous: PreviousReadings | None) -> list[Flag]:
    """The note on readings that repeat, digit for digit, what was read before."""
    if previous is not None:
        told = _numbers(test.initial_test.readings)
        if told and told == _numbers(previous.readings):
            message = "Every reading repeats the last test's, digit for digit."
            return [flag("reading_repeated", "/initial_test/readings", message)]
    if last is not initial and initial.verdict.outcome == "fail" and initial.observed == last.observed and any(initial.observed):
        message = "Every reading of the final test repeats the failing initial test's, digit for digit."
        return [flag("reading_repeated", "/final_test/readings", message)]
    return []


def _numbers(readings: Sequence[Reading]) -> dict[tuple[str, str], float]:
    numbers: dict[tuple[str, str], float] = {}
    for reading in readings:
        value = reading.opened_at if isinstance(reading, AirInletReading | ReliefValveReading) else reading.held_at
        if value is not UNSET:
            numbers[reading.line, COMPONENT_OF[type(reading)]] = value
    return numbers
