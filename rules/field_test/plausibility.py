"""What the report says beside its readings (tester, times, line pressure, repairs) → flags.

These decide whether a report is accepted; they never change the outcome of the readings.
"""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache
from typing import Final, get_args

from msgspec import UNSET, UnsetType

from rules.errors import DocumentError, RulesError
from rules.field_test.answer import Flag
from rules.field_test.circumstances import Circumstances
from rules.field_test.document import AirInletReading, CertifiedTester, Reading, ReliefValveReading, Repair, Test
from rules.field_test.flags import flag, flag_of
from rules.field_test.phase import CACHED
from rules.field_test.plan import Plan
from rules.field_test.plausible import read_instead
from rules.field_test.result import PhaseResult
from rules.load import catalogue
from rules.quantities import LengthUnit, PressureValue
from rules.rulebook import HazardWord

# Offsets are less than a day each way, so the same moment has dates that are at most this many days apart.
_ZONES_APART: Final = 2
_AT_ONCE: Final = dt.timedelta(0)


def lengths_without_unit(test: Test) -> list[RulesError]:
    """What is wrong with a document that states lengths without a unit of length: a DocumentError for each."""
    stated = {
        "/assembly/size": test.assembly.size is not UNSET,
        "/gauge/height_above_assembly": test.gauge is not UNSET and test.gauge.height_above_assembly is not UNSET,
    }
    return [
        DocumentError("length_without_unit", "/units/length", field=field, available=get_args(LengthUnit))
        for field, is_stated in stated.items()
        if is_stated
    ]


def flags_of_moment(plan: Plan, test: Test, received_at: dt.datetime, performed_on: dt.date) -> list[Flag]:
    """The flag on a test dated after its report; `performed_on` is the day where the test was made.

    Clocks differ by minutes: by how much one may be ahead is the rulebook's.
    """
    # Comparing moments of two zones costs as much as judging some readings. Days far enough apart decide without it, and a difference
    # costs half as much.
    if received_at.toordinal() - performed_on.toordinal() > _ZONES_APART or test.performed_at - received_at <= _AT_ONCE:
        return []
    ahead = test.performed_at - received_at
    nothing, held = plan.clock_ahead
    if ahead <= nothing:
        return []
    if ahead <= held:
        return [flag("clock_ahead", "/performed_at")]
    return [flag("performed_in_future", "/performed_at", hours=held // dt.timedelta(hours=1))]


def flags_of_line_pressure(line_pressure: PressureValue | UnsetType, plan: Plan) -> list[Flag]:
    """The flags on a line pressure that is unusual for a water supply, or above what assemblies are made for."""
    least, most = plan.line_pressure
    if line_pressure is UNSET or least <= line_pressure <= most:
        return []
    observed, words = float(line_pressure), {"observed": f"{line_pressure:g}"}
    flags = [
        flag(
            "line_pressure_out_of_range",
            "/line_pressure",
            in_words={**words, "at_least": f"{least:.4g}", "at_most": f"{most:.4g}"},
            observed=observed,
            at_least=least,
            at_most=most,
            pressure_unit=plan.unit,
        )
    ]
    if observed > plan.highest_line_pressure:
        other = read_instead(observed, plan.unit, plan.highest_line_pressure)
        if other is None:
            doubt = flag(
                "unit_doubtful",
                "/line_pressure",
                in_words=words,
                case="line_pressure",
                observed=observed,
                pressure_unit=plan.unit,
            )
        else:
            doubt = flag(
                "unit_doubtful",
                "/line_pressure",
                in_words={**words, "converted": f"{other.value:.3g}"},
                case="line_pressure_in_other_unit",
                observed=observed,
                pressure_unit=plan.unit,
                other_unit=other.unit,
                converted=other.value,
            )
        flags.append(doubt)
    return flags


def flags_of_suitability(place: Circumstances) -> list[Flag]:
    """The flags on the rulebook's word for the hazard, and on a kind that its tables do not approve for this hazard and use."""
    flags = flags_of_class(place.word)
    if place.suitable is not False:
        return flags
    return [*flags, flag("kind_not_for_hazard", "/assembly/hazard", in_words={"because": place.suitability.because})]


def flags_of_class(word: HazardWord | None) -> list[Flag]:
    """The note on the rulebook's word for the hazard, where it is stated by one: as what it acts."""
    if word is None:
        return []
    if word.acts_as is None:
        code, stated = "hazard_class_unclear", {"hazard_class": word.word}
    else:
        code, stated = "hazard_class_acts_as", {"hazard_class": word.word, "acts_as": word.acts_as}
    return [flag_of(code, "/assembly/hazard_class", stated, in_words={"clause": word.clause, "rule_says": word.says})]


def certificate_covers(kinds: Sequence[str], kind: str) -> bool:
    """Whether a certificate for these kinds covers a kind: a detector assembly is tested like the assemblies it is made of."""
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
    """The flags on the tester, and whether the certificate covered that kind on that day; the same on all days of `certified`."""
    if tester is UNSET:
        return [flag("tester_unknown", "/tester", case="no_tester")]
    kind = plan.kind
    flags: list[Flag] = []
    first, last = certified(tester)
    if performed_on < first:
        flags.append(flag("tester_not_certified", "/tester/valid_from", case="not_yet", valid_from=first.isoformat()))
    elif performed_on > last:
        flags.append(flag("tester_not_certified", "/tester/valid_until", case="expired", valid_until=last.isoformat()))
    elif tester.certificate is UNSET or tester.valid_from is UNSET or tester.valid_until is UNSET:
        flags.append(flag("tester_unknown", "/tester", case="certificate"))
    if tester.kinds is UNSET:
        flags.append(flag("tester_unknown", "/tester/kinds", case="kinds"))
    elif not certificate_covers(tester.kinds, kind.kind):
        flags.append(flag("tester_wrong_kind", "/tester/kinds", kind=kind.kind))
    return flags


@lru_cache(maxsize=CACHED)
def flags_of_repair(
    plan: Plan,
    repairs: tuple[Repair, ...],
    initial: PhaseResult,
    retested: bool,  # noqa: FBT001 - a keyword would make the cache slower
) -> tuple[Flag, ...]:
    """The flags on repairs and the final test."""
    flags: list[Flag] = []
    for at, repair in enumerate(repairs):
        if repair.component is UNSET:
            caused = initial.outcome != "pass"
        elif (repair.line, repair.component) in plan.place_of:
            caused = (repair.line, repair.component) in initial.suspect
        else:
            flags.append(flag("unexpected_component", f"/repairs/{at}", case="repair", kind=plan.kind.kind))
            continue
        if not caused:
            flags.append(flag("repair_without_cause", f"/repairs/{at}"))
    if not retested:
        if repairs:
            flags.append(flag("repair_not_retested", "/final_test"))
    elif initial.outcome == "fail" and not repairs:
        flags.append(flag("final_without_repair", "/repairs"))
    return tuple(flags)


def repeats(readings: Sequence[Reading], previous: Sequence[Reading]) -> bool:
    """Whether every reading equals one of the previous readings and the other way round, and there is a number besides 0."""
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
