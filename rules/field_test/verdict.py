"""The whole judgement, in one readable function.

It finds the rulebook in force on the day of the test and judges each phase on its own. The last phase tested is the outcome; what the
report
says beside its readings decides whether it is accepted. The same test, received at the same moment, gives the same bytes.
"""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache
from math import inf
from typing import Final

from msgspec import UNSET, Struct, UnsetType

from rules.errors import RulesError, together
from rules.field_test.actions import actions, hindrances
from rules.field_test.answer import Acceptance, Action, Diagnosis, Finding, Flag, Outcome, PhaseVerdict, ProtectionReason, Verdict
from rules.field_test.circumstances import Circumstances, circumstances
from rules.field_test.conditions import conditions_of
from rules.field_test.diagnosis import diagnose
from rules.field_test.document import CertifiedTester, GaugeUsed, PreviousReadings, Test
from rules.field_test.flags import flag, on_paper
from rules.field_test.gauge import Gauged, calibration_valid, flags_of_gauge, gauged
from rules.field_test.phase import CACHED, judge_phase
from rules.field_test.plan import Plan, plan_on
from rules.field_test.plausibility import (
    certified,
    flags_of_line_pressure,
    flags_of_moment,
    flags_of_repair,
    flags_of_suitability,
    flags_of_tester,
    lengths_without_unit,
    repeats,
)
from rules.field_test.protection import phase_verdict, reasons
from rules.field_test.result import PhaseResult
from rules.field_test.summary import summary
from rules.local_rulebook import LocalVersion
from rules.quantities import LengthUnit
from rules.texts import texts

_NOT_HINDERED: Final[frozenset[str]] = frozenset()
CAUTION: Final = texts("field_test").templates["summary"]["caution"]


def judge(
    test: Test, *, received_at: dt.datetime, previous: PreviousReadings | None = None, local: LocalVersion | None = None
) -> Verdict:
    """Judge a test; `received_at` is when its report was received, `previous` the last test's readings where they are known.

    `previous` also holds the outcome of the report that this one corrects. `local` is the local rulebook that lies over the test's.
    UnknownRulebookError and NotInForceError where there is no rulebook for the
    day; DocumentError where a unit is missing.
    """
    performed_on = test.performed_at.date()
    plan = _plan(test, performed_on, local)
    place = circumstances(plan.rulebook.id, performed_on, test.assembly)
    context = _test_context(plan, place, test.units.length, test.gauge, test.tester)
    line_pressure = inf if test.line_pressure is UNSET else test.line_pressure
    findings: list[Finding] = []

    # Before the readings: when, with which gauge, by whom, at what line pressure.
    flags = flags_of_moment(plan, test, received_at, performed_on)
    if plan.no_criteria is not None:
        flags.append(flag("no_criteria", "/rulebook", in_words={"rule_says": plan.no_criteria.says}))
    elif plan.rulebook.left_open("criteria") is not None:
        flags.append(flag("criteria_stated_by_utility", "/rulebook"))
    if context.first <= performed_on <= context.last:
        flags += context.flags
    else:
        flags += _context_flags(plan, place, test.gauge, test.tester, performed_on)
    flags += flags_of_line_pressure(test.line_pressure, plan)

    # The initial test, the repair, the final test.
    phase = test.initial_test
    last = initial = judge_phase(conditions_of(plan, "initial", context.gauged, phase), phase, line_pressure, findings, flags)
    final = None
    if test.final_test is not UNSET:
        phase = test.final_test
        last = final = judge_phase(conditions_of(plan, "final", context.gauged, phase), phase, line_pressure, findings, flags)
    flags += flags_of_repair(plan, () if test.repairs is UNSET else tuple(test.repairs), initial, final is not None)
    declared = _declared(test, last.outcome)
    outcome = declared or last.outcome
    flags += _flags_of_comparison(test, previous, initial, outcome)
    if test.accepted_on_paper:
        flags = [on_paper(found) for found in flags]

    # What follows: whether the report is accepted, the protection left, the likely causes, and what to do.
    acceptance = _acceptance(flags) if flags else "accepted"
    hindered = hindrances(flags, retested=final is not None) if flags and declared is None else _NOT_HINDERED
    consequences = _consequences(
        plan, place, initial=initial, final=final, acceptance=acceptance, hindered=hindered, declared=declared
    )
    return Verdict(
        outcome=outcome,
        basis="judged" if declared is None else "declared",
        initial=consequences.initial,
        final=consequences.final,
        suitable=place.suitable,
        suitability=place.suitability,
        protection_reasons=consequences.reasons,
        acceptance=acceptance,
        rulebook=plan.judged_by,
        units=test.units,
        findings=findings,
        flags=flags,
        diagnosis=consequences.diagnosis,
        actions=_unfiled(consequences.actions) if test.accepted_on_paper else consequences.actions,
        summary=consequences.summary,
        caution=CAUTION,
    )


def _unfiled(actions: tuple[Action, ...]) -> tuple[Action, ...]:
    """What to do after a report that was accepted on paper, and is filed already."""
    return tuple(action for action in actions if action.code != "file_report")


