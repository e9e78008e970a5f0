"""A test report in plain words: what both the page and the printable paper say, so that the two cannot part.

It is made from what a receipt holds, and from the few facts of the register that let a person find the assembly and the gauge. People
appear by their certificates, not by name; premises appear by the utility's own reference.
"""

import datetime as dt
from typing import Final

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules
from rules.inspection import InspectedAssembly
from service.receipts.store import SheetFacts
from service.receipts.token import AnyContent, InspectionReceiptContent, ReceiptContent
from service.registry.schemas import Size

_RESULTS: Final = {"met": "met", "not_met": "NOT met", "not_determined": "not determined"}
_OUTCOMES: Final = {"pass": "Passed", "fail": "Failed", "incomplete": "Could not be judged"}
_DECLARED: Final = ", as declared on paper; not judged here"
_PROTECTION: Final = {
    "full": "Full: all of its barriers are working.",
    "degraded": "Degraded: it would still stop backflow, but with less protection than it should have.",
    "insufficient": "Insufficient: its parts work, but this kind is not approved for this hazard or use.",
    "lost": "Lost: it cannot be relied on to stop backflow.",
    "unknown": "Unknown: the readings do not show what it would do.",
}
_ACCEPTANCE: Final = {
    "accepted": "The report is accepted as a record.",
    "held": "A person at the utility must review this report before it is accepted as a record.",
    "refused": "The report is not accepted as a record.",
}
_DECIDED: Final = {
    "accepted": "The report was held. The utility has accepted it as a record.",
    "refused": "The report was held. The utility has refused it as a record.",
    "void": "The utility has voided this report. It does not count as a test of this assembly.",
}
_STANDINGS: Final = {
    "current": "tested, next test due {due}",
    "due_soon": "tested, next test due soon, by {due}",
    "overdue": "OVERDUE: the test was due {due}",
    "failed": "FAILED and not yet repaired; repair and retest due {due}",
    "untested": "no accepted test on record",
    "out_of_service": "out of service",
}
_INSPECTED: Final = {
    "current": "inspected, next inspection due {due}",
    "due_soon": "inspected, next inspection due soon, by {due}",
    "overdue": "OVERDUE: the inspection was due {due}",
    "failed": "FAILED and not yet corrected; the new inspection is due {due}",
    "untested": "no accepted inspection on record",
    "out_of_service": "out of service",
}
_SHUTOFFS: Final = {
    "tight": "tight",
    "leaking": "leaking",
    "leaking_no_flow_proved": "leaking, but no flow proved",
    "not_checked": "not checked",
}


class Row(Struct, frozen=True, kw_only=True):
    """One reading against its limit, or one repair."""

    part: str
    found: str
    limit: str = ""
    result: str = ""
    good: bool = True


class PhaseSheet(Struct, frozen=True, kw_only=True):
    """An initial test, or the final test after repair."""

    name: str
    outcome: str
    shutoffs: str
    rows: list[Row]


class Sheet(Struct, frozen=True, kw_only=True):
    """The report; `facts` are label and value, in reading order."""

    title: str
    inspected: bool = False
    """Whether it is an inspection rather than a test."""
    outcome: str
    passed: bool
    summary: str
    protection: str
    acceptance: str
    standing: str | None
    facts: list[tuple[str, str]]
    phases: list[PhaseSheet]
    repairs: list[Row]
    notes: list[str]
    actions: list[str]
    rulebook: str
    sources: list[str]
    drawing: str
    caution: str


