"""Deciding on held reports.

A report is held because a person should look at it; what that person finds is kept beside it, and nothing of the report or its verdict
changes. From the moment of the decision on the report counts as decided, and the standing that follows is written in the same transaction.
"""

import datetime as dt
from uuid import UUID

from service.access import Principal
from service.records.working_out import rework
from service.reviews import Review, ReviewFacts
from service.store.reports import ReportStore
from service.store.reviews import ReviewStore
from service.things import Utility


async def decide(
    store: ReviewStore, reports: ReportStore, utility: Utility, report_id: UUID, facts: ReviewFacts, *, version: int, who: Principal, now: dt.datetime
) -> Review:  # fmt: skip
    """Keep a decision on a held report; 404 where there is none of that id, 412 where another decision was made meanwhile."""
    await store.one(utility.code, report_id)
    async with reports.recording(utility.code) as recording:
        assembly = await store.decide(recording.connection, utility.code, report_id, facts, version=version, who=who, now=now)
        await rework(recording, [assembly])
    return await store.one(utility.code, report_id)
