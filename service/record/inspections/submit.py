"""Recording inspections: report, verdict and standing in one transaction, alone in the utility's log; and reading one back."""

import datetime as dt
from uuid import UUID

import msgspec
from msgspec import UNSET, Raw, UnsetType

import rules
from service.db.pool import whole_view
from service.problems import not_found
from service.record.inspections.judge import judge
from service.record.inspections.schemas import InspectionReport, KeptInspection, RecordedInspectionRaw
from service.record.reports.group import Group, Submitted
from service.record.reports.judging import check_moment
from service.record.reports.rows import StoredReport
from service.record.reports.schemas import Submission
from service.record.reports.store import Recording, ReportStore
from service.record.reviews.schemas import ReviewDecision
from service.registry.calendar import today
from service.registry.schemas import Utility


async def record_inspection(store: ReportStore, code: str, submission: Submission, *, now: dt.datetime) -> bool:
    """Record an inspection; false where the same is recorded already. ProblemError where it cannot be, or another is."""
    check_moment(submission.facts.performed_at)
    # Written as the service; what a testing company may name is asked of `gather`, by its id.
    with whole_view():
        async with store.recording(code) as recording:
            answer = await _write(recording, submission, now)
        if isinstance(answer, Submitted):
            return True
        await store.settle(code)
    return False


async def _write(recording: Recording, submission: Submission, now: dt.datetime) -> Submitted | UUID:
    facts = submission.facts
    corrected: list[UUID] = [] if facts.supersedes is UNSET else [facts.supersedes]
    (known,) = (await recording.session.gather([submission])).facts
    outcomes = await recording.session.outcomes(corrected)
    judged = judge(recording.utility, submission, known, outcomes.get(corrected[0]) if corrected else None)
    group = Group(recording.utility, now, [], [])
    assemblies = [facts.assembly_id]
    group.know_whole(await recording.assemblies(assemblies), await recording.history(assemblies, [submission.id]))
    answer = group.add(judged)
    if group.rows:
        await recording.session.record(group.rows, [], list(group.standings.values()), seen=None)
    return answer


async def read_inspection(
    store: ReportStore, utility: Utility, inspection_id: UUID, *, now: dt.datetime
) -> RecordedInspectionRaw:
    """An inspection with its verdict, and the standing now; 404 where there is none."""
    stored = await store.inspection(utility.code, inspection_id)
    if stored is None:
        raise not_found("inspection")
    standing: rules.Standing | UnsetType = UNSET
    if stored.basis is not None:
        kept = msgspec.json.decode(stored.basis, type=rules.Standing)
        standing = rules.standing_on(kept, today(utility, now), utility.due_soon_days)
    return RecordedInspectionRaw(
        inspection=_inspection_of(utility.code, stored), verdict=Raw(stored.verdict.encode()), standing=standing
    )


def _inspection_of(utility: str, stored: StoredReport) -> InspectionReport:
    facts = msgspec.json.decode(stored.content, type=KeptInspection)
    said = {name: getattr(facts, name) for name in KeptInspection.__struct_fields__}
    return InspectionReport(
        id=stored.id,
        utility=utility,
        received_at=stored.received_at,
        log_index=stored.log_index,
        superseded_by=stored.superseded_by or UNSET,
        decision=UNSET if stored.decision is None else msgspec.json.decode(stored.decision, type=ReviewDecision),
        **said,
    )
