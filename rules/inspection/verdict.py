"""The judgement of an inspection: findings by the placement rules, protection no surer than they are, actions by the rulebook's deadlines.

The same inspection, received at the same moment, gives the same bytes.
"""

import datetime as dt

from msgspec import UNSET

from rules.field_test.actions import completion, deadline
from rules.field_test.answer import Acceptance, Action, Flag, JudgedBy, Outcome, SuitabilityReason
from rules.field_test.flags import severities
from rules.field_test.plausibility import flags_of_class
from rules.field_test.verdict import CAUTION
from rules.hazard_classes import found_hazard
from rules.inspection.document import Inspection, InspectionVerdict
from rules.inspection.findings import Found, find
from rules.inspection.texts import sentence
from rules.load import catalogue, rulebook
from rules.local_rulebook import LocalVersion
from rules.rulebook import Limit, Rulebook
from rules.selection.suitability import Suitability, suitability_of
from rules.sources import Provenance
from rules.standing.place import worst_protection


def inspect(
    inspection: Inspection,
    *,
    received_at: dt.datetime,
    corrected: Outcome | None = None,
    local: LocalVersion | None = None,
) -> InspectionVerdict:
    """Judge an inspection; `received_at` is when its report was received, `corrected` how the report came out that it corrects.

    `local` is the local rulebook that lies over the inspection's. UnknownRulebookError and NotInForceError where there is no rulebook for
    the day; DocumentError for a word for its hazard that the rulebook does not have.
    """
    day, assembly = inspection.performed_at.date(), inspection.assembly
    book = rulebook(inspection.rulebook if local is None else local, day)
    hazard = found_hazard(book, assembly.hazard, assembly.hazard_class, "/assembly")
    found = find(inspection, day)
    place = suitability_of(
        inspection.rulebook,
        day,
        assembly.kind,
        hazard,
        assembly.purpose,
        backpressure_possible=assembly.backpressure_possible,
    )
    flags = [
        *flags_of_class(hazard.word),
        *_flags_of_moment(book, inspection, received_at),
        *_flags_of_inspector(book, inspection, day),
        *_flags_of_findings(inspection, found, place, corrected),
    ]
    severities = {found.severity for found in flags}
    acceptance: Acceptance = "refused" if "refuse" in severities else "held" if "hold" in severities else "accepted"
    return InspectionVerdict(
        outcome=found.outcome,
        protection=worst_protection(found.protection, place),
        mechanical_protection=found.protection,
        acts_as=found.acts_as,
        suitable=place.suitable,
        suitability=SuitabilityReason(
            because=place.because, source=place.source, missing=place.missing, serves=() if place.suitable else place.serves
        ),
        acceptance=acceptance,
        rulebook=JudgedBy(
            id=book.id,
            in_force_from=book.in_force_from,
            digest=book.digest,
            local_version=UNSET if book.local is UNSET else book.local.version,
        ),
        placement_digest=found.digest,
        units=inspection.units,
        findings=[finding for _, finding in found.judged],
        flags=flags,
        actions=_actions(book, hazard.hazard, found, place, acceptance),
        summary=_summary(inspection, hazard.hazard, found, place, acceptance),
        caution=CAUTION,
    )


def _flag(code: str, pointer: str, message: str, *, case: str, rests_on: Provenance = "published") -> Flag:
    """A flag of an inspection; one that rests on what is only common practice never refuses a report."""
    severity = severities()[code]
    if severity == "refuse" and rests_on == "common_practice":
        severity = "hold"
    return Flag(code=code, severity=severity, pointer=pointer, message=message, parameters={"case": f"inspection.{case}"})


def _flags_of_moment(book: Rulebook, inspection: Inspection, received_at: dt.datetime) -> list[Flag]:
    """The flag on an inspection dated after its report, by as much as the rulebook lets clocks differ."""
    ahead = inspection.performed_at - received_at
    if ahead <= dt.timedelta(minutes=book.limit("clock.ahead").at_most or 0):
        return []
    if ahead <= dt.timedelta(hours=book.limit("clock.ahead.held").at_most or 0):
        return [_flag("clock_ahead", "/performed_at", sentence("flag", "ahead"), case="ahead")]
    hours = int(book.limit("clock.ahead.held").at_most or 0)
    return [_flag("performed_in_future", "/performed_at", sentence("flag", "in_future", hours=hours), case="in_future")]


def _flags_of_inspector(book: Rulebook, inspection: Inspection, day: dt.date) -> list[Flag]:
    """The flags on who inspected. Nothing is required of the inspector where the rulebook states nothing."""
    inspector = inspection.inspector
    duty = next((entry for entry in book.inspections if entry.certified and inspection.assembly.kind in entry.kinds), None)
    if duty is None:
        return []
    stated = inspector is not UNSET and UNSET not in (inspector.certificate, inspector.valid_from, inspector.valid_until)
    known = book.cite(duty).provenance
    if inspector is not UNSET and inspector.valid_from is not UNSET and day < inspector.valid_from:
        message = sentence("flag", "not_yet_valid", day=inspector.valid_from.isoformat())
        return [_flag("tester_not_certified", "/inspector/valid_from", message, rests_on=known, case="not_yet_valid")]
    if inspector is not UNSET and inspector.valid_until is not UNSET and day > inspector.valid_until:
        message = sentence("flag", "expired", day=inspector.valid_until.isoformat())
        return [_flag("tester_not_certified", "/inspector/valid_until", message, rests_on=known, case="expired")]
    message = sentence("flag", "not_stated", rule=duty.says)
    return [] if stated else [_flag("tester_unknown", "/inspector", message, case="not_stated")]