def _plan(test: Test, performed_on: dt.date, local: LocalVersion | None) -> Plan:
    """The plan by the rulebook in force on the day of the test; the errors of `judge`, all at once."""
    faults = lengths_without_unit(test) if test.units.length is UNSET else None
    try:
        plan = plan_on(test.rulebook if local is None else local, performed_on, test.assembly.kind, test.units.pressure)
    except RulesError as error:
        raise together(*(faults or ()), error) from None
    if faults:
        raise together(*faults)
    return plan


def _flags_of_comparison(test: Test, previous: PreviousReadings | None, initial: PhaseResult, outcome: Outcome) -> list[Flag]:
    """The flags on readings that repeat others, on a corrected failure, and on a declared outcome that the readings do not show."""
    flags: list[Flag] = []
    if previous is not None and repeats(test.initial_test.readings, previous.readings):
        flags.append(flag("reading_repeated", "/initial_test/readings", case="previous_test"))
    elif (
        test.final_test is not UNSET
        and initial.outcome == "fail"
        and repeats(test.final_test.readings, test.initial_test.readings)
    ):
        flags.append(flag("reading_repeated", "/final_test/readings", case="initial_test"))
    if previous is not None and previous.corrected == "fail" and outcome != "fail":
        flags.append(flag("failure_corrected", "/supersedes"))
    if test.declared is not UNSET and test.declared != outcome:
        flags.append(flag("declared_outcome_differs", "/declared", declared=test.declared, outcome=outcome))
    return flags


def _declared(test: Test, outcome: Outcome) -> Outcome | None:
    """The outcome that a report declares, where it was accepted on paper and its readings decide nothing; None where they do."""
    if not test.accepted_on_paper or outcome != "incomplete" or test.declared is UNSET or test.declared == "incomplete":
        return None
    return test.declared


class TestContext(Struct, frozen=True, kw_only=True):
    """What many tests have in common beside their readings: the gauge, and the flags on gauge, tester and kind from `first` to `last` day.

    On those days the stated calibration and certificate are both valid; on any other day the flags are that day's own.
    """

    __test__ = False
    gauged: Gauged
    flags: list[Flag]
    first: dt.date
    last: dt.date


@lru_cache(maxsize=CACHED)
def _test_context(
    plan: Plan,
    place: Circumstances,
    length: LengthUnit | UnsetType,
    gauge: GaugeUsed | UnsetType,
    tester: CertifiedTester | UnsetType,
) -> TestContext:
    of_gauge, of_tester = calibration_valid(plan, gauge), certified(tester)
    first, last = max(of_gauge[0], of_tester[0]), min(of_gauge[1], of_tester[1])
    return TestContext(
        gauged=gauged(plan, gauge, length), flags=_context_flags(plan, place, gauge, tester, first), first=first, last=last
    )


def _context_flags(
    plan: Plan, place: Circumstances, gauge: GaugeUsed | UnsetType, tester: CertifiedTester | UnsetType, performed_on: dt.date
) -> list[Flag]:
    return [
        *flags_of_gauge(plan, gauge, performed_on),
        *flags_of_tester(plan, tester, performed_on),
        *flags_of_suitability(place),
    ]


class Consequences(Struct, frozen=True, kw_only=True):
    """What follows from the results of the phases, whatever the numbers were."""

    initial: PhaseVerdict
    final: PhaseVerdict | None
    reasons: tuple[ProtectionReason, ...]
    diagnosis: tuple[Diagnosis, ...]
    actions: tuple[Action, ...]
    summary: str


@lru_cache(maxsize=4096)
def _consequences(
    plan: Plan,
    place: Circumstances,
    *,
    initial: PhaseResult,
    final: PhaseResult | None,
    acceptance: Acceptance,
    hindered: frozenset[str],
    declared: Outcome | None,
) -> Consequences:
    kind, last = plan.kind.kind, initial if final is None else final
    first = phase_verdict(kind, place, initial.outcome, initial.lines)
    second = None if final is None else phase_verdict(kind, place, final.outcome, final.lines)
    verdict = first if second is None else second
    if declared is not None:
        # Somebody saw the result, and nobody here knows what of: nothing is said of the parts.
        verdict = PhaseVerdict(
            outcome=declared,
            protection="unknown",
            mechanical_protection="unknown",
            acts_as="lost" if declared == "fail" else None,
        )
        first, second = (verdict, None) if second is None else (first, verdict)
    return Consequences(
        initial=first,
        final=second,
        reasons=reasons(kind, place, last.lines) if declared is None else (),
        # Both phases passed, or nobody knows what was seen: nothing is there to diagnose.
        diagnosis=()
        if declared is not None or initial.outcome == last.outcome == "pass"
        else diagnose(kind, initial.results if final is None else initial.results + final.results),
        actions=actions(plan, place, verdict, acceptance, hindered),
        summary=summary(
            plan,
            place,
            last,
            verdict,
            acceptance,
            repaired=final is not None and initial.outcome == "fail",
            declared=declared is not None,
        ),
    )


def _acceptance(flags: Sequence[Flag]) -> Acceptance:
    acceptance: Acceptance = "accepted"
    for found in flags:
        if found.severity == "refuse":
            return "refused"
        if found.severity == "hold":
            acceptance = "held"
    return acceptance
