"""Deciding on reports: accepting or refusing a held one, voiding any.

A report is held because a person should look at it; what that person finds is kept beside it, and nothing of the report or its verdict
changes. From the moment of the decision on the report counts as decided, and the standing that follows is written in the same transaction.
A void says that the report is no test of its assembly. It is the last decision on a report.
"""

import datetime as dt
from uuid import UUID

from service.auth.access import Principal
from service.problems import problem
from service.record.reports.store import ReportStore
from service.record.reviews.schemas import Review, ReviewFacts, VoidFacts
from service.record.reviews.store import Decided, ReviewStore
from service.record.standings.work_out import rework
from service.registry.schemas import Utility


async def decide(
    store: ReviewStore,
    reports: ReportStore,
    utility: Utility,
    report_id: UUID,
    facts: ReviewFacts,
    *,
    version: int,
    who: Principal,
    now: dt.datetime,
) -> Review:
    """Keep a decision on a held report.

    404 where there is none of that id, 409 where it is void, 412 where another decision was made meanwhile.
    """
    review = await store.one(utility.code, report_id)
    if review.state == "void":
        raise problem("report_void")
    made = Decided(decision=facts.decision, because=facts.because, decided_by=facts.decided_by)
    async with reports.recording(utility.code) as recording:
        assembly = await store.decide(recording.connection, utility.code, report_id, made, version=version, who=who, now=now)
        await rework(recording, [assembly])
    return await store.one(utility.code, report_id)


async def void(
    store: ReviewStore,
    reports: ReportStore,
    utility: Utility,
    report_id: UUID,
    facts: VoidFacts,
    *,
    who: Principal,
    now: dt.datetime,
) -> Review:
    """Void a report, whatever its acceptance; 404 where there is none, 409 where it is void for another reason."""
    made = Decided(decision="void", because=facts.because, decided_by=facts.decided_by)
    async with reports.recording(utility.code) as recording:
        version, because = await store.last_decision(recording.connection, utility.code, report_id)
        if because is None:
            assembly = await store.decide(recording.connection, utility.code, report_id, made, version=version, who=who, now=now)
            await rework(recording, [assembly])
        elif because != facts.because:
            raise problem("report_void")
    return await store.one(utility.code, report_id)