def _flags_of_findings(inspection: Inspection, found: Found, place: Suitability, corrected: Outcome | None) -> list[Flag]:
    flags: list[Flag] = []
    if not found.judged:
        name = catalogue()[inspection.assembly.kind].name
        message = sentence("flag", "no_rules", rulebook=inspection.rulebook, kind=name)
        flags.append(_flag("no_criteria", "/rulebook", message, case="no_rules"))
    elif found.outcome == "incomplete":
        missing = dict.fromkeys(name for _, finding in found.decisive for name in finding.missing)
        flags += [
            _flag("missing_reading", f"/installation/{name.replace('.', '/')}", finding.message, case="not_determined")
            for name in missing
            for finding in [next(one for _, one in found.decisive if name in one.missing)]
        ]
    if place.suitable is False:
        flags.append(_flag("kind_not_for_hazard", "/assembly/hazard", place.because, case="not_suitable"))
    if inspection.declared not in (UNSET, found.outcome):
        message = sentence("flag", "declared", declared=str(inspection.declared), outcome=found.outcome)
        flags.append(_flag("declared_outcome_differs", "/declared", message, case="declared"))
    if corrected == "fail" and found.outcome != "fail":
        flags.append(_flag("failure_corrected", "/supersedes", sentence("flag", "corrected"), case="corrected"))
    return flags


def _actions(book: Rulebook, hazard: str, found: Found, place: Suitability, acceptance: Acceptance) -> list[Action]:
    """What to do, the most urgent first."""
    actions: list[Action] = []
    if found.acts_as is not None:
        by = deadline(book, hazard, found.acts_as)
        source = book.cite(by)
        if found.acts_as == "lost" and hazard != "non_health":
            because = sentence("action", "isolate")
            isolate = book.cite(book.limit("isolate.lost"))
            actions.append(Action(code="isolate_at_once", within_days=0, because=because, source=isolate))
        if acceptance == "refused":
            because = sentence("action", "again", deadline=by.says)
            actions.append(Action(code="retest", within_days=by.days, because=because, source=source, counts_from=by.counts_from))
        else:
            remedies = " ".join(dict.fromkeys(rule.remedy for rule, one in found.decisive if one.outcome == "not_met"))
            because = sentence("action", "put_right", remedies=remedies, deadline=by.says)
            repair = Action(
                code="repair_and_retest", within_days=by.days, because=because, source=source, counts_from=by.counts_from
            )
            actions.append(repair)
    elif acceptance == "refused":
        actions.append(Action(code="retest", because=sentence("action", "again_unjudged")))
    elif found.outcome == "incomplete" and found.judged:
        limit = completion(book, hazard)
        measures = " ".join(dict.fromkeys(rule.measure for rule, one in found.decisive if one.outcome == "not_determined"))
        because = sentence("action", "complete", measures=measures, deadline=limit.says)
        actions.append(_by_limit(book, "complete_the_test", limit, because))
    if place.suitable is False:
        kinds = " or ".join(catalogue()[kind].name for kind in place.serves)
        because = sentence("action", "replace", because=place.because, kinds=kinds)
        actions.append(Action(code="replace_assembly", because=because, source=place.source or UNSET))
    if hazard == "unknown":
        actions.append(Action(code="assess_hazard", because=sentence("action", "assess")))
    if acceptance == "held":
        actions.append(Action(code="review_report", because=sentence("action", "review")))
    due = book.limit("report.due")
    actions.append(_by_limit(book, "file_report", due, due.says))
    return actions


def _by_limit(book: Rulebook, code: str, limit: Limit, because: str) -> Action:
    return Action(
        code=code,
        within_days=int(limit.at_most or 0),
        because=because,
        source=book.cite(limit),
        counts_from="test",
        business_days=limit.unit == "business_days",
    )


def _summary(inspection: Inspection, hazard: str, found: Found, place: Suitability, acceptance: Acceptance) -> str:
    """A sentence on what was found, and what nobody who reads it alone may miss."""
    name = catalogue()[inspection.assembly.kind].name
    if not found.judged:
        parts = [sentence("summary", "no_rules", kind=name, rulebook=inspection.rulebook)]
    elif found.outcome == "pass":
        parts = [sentence("summary", "pass", kind=name, left=found.protection)]
    else:
        wanted = "not_met" if found.outcome == "fail" else "not_determined"
        count = sum(finding.outcome == wanted for _, finding in found.decisive)
        of = len(found.decisive)
        parts = [sentence("summary", found.outcome, kind=name, count=count, of=of, left=found.protection)]
    if place.suitable is False:
        parts.append(sentence("summary", "not_suitable"))
    elif hazard == "unknown":
        parts.append(sentence("summary", "not_assessed"))
    elif place.missing:
        parts.append(sentence("summary", "suitability_unknown", because=place.because))
    if acceptance != "accepted":
        parts.append(sentence("summary", acceptance))
    return " ".join(parts)
