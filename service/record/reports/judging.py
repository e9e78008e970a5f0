"""Judging a report: what the registry knows in place of ids, the verdict, and the row that keeps both.

What a report was judged on (the test whole, and the readings of the test before it) is kept beside its verdict, so that it can be judged
again years later and give the same bytes.
"""

import datetime as dt
import hashlib
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
from msgspec import UNSET, Struct

import rules
from service.problems import ProblemError, fault, problem, problem_of, rules_fault
from service.record.reports import rests
from service.record.reports.leaf import hashed
from service.record.reports.rests import Latest, RestsOn
from service.record.reports.rows import FactsRow, ReportRow
from service.record.reports.schemas import ReportFacts, Submission
from service.registry.calendar import today
from service.registry.schemas import Calibration, Certificate, Size, UtilityOnRecord


class Judged(Struct, frozen=True, kw_only=True):
    """A submission with its verdict, before it is written; `event` and `latest` are what the next reports of the assembly need of it."""

    submission: Submission
    known: FactsRow
    rests: RestsOn
    row: ReportRow
    verdict: bytes
    event: rules.TestEvent
    latest: Latest | None


_encode = msgspec.json.Encoder().encode
_readings = msgspec.json.Decoder(rules.PreviousReadings).decode
_REMEMBERED = 1_024
"""So many testers' certificates and gauges' calibrations are kept as they were decoded last: few people send many reports."""


@lru_cache(_REMEMBERED)
def _calibrated_on(result: str) -> list[dt.date]:
    return sorted(item.calibrated_on for item in msgspec.json.decode(result, type=list[Calibration]))


@lru_cache(_REMEMBERED)
def _certificates(result: str) -> list[Certificate]:
    return msgspec.json.decode(result, type=list[Certificate])


def check_moment(performed_at: dt.datetime) -> None:
    """ProblemError for a moment that no clock shows, or no database keeps: the calendar ends before it in UTC."""
    if (impossible := rules.offset_fault(performed_at, "/performed_at")) is not None:
        raise problem_of([rules_fault(impossible)])
    try:
        performed_at.astimezone(dt.UTC)
    except OverflowError:
        raise _beyond_the_calendar() from None


def day_of_test(utility: UtilityOnRecord, performed_at: dt.datetime) -> dt.date:
    """The day of a test where the utility is; ProblemError where the calendar ends before it, there or in UTC."""
    return moment_there(utility, performed_at).date()


def moment_there(utility: UtilityOnRecord, performed_at: dt.datetime) -> dt.datetime:
    """The moment of a test by the utility's own clock, which says on which day certificates and calibrations must be valid."""
    check_moment(performed_at)
    try:
        return performed_at.astimezone(ZoneInfo(utility.time_zone))
    except OverflowError:
        raise _beyond_the_calendar() from None


def _beyond_the_calendar() -> ProblemError:
    return problem("beyond_the_calendar", pointer="/performed_at")


def content_hash(facts: Struct) -> bytes:
    """The SHA-256 of what a report says, however its JSON was laid out."""
    return hashlib.sha256(msgspec.json.encode(facts, order="sorted")).digest()


def judge(
    utility: UtilityOnRecord,
    submission: Submission,
    known: FactsRow,
    outcomes: Mapping[UUID, rules.Outcome] = MappingProxyType({}),
) -> Judged:
    """The report with its verdict, by what the registry knows of its assembly, tester and gauge, and by the test before it.

    `outcomes` gives, by id, the outcome of the report that it corrects.
    """
    facts: ReportFacts = submission.facts
    if facts.accepted_on_paper:
        submission.principal.require("register")
        _check_before_the_record(utility, facts.performed_at)
    test = as_judged(utility, facts, known)
    kept = rests.read(known)
    before = rests.before(known, kept, facts.performed_at)
    same_unit = before is not None and before.pressure == facts.units.pressure
    told_before = bytes(before.previous) if before is not None and same_unit else None
    previous = None if told_before is None else _readings(told_before)
    if facts.supersedes is not UNSET and (corrected := outcomes.get(facts.supersedes)) is not None:
        previous = rules.PreviousReadings(readings=[] if previous is None else previous.readings, corrected=corrected)
        told_before = _encode(previous)
    verdict = rules.judge(test, received_at=submission.received_at, previous=previous, local=utility.applied)
    content, judged, result = _encode(facts), _encode(test), _encode(verdict)
    last = verdict.initial if verdict.final is None else verdict.final
    failed = next((phase for phase in (last, verdict.initial) if phase.outcome == "fail"), None)
    company = submission.principal.company if known.tester_organisation_id is None else known.tester_organisation_id
    row = ReportRow(
        id=submission.id,
        assembly_id=facts.assembly_id,
        tester_id=facts.tester_id,
        gauge_id=facts.gauge_id,
        performed_at=facts.performed_at,
        performed_on=today(utility, min(facts.performed_at, submission.received_at)),
        received_at=submission.received_at,
        reason=facts.reason,
        supersedes=None if facts.supersedes is UNSET else facts.supersedes,
        organisation_id=submission.principal.organisation_id,
        key_id=submission.principal.key_id,
        content_hash=content_hash(facts),
        content=content.decode(),
        judged=judged.decode(),
        verdict=result.decode(),
        outcome=verdict.outcome,
        protection=last.protection,
        acceptance=verdict.acceptance,
        rulebook=verdict.rulebook.id,
        rulebook_digest=verdict.rulebook.digest,
        previous=None if told_before is None else told_before.decode(),
        company_id=company,
        mechanical_protection=last.mechanical_protection,
        failed_protection=None if failed is None else failed.mechanical_protection,
        acts_as=None if failed is None else failed.acts_as,
    )
    row = hashed(utility.code, row, (content, judged, result, told_before))
    return Judged(
        submission=submission,
        known=known,
        rests=kept,
        row=row,
        verdict=result,
        event=rests.event_of(row, verdict.initial.outcome, last.mechanical_protection),
        latest=rests.latest(row.id, row.performed_at, facts),
    )


