"""The whole judgement, in one readable function.

The rulebook in force on the day of the test is found; each phase is judged on its own; the last phase tested is the outcome; what the
report says of itself decides whether it may stand. The same test, received at the same moment, gives the same bytes.
"""

import datetime as dt

from msgspec import UNSET

from rules.errors import NotJudgeableError
from rules.field_test.answer import Acceptance, Action, Finding, Flag, JudgedBy, Outcome, PhaseVerdict, Verdict
from rules.field_test.criteria import PART_NAMES, PhaseFindings, find, gauged
from rules.field_test.diagnosis import diagnose
from rules.field_test.document import PreviousReadings, Test
from rules.field_test.flags import flag
from rules.field_test.plan import Plan, plan
from rules.field_test.plausibility import check_units, flags_of_repair, flags_of_repetition, flags_of_report
from rules.field_test.protection import protection
from rules.load import rulebook
from rules.rulebook import Deadline, Protection, Rulebook

CAUTION = "Local codes and a licensed tester decide; this verdict replaces neither."


def judge(test: Test, *, received_at: dt.datetime, previous: PreviousReadings | None = None) -> Verdict:
    """Judge a test; `received_at` is when its report was received, `previous` the last test's readings where they are known.

    UnknownRulebookError and NotInForceError where there is no rulebook for the day; DocumentError where a unit is missing.
    """
    check_units(test)
    book = rulebook(test.rulebook, test.performed_at.date())
    planned = plan(book, test.assembly.kind, test.units.pressure)
    gauge = gauged(test, planned)
    initial = find("initial", test.initial_test, test, planned, gauge)
    phases = [initial]
    if test.final_test is not UNSET:
        phases.append(find("final", test.final_test, test, planned, gauge))
    verdicts = [PhaseVerdict(outcome=_outcome(one), protection=protection(planned.kind, one.findings)) for one in phases]
    last, outcome = verdicts[-1], verdicts[-1].outcome
    findings = [finding for phase in phases for finding in phase.findings]
    flags = [
        *flags_of_report(test, planned, received_at),
        *(one for phase in phases for one in phase.flags),
        *flags_of_repair(test, verdicts[0].outcome, initial.findings),
        *flags_of_repetition(test, verdicts[0].outcome, previous),
    ]
    if test.declared is not UNSET and test.declared != outcome:
        flags.append(
            flag(
                "declared_outcome_differs", "/declared", f"The report declares {test.declared!r}; the readings show {outcome!r}."
            )
        )
    acceptance = _acceptance(flags)
    return Verdict(
        outcome=outcome,
        initial=verdicts[0],
        final=verdicts[1] if len(verdicts) > 1 else None,
        acceptance=acceptance,
        rulebook=JudgedBy(id=book.id, in_force_from=book.in_force_from, digest=book.digest),
        units=test.units,
        findings=findings,
        flags=flags,
        diagnosis=diagnose(planned.kind.kind, findings),
        actions=_actions(test, book, last, acceptance),
        summary=_summary(planned, phases[-1], last, repaired=len(phases) > 1 and verdicts[0].outcome == "fail"),
        caution=CAUTION,
    )


def _outcome(phase: PhaseFindings) -> Outcome:
    outcomes = {finding.outcome for finding in phase.findings}
    return "fail" if "not_met" in outcomes else "incomplete" if "not_determined" in outcomes else "pass"


def _acceptance(flags: list[Flag]) -> Acceptance:
    severities = {one.severity for one in flags}
    return "refused" if "refuse" in severities else "held" if "hold" in severities else "accepted"


def deadline(book: Rulebook, hazard: str, left: Protection) -> Deadline:
    """How soon a failed assembly is mended; NotJudgeableError where the rulebook does not say."""
    for one in book.deadlines:
        if hazard in one.hazards and left in one.protection:
            return one
    raise NotJudgeableError(f"Rulebook {book.id} names no deadline for {hazard} with protection {left}.")


def _actions(test: Test, book: Rulebook, last: PhaseVerdict, acceptance: Acceptance) -> list[Action]:
    actions: list[Action] = []
    if last.outcome == "fail":
        if last.protection == "lost":
            because = "No barrier is left: until it is mended, shut the assembly off or isolate what it serves."
            actions.append(Action(code="shut_off_or_isolate", within_days=0, because=because))
        by = deadline(book, test.assembly.hazard, last.protection)
        actions.append(Action(code="repair_and_retest", within_days=by.days, because=by.says, source=book.cite(by)))
    elif last.outcome == "incomplete":
        because = "Something needed is missing or cannot be trusted; mend what the findings name, and test again."
        by = deadline(book, test.assembly.hazard, last.protection)
        actions.append(Action(code="complete_the_test", within_days=by.days, because=because, source=book.cite(by)))
    if acceptance == "held":
        actions.append(
            Action(code="review_report", because="A person should look at what is flagged before this report stands as a record.")
        )
    elif acceptance == "refused":
        actions.append(
            Action(
                code="test_anew",
                because="What is flagged keeps this report from standing as a record; a test that meets the rules is still due.",
            )
        )
    due = book.limit("report.due")
    actions.append(Action(code="send_report", within_days=int(due.at_most or 0), because=due.says, source=book.cite(due)))
    return actions


_LEFT: dict[Protection, str] = {
    "full": "its barriers still stand",
    "degraded": "it would still stop backflow today, but with fewer barriers than it should have",
    "lost": "it cannot be relied on to stop backflow",
    "unknown": "what it would do today cannot be told",
}


def _summary(planned: Plan, phase: PhaseFindings, last: PhaseVerdict, *, repaired: bool) -> str:
    name = planned.kind.name
    if last.outcome == "pass":
        return f"This {name} {'failed at first, was repaired, and ' if repaired else ''}passed its test: {_LEFT['full'].replace('still ', '')}."
    wanted = "not_met" if last.outcome == "fail" else "not_determined"
    parts = list(dict.fromkeys(_part(planned, finding) for finding in phase.findings if finding.outcome == wanted))
    listed = parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
    if last.outcome == "fail":
        return f"This {name} failed its test at {listed}: {_LEFT[last.protection]}. It has to be repaired and tested again."
    return f"The test of this {name} is not complete ({listed} could not be judged): {_LEFT[last.protection]}. It has to be tested again."


def _part(planned: Plan, finding: Finding) -> str:
    part = (
        "the buffer between check 1 and the relief valve"
        if finding.rule.endswith(".buffer")
        else f"the {PART_NAMES[finding.component]}"
    )
    return f"{part} of the {finding.line} line" if len(planned.kind.lines) > 1 else part