def sheet(content: AnyContent, known: SheetFacts | None, standing: rules.Standing | None) -> Sheet:
    """The report in words; `known` and `standing` come from the register, where the report is on record."""
    if isinstance(content, InspectionReceiptContent):
        return _sheet_of_inspection(content, known, standing)
    verdict, report = content.verdict, content.report
    kind = rules.catalogue()[content.assembly.kind]
    last = verdict.initial if verdict.final is None else verdict.final
    two_lines = len(kind.lines) > 1
    phases = [_phase("Initial test", "initial", verdict.initial, report.initial_test, verdict, two_lines=two_lines)]
    if verdict.final is not None and report.final_test is not UNSET:
        phases.append(_phase("Final test", "final", verdict.final, report.final_test, verdict, two_lines=two_lines))
    return Sheet(
        title=f"Test of a {kind.name}",
        outcome=_OUTCOMES[verdict.outcome] + (_DECLARED if verdict.basis == "declared" else ""),
        passed=verdict.outcome == "pass",
        summary=verdict.summary,
        protection=_PROTECTION[last.protection],
        acceptance=_ACCEPTANCE[verdict.acceptance] if known is None or known.decision is None else _DECIDED[known.decision],
        standing=None if standing is None else _standing(standing),
        facts=_facts(content, known, kind.name),
        phases=phases,
        repairs=[
            Row(part=_part(repair.component, repair.line if two_lines else ""), found=f"{_words(repair.part)} {repair.action}")
            for repair in ([] if report.repairs is UNSET else report.repairs)
        ],
        notes=[flag.message for flag in verdict.flags],
        actions=[f"{action.because}" for action in verdict.actions],
        rulebook=f"{verdict.rulebook.id}, as in force since {verdict.rulebook.in_force_from} ({verdict.rulebook.digest})",
        sources=list(dict.fromkeys(f"{finding.source.title}, {finding.source.clause}" for finding in verdict.findings)),
        drawing=rules.operation.draw_verdict(content.assembly.kind, verdict),
        caution=verdict.caution,
    )


def _sheet_of_inspection(content: InspectionReceiptContent, known: SheetFacts | None, standing: rules.Standing | None) -> Sheet:
    """An inspection in words: each rule against what was seen or measured."""
    verdict, kind = content.verdict, rules.catalogue()[content.assembly.kind]
    rows = [
        Row(
            part=kind.name,
            found=finding.message,
            limit="" if finding.at_least is UNSET else f"at least {finding.at_least:g} {finding.unit}",
            result=_RESULTS[finding.outcome],
            good=finding.outcome == "met",
        )
        for finding in verdict.findings
    ]
    return Sheet(
        inspected=True,
        title=f"Inspection of {'an' if kind.name[0] in 'aeiou' else 'a'} {kind.name}",
        outcome=_OUTCOMES[verdict.outcome],
        passed=verdict.outcome == "pass",
        summary=verdict.summary,
        protection=_PROTECTION[verdict.protection],
        acceptance=_ACCEPTANCE[verdict.acceptance] if known is None or known.decision is None else _DECIDED[known.decision],
        standing=None if standing is None else _standing(standing, _INSPECTED),
        facts=_facts_of_inspection(content, known, kind.name),
        phases=[PhaseSheet(name="Inspection", outcome=_OUTCOMES[verdict.outcome], shutoffs="", rows=rows)],
        repairs=[],
        notes=[flag.message for flag in verdict.flags],
        actions=[action.because for action in verdict.actions],
        rulebook=f"{verdict.rulebook.id}, as in force since {verdict.rulebook.in_force_from} ({verdict.rulebook.digest})",
        sources=list(dict.fromkeys(f"{finding.source.title}, {finding.source.clause}" for finding in verdict.findings)),
        drawing="",
        caution=verdict.caution,
    )


def _phase(
    name: str, which: str, result: rules.PhaseVerdict, phase: rules.Phase, verdict: rules.Verdict, *, two_lines: bool
) -> PhaseSheet:
    unit = verdict.units.pressure
    rows = [
        Row(
            part=_part(finding.component, finding.line if two_lines else ""),
            found=finding.message,
            limit="" if finding.at_least is UNSET else f"at least {finding.at_least:g} {unit}",
            result=_RESULTS[finding.outcome],
            good=finding.outcome == "met",
        )
        for finding in verdict.findings
        if finding.phase == which
    ]
    shut = f"Shutoffs: inlet {_SHUTOFFS[phase.shutoffs.inlet]}, outlet {_SHUTOFFS[phase.shutoffs.outlet]}."
    return PhaseSheet(name=name, outcome=_OUTCOMES[result.outcome], shutoffs=shut, rows=rows)


def _part(component: str | UnsetType, line: str) -> str:
    part = "the assembly" if component is UNSET else _words(str(component))
    return f"{part}, {line} line" if line else part


def _hazard(assembly: rules.TestedAssembly | InspectedAssembly) -> str:
    """The hazard as stated: the rulebook's own word where one was, otherwise its degree."""
    degree = "" if assembly.hazard is UNSET else _words(assembly.hazard)
    return degree if assembly.hazard_class is UNSET else f"{assembly.hazard_class}{f' ({degree})' if degree else ''}"


