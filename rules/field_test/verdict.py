"""The whole judgement, in one readable function.

The rulebook in force on the day of the test is found; each phase is judged on its own; the last phase tested is the outcome; what the
report says of itself decides whether it may stand. The same test, received at the same moment, gives the same bytes.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Final

from msgspec import UNSET

from rules.field_test.actions import actions
from rules.field_test.answer import Acceptance, Flag, Verdict
from rules.field_test.diagnosis import diagnose
from rules.field_test.document import PreviousReadings, Test
from rules.field_test.flags import flag
from rules.field_test.phase import gauged, judge_phase
from rules.field_test.plan import plan
from rules.field_test.plausibility import check_units, flags_of_repair, flags_of_repetition, flags_of_report
from rules.field_test.summary import summary
from rules.load import rulebook

CAUTION: Final = "Local codes and a licensed tester decide; this verdict replaces neither."


def judge(test: Test, *, received_at: dt.datetime, previous: PreviousReadings | None = None) -> Verdict:
    """Judge a test; `received_at` is when its report was received, `previous` the last test's readings where they are known.

    UnknownRulebookError and NotInForceError where there is no rulebook for the day; DocumentError where a unit is missing.
    """
    check_units(test)
    performed_on = test.performed_at.date()
    planned = plan(rulebook(test.rulebook, performed_on), test.assembly.kind, test.units.pressure)
    gauge = gauged(test, planned)
    initial = last = judge_phase(planned, "initial", test.initial_test, gauge)
    flags = flags_of_report(test, planned, received_at, performed_on)
    flags += initial.flags
    findings = initial.findings
    if test.final_test is not UNSET:
        last = judge_phase(planned, "final", test.final_test, gauge)
        flags += last.flags
        findings = findings + last.findings
    outcome = last.verdict.outcome
    flags += flags_of_repair(test, planned.kind, initial)
    flags += flags_of_repetition(test, initial, last, previous)
    if test.declared is not UNSET and test.declared != outcome:
        message = f"The report declares {test.declared!r}; the readings show {outcome!r}."
        flags.append(flag("declared_outcome_differs", "/declared", message))
    acceptance = _acceptance(flags)
    return Verdict(
        outcome=outcome,
        initial=initial.verdict,
        final=None if last is initial else last.verdict,
        acceptance=acceptance,
        rulebook=planned.judged_by,
        units=test.units,
        findings=findings,
        flags=flags,
        diagnosis=[] if initial.verdict.outcome == outcome == "pass" else diagnose(planned.kind.kind, findings),
        actions=list(actions(planned, test.assembly.hazard, last.verdict, acceptance)),
        summary=summary(planned, last, repaired=last is not initial and initial.verdict.outcome == "fail"),
        caution=CAUTION,
    )


def _acceptance(flags: Sequence[Flag]) -> Acceptance:
    acceptance: Acceptance = "accepted"
    for one in flags:
        if one.severity == "refuse":
            return "refused"
        if one.severity == "hold":
            acceptance = "held"
    return acceptance