def _check_before_the_record(utility: UtilityOnRecord, performed_at: dt.datetime) -> None:
    """ProblemError for a test that was performed once the utility's record had begun here: it is judged like any other."""
    began = today(utility, utility.created_at)
    if day_of_test(utility, performed_at) >= began:
        raise problem("record_had_begun", pointer="/accepted_on_paper", on=began.isoformat())


def as_judged(utility: UtilityOnRecord, facts: ReportFacts, known: FactsRow) -> rules.Test:
    """The test in a report, with the registry's facts in place of the ids; ProblemError for ids not registered."""
    unregistered = [
        fault("not_registered", pointer=f"/{member}", name=member)
        for member, there in (
            ("assembly_id", known.assembly_known),
            ("tester_id", known.tester_known),
            ("gauge_id", known.gauge_unit is not None),
        )
        if not there
    ]
    if known.assembly_known and rules.catalogue().is_inspected(known.kind):
        unregistered.append(fault("inspected_not_tested", pointer="/assembly_id", kind=known.kind))
    if facts.rulebook is not UNSET and facts.rulebook != utility.rulebook:
        unregistered.append(fault("wrong_rulebook", pointer="/rulebook", rulebook=utility.rulebook))
    if unregistered:
        raise problem_of(unregistered)
    performed_at = moment_there(utility, facts.performed_at)
    performed_on = performed_at.date()
    return rules.Test(
        rulebook=utility.rulebook,
        performed_at=performed_at,
        assembly=_assembly(facts, known, utility.rulebook, performed_on),
        units=facts.units,
        line_pressure=facts.line_pressure,
        gauge=_gauge(facts, known, performed_on),
        tester=_tester(known, performed_on),
        initial_test=facts.initial_test,
        repairs=facts.repairs,
        final_test=facts.final_test,
        declared=facts.declared,
        accepted_on_paper=facts.accepted_on_paper,
    )


def _assembly(facts: ReportFacts, known: FactsRow, rulebook: str, on: dt.date) -> rules.TestedAssembly:
    size: Any = UNSET
    # A word of a rulebook that the utility had before is left out: the degree registered with it is what is left.
    fits = known.hazard_class is not None and rules.fits_hazard(rulebook, on, known.hazard, known.hazard_class)
    if known.nominal_size is not None and facts.units.length is not UNSET:
        nominal = msgspec.json.decode(known.nominal_size, type=Size)
        size = rules.convert(nominal.size, nominal.units.length, facts.units.length)
    return rules.TestedAssembly(
        kind=known.kind,  # type: ignore[arg-type]
        hazard=known.hazard,
        hazard_class=known.hazard_class if known.hazard_class is not None and fits else UNSET,
        purpose=known.purpose or UNSET,
        backpressure_possible=UNSET if known.backpressure_possible is None else known.backpressure_possible,
        in_plant_air_gap=UNSET if known.in_plant_air_gap is None else known.in_plant_air_gap,
        size=size,
    )


def _gauge(facts: ReportFacts, known: FactsRow, performed_on: dt.date) -> rules.GaugeUsed:
    """The gauge with its newest calibration on the day of the test; failing one, the earliest made after it."""
    days = _calibrated_on(known.calibrations or "[]")
    before = [day for day in days if day <= performed_on]
    unit, to = known.gauge_unit or "psi", facts.units.pressure
    return rules.GaugeUsed(
        accuracy=rules.convert(known.accuracy or 0.0, unit, to),
        resolution=rules.convert(known.resolution or 0.0, unit, to),
        calibrated_on=before[-1] if before else days[0] if days else UNSET,
        height_above_assembly=facts.gauge_height_above_assembly,
    )


def _tester(known: FactsRow, performed_on: dt.date) -> rules.CertifiedTester:
    """The tester's certificate that fits the test best: valid on the day and for the kind, else valid on the day, else the newest."""
    held = _certificates(known.certificates or "[]")
    if not held:
        # A tester who is known and holds no certificate is not certified, which is more than not known.
        return rules.CertifiedTester()

    def fit(certificate: Certificate) -> tuple[bool, bool, dt.date]:
        valid = certificate.valid_from <= performed_on <= certificate.valid_until
        return valid, valid and rules.certificate_covers(certificate.kinds, known.kind), certificate.valid_until

    best = max(held, key=fit)
    return rules.CertifiedTester(
        certificate=best.certificate, kinds=tuple(best.kinds), valid_from=best.valid_from, valid_until=best.valid_until
    )
