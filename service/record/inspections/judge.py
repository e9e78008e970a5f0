"""Judging a reported inspection by what the registry knows, and judging a recorded one again."""

import datetime as dt

import msgspec
from msgspec import UNSET, UnsetType

import rules
from rules import inspection
from service.auth.access import Principal
from service.problems import fault, problem_of
from service.record.inspections.schemas import InspectionFacts, KeptInspection
from service.record.reports import rests
from service.record.reports.judging import Judged, content_hash, moment_there
from service.record.reports.leaf import hashed
from service.record.reports.rests import RestsOn
from service.record.reports.rows import FactsRow, ReportRow
from service.record.reports.schemas import Submission
from service.registry.calendar import today
from service.registry.schemas import Certificate, UtilityOnRecord

_encode = msgspec.json.Encoder().encode


def judge(utility: UtilityOnRecord, submission: Submission, known: FactsRow, corrected: rules.Outcome | None) -> Judged:
    """The inspection with its verdict; `corrected` is how the one came out that it corrects. ProblemError for ids not registered."""
    facts: InspectionFacts = submission.facts
    document = as_judged(utility, facts, known)
    previous = None if corrected is None else _encode(rules.PreviousReadings(readings=[], corrected=corrected))
    verdict = inspection.inspect(document, received_at=submission.received_at, corrected=corrected, local=utility.applied)
    content, judged, given = _encode(facts), _encode(document), _encode(verdict)
    who: Principal = submission.principal
    row = ReportRow(
        id=submission.id,
        assembly_id=facts.assembly_id,
        tester_id=None if facts.tester_id is UNSET else facts.tester_id,
        gauge_id=None,
        performed_at=facts.performed_at,
        performed_on=today(utility, min(facts.performed_at, submission.received_at)),
        received_at=submission.received_at,
        reason=facts.reason,
        supersedes=None if facts.supersedes is UNSET else facts.supersedes,
        organisation_id=who.organisation_id,
        key_id=who.key_id,
        content_hash=content_hash(facts),
        content=content.decode(),
        judged=judged.decode(),
        verdict=given.decode(),
        outcome=verdict.outcome,
        protection=verdict.protection,
        acceptance=verdict.acceptance,
        rulebook=verdict.rulebook.id,
        rulebook_digest=verdict.rulebook.digest,
        previous=None if previous is None else previous.decode(),
        company_id=who.company if known.tester_organisation_id is None else known.tester_organisation_id,
        mechanical_protection=verdict.mechanical_protection,
        failed_protection=verdict.mechanical_protection if verdict.outcome == "fail" else None,
        acts_as=verdict.acts_as,
    )
    row = hashed(utility.code, row, (content, judged, given, previous))
    return Judged(
        submission=submission,
        known=known,
        rests=RestsOn(tests=[]),
        row=row,
        verdict=given,
        event=rests.event_of(row, None, verdict.mechanical_protection),
        latest=None,
    )


def judge_again(
    judged: bytes | str, previous: bytes | str | None, received_at: dt.datetime, local: rules.LocalVersion | None
) -> bytes:
    """The verdict that today's rules give on what a recorded inspection was judged on, under that version of the local rulebook."""
    document = msgspec.json.decode(judged, type=inspection.Inspection)
    before = None if previous is None else msgspec.json.decode(previous, type=rules.PreviousReadings).corrected
    corrected = None if before is UNSET else before
    return _encode(inspection.inspect(document, received_at=received_at, corrected=corrected, local=local))


def as_judged(utility: UtilityOnRecord, facts: KeptInspection, known: FactsRow) -> inspection.Inspection:
    """The inspection with the registry's facts in place of the ids."""
    faults = []
    if not known.assembly_known:
        faults.append(fault("not_registered", pointer="/assembly_id", name="assembly_id"))
    elif not rules.catalogue().is_inspected(known.kind):
        faults.append(fault("tested_not_inspected", pointer="/assembly_id", kind=known.kind))
    if facts.tester_id is not UNSET and not known.tester_known:
        faults.append(fault("not_registered", pointer="/tester_id", name="tester_id"))
    if facts.rulebook is not UNSET and facts.rulebook != utility.rulebook:
        faults.append(fault("wrong_rulebook", pointer="/rulebook", rulebook=utility.rulebook))
    if faults:
        raise problem_of(faults)
    performed_at = moment_there(utility, facts.performed_at)
    on = performed_at.date()
    # A word of a rulebook that the utility had before is left out: the degree registered with it is what is left.
    fits = known.hazard_class is not None and rules.fits_hazard(utility.rulebook, on, known.hazard, known.hazard_class)
    return inspection.Inspection(
        rulebook=utility.rulebook,
        performed_at=performed_at,
        assembly=inspection.InspectedAssembly(
            kind=known.kind,  # type: ignore[arg-type]
            hazard=known.hazard,
            hazard_class=known.hazard_class if known.hazard_class is not None and fits else UNSET,
            purpose=known.purpose or UNSET,
            backpressure_possible=UNSET if known.backpressure_possible is None else known.backpressure_possible,
        ),
        units=facts.units,
        installation=facts.installation,
        inspector=_inspector(facts, known, on),
        declared=facts.declared,
    )


def _inspector(facts: KeptInspection, known: FactsRow, day: dt.date) -> rules.CertifiedTester | UnsetType:
    """The inspector's certificate: of a registered tester the one valid on the day, else the newest; of another only what is stated."""
    held = [] if facts.tester_id is UNSET else msgspec.json.decode(known.certificates or "[]", type=list[Certificate])
    if not held:
        return rules.CertifiedTester(certificate=facts.inspected_by)
    best = max(held, key=lambda one: (one.valid_from <= day <= one.valid_until, one.valid_until))
    return rules.CertifiedTester(certificate=best.certificate, valid_from=best.valid_from, valid_until=best.valid_until)