def _words(code: str) -> str:
    return code.replace("_", " ")


def _standing(standing: rules.Standing, words: dict[str, str] = _STANDINGS) -> str:
    due = "–" if standing.due_on is None else _day(standing.due_on)
    return words[standing.status].format(due=due)


def _day(day: dt.date) -> str:
    return f"{day.day} {day:%B} {day:%Y}"


def _moment(moment: dt.datetime) -> str:
    # The offset as ISO 8601 ends with it; strftime knows it in that form from Python 3.12 on only.
    zone = f"(UTC{moment.isoformat()[-6:]})" if moment.utcoffset() else "UTC"
    return f"{_day(moment.date())}, {moment:%H:%M} {zone}"


def _where(content: AnyContent, known: SheetFacts | None, kind: str) -> list[tuple[str, str]]:
    """Whose assembly it is, which, and where."""
    found = [("Utility", content.report.utility if known is None else known.utility_name)]
    if known is not None and known.premises_reference is not None:
        found.append(("Premises", known.premises_reference))
    found.append(("Assembly", kind))
    for label, value in (
        ("Manufacturer", None if known is None else known.manufacturer),
        ("Model", None if known is None else known.model),
        ("Approval", None if known is None or known.approval is None else _words(known.approval)),
        ("Serial number", None if known is None else known.serial_number),
        ("Utility's number", None if known is None else known.assembly_number),
        ("Size", _size(known)),
        ("Location", None if known is None else known.position),
    ):
        if value is not None:
            found.append((label, value))
    return found


def _facts_of_inspection(content: InspectionReceiptContent, known: SheetFacts | None, kind: str) -> list[tuple[str, str]]:
    report, offset = content.report, content.report.performed_at.tzinfo
    return [
        *_where(content, known, kind),
        ("Hazard", _hazard(content.assembly)),
        ("Inspected", _moment(report.performed_at)),
        ("Received", _moment(report.received_at.astimezone(offset))),
        ("Reason", _words(report.reason)),
        ("Inspector", _tester(content.inspector)),
        ("Report", f"{report.id}"),
    ]


def _facts(content: ReceiptContent, known: SheetFacts | None, kind: str) -> list[tuple[str, str]]:
    report, found = content.report, _where(content, known, kind)
    offset = report.performed_at.tzinfo
    found += [
        ("Hazard", _hazard(content.assembly)),
        ("Tested", _moment(report.performed_at)),
        ("Received", _moment(report.received_at.astimezone(offset))),
        ("Reason", _words(report.reason)),
        ("Tester", _tester(content.tester)),
        ("Gauge", _gauge(content, known)),
    ]
    if report.line_pressure is not UNSET:
        found.append(("Line pressure", f"{report.line_pressure:g} {report.units.pressure}"))
    for label, stated in (("Installed correctly", report.installed_correctly), ("Relief valve air gap", report.relief_air_gap)):
        if stated is not UNSET:
            found.append((label, "yes" if stated else "NO"))
    if report.installed_as is not UNSET:
        found.append(("Installed as", _words(report.installed_as)))
    if report.replaced_serial_number is not UNSET:
        found.append(("Replaced serial number", report.replaced_serial_number))
    found.append(("Report", f"{report.id}"))
    return found


def _size(known: SheetFacts | None) -> str | None:
    if known is None or known.nominal_size is None:
        return None
    size = msgspec.json.decode(known.nominal_size, type=Size)
    return f"{size.size:g} {size.units.length}"


def _tester(tester: rules.CertifiedTester | UnsetType) -> str:
    if tester is UNSET or tester.certificate is UNSET:
        return "no certificate on record"
    valid = ""
    if tester.valid_from is not UNSET and tester.valid_until is not UNSET:
        valid = f", valid {_day(tester.valid_from)} to {_day(tester.valid_until)}"
    return f"certificate {tester.certificate}{valid}"


def _gauge(content: ReceiptContent, known: SheetFacts | None) -> str:
    gauge, unit = content.gauge, content.report.units.pressure
    number = "" if known is None else f"serial number {known.gauge_serial_number}, "
    if gauge is UNSET or gauge.calibrated_on is UNSET:
        return f"{number}no calibration on record"
    accuracy = "" if gauge.accuracy is UNSET else f", accuracy ±{gauge.accuracy:.3g} {unit}"
    return f"{number}calibrated {_day(gauge.calibrated_on)}{accuracy}"
