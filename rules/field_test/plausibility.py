"""What the report says of itself: the gauge, the tester, the times, the repairs → flags.

These decide whether a report may stand as a record; they never change what the readings show.
"""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from msgspec import UNSET, UnsetType

from rules.errors import DocumentError, RulesError
from rules.field_test.answer import Flag
from rules.field_test.circumstances import Circumstances
from rules.field_test.document import AirInletReading, CertifiedTester, Reading, ReliefValveReading, Repair, Test
from rules.field_test.flags import flag
from rules.field_test.phase import REMEMBERED
from rules.field_test.plan import Plan
from rules.field_test.plausible import read_instead
from rules.field_test.result import PhaseResult
from rules.load import catalogue
from rules.quantities import PressureValue

# Offsets are less than a day each way, so the same moment has dates that are at most this many days apart.
_ZONES_APART: Final = 2
_AT_ONCE: Final = dt.timedelta(0)


def lengths_without_unit(test: Test) -> list[RulesError]:
    """What is wrong with a document that tells no unit of length and yet tells lengths: a DocumentError for each."""
    told = {
        "/assembly/size": test.assembly.size is not UNSET,
        "/gauge/height_above_assembly": test.gauge is not UNSET and test.gauge.height_above_assembly is not UNSET,
    }
    return [
        DocumentError(f"`{pointer}` is told without a unit: add `length` to `units` (in, ft, mm or m).", "/units/length")
        for pointer, there in told.items()
        if there
    ]


def flags_of_moment(plan: Plan, test: Test, received_at: dt.datetime, performed_on: dt.date) -> list[Flag]:
    """The flag on a test dated after its report; `performed_on` is the day where the test was made.

    Clocks differ by minutes: by how much one may be ahead is the rulebook's.
    """
    # Comparing moments of two zones costs as much as judging some readings; days far enough apart decide without, and a difference is had
    # at half the price.
    if received_at.toordinal() - performed_on.toordinal() > _ZONES_APART or test.performed_at - received_at <= _AT_ONCE:
        return []
    ahead = test.performed_at - received_at
    nothing, held = plan.clock_ahead
    if ahead <= nothing:
        return []
    if ahead <= held:
        message = "The test is dated after the moment at which its report was received: check the clock and the date."
        return [flag("clock_ahead", "/performed_at", message)]
    message = "The test is dated more than a day after its report was received: correct `performed_at` and send the report again."
    return [flag("performed_in_future", "/performed_at", message)]


def flags_of_line_pressure(told: PressureValue | UnsetType, plan: Plan) -> list[Flag]:
    """The flags on a line pressure that is not that of a water supply, or none that an assembly is made for."""
    least, most = plan.line_pressure
    if told is UNSET or least <= told <= most:
        return []
    message = (
        f"A line pressure of {told:g} {plan.unit} lies outside {least:.4g}–{most:.4g} {plan.unit}; look at the maker's plate."
    )
    flags = [flag("line_pressure_out_of_range", "/line_pressure", message)]
    if told > plan.highest_line_pressure:
        instead = read_instead(told, plan.unit, plan.highest_line_pressure)
        message = f"A line pressure of {told:g} {plan.unit} is more than assemblies are made for.{instead} Look at the unit of all readings."
        flags.append(flag("unit_doubtful", "/line_pressure", message))
    return flags


def flags_of_suitability(place: Circumstances) -> list[Flag]:
    """The flag on a kind that the rulebook's tables do not approve for this hazard and use."""
    if place.suitable is not False:
        return []
    return [flag("kind_not_for_hazard", "/assembly/hazard", place.suitability.because)]


def certificate_covers(kinds: Sequence[str], kind: str) -> bool:
    """Whether a certificate for these kinds of test covers a kind: a detector assembly is tested as what it is made of."""
    return kind in kinds or catalogue()[kind].tested_as in kinds


def certified(tester: CertifiedTester | UnsetType) -> tuple[dt.date, dt.date]:
    """The first and the last day of the certificate; always, where that end is not stated."""
    if tester is UNSET:
        return dt.date.min, dt.date.max
    return (
        dt.date.min if tester.valid_from is UNSET else tester.valid_from,
        dt.date.max if tester.valid_until is UNSET else tester.valid_until,
    )


def flags_of_tester(plan: Plan, tester: CertifiedTester | UnsetType, performed_on: dt.date) -> list[Flag]:
    """The flags on who tested, whether a certificate covered that kind on that day; the same on all days of `certified`."""
    if tester is UNSET:
        return [flag("tester_unknown", "/tester", "Who tested, and with what certificate, is not stated.")]
    kind = plan.kind
    flags: list[Flag] = []
    first, last = certified(tester)
    if performed_on < first:
        message = f"The tester's certificate is valid from {first.isoformat()}, after the day of the test."
        flags.append(flag("tester_not_certified", "/tester/valid_from", message))
    elif performed_on > last:
        message = f"The tester's certificate was valid until {last.isoformat()}, before the day of the test."
        flags.append(flag("tester_not_certified", "/tester/valid_until", message))
    elif tester.certificate is UNSET or tester.valid_from is UNSET or tester.valid_until is UNSET:
        message = "The certificate's number, first day and last day are not all stated, so whether it was valid on the day of the test is unknown."
        flags.append(flag("tester_unknown", "/tester", message))
    if tester.kinds is UNSET:
        flags.append(flag("tester_unknown", "/tester/kinds", "Which kinds the tester's certificate covers is not stated."))
    elif not certificate_covers(tester.kinds, kind.kind):
        message = f"The tester's certificate does not cover testing a {kind.name}."
        flags.append(flag("tester_wrong_kind", "/tester/kinds", message))
    return flags


@lru_cache(maxsize=REMEMBERED)
def flags_of_repair(
    plan: Plan,
    repairs: tuple[Repair, ...],
    initial: PhaseResult,
    retested: bool,  # noqa: FBT001 - a keyword would make remembering dearer
) -> tuple[Flag, ...]:
    """The flags on repairs and the final test."""
    flags: list[Flag] = []
    kind = plan.kind
    for at, repair in enumerate(repairs):
        if repair.component is UNSET:
            caused = initial.outcome != "pass"
        elif (repair.line, repair.component) in plan.place_of:
            caused = (repair.line, repair.component) in initial.suspect
        else:
            flags.append(
                flag("unexpected_component", f"/repairs/{at}", f"A {kind.name} has no such part; say which was repaired.")
            )
            continue
        if not caused:
            flags.append(
                flag("repair_without_cause", f"/repairs/{at}", "The initial test shows no failure of what was repaired.")
            )
    if not retested:
        if repairs:
            message = "A repaired assembly is tested again at once; no final test is told."
            flags.append(flag("repair_not_retested", "/final_test", message))
    elif initial.outcome == "fail" and not repairs:
        message = "The initial test failed and a final test is told, but no repair; say what was done."
        flags.append(flag("final_without_repair", "/repairs", message))
    return tuple(flags)


def repeats(readings: Sequence[Reading], previous: Sequence[Reading]) -> bool:
    """Whether all that was observed is what was observed before, number by number and fact by fact, and there is a number besides 0."""
    # Nearly always the first reading differs, so that the rest is not compared.
    for reading in readings:
        if reading not in previous:
            return False
    for reading in previous:
        if reading not in readings:
            return False
    return any(_number(reading) for reading in readings)


def _number(reading: Reading) -> float | UnsetType:
    return reading.opened_at if isinstance(reading, AirInletReading | ReliefValveReading) else reading.held_at
