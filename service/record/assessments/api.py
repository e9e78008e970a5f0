"""Hazard assessments of premises, which regulators ask to be counted: for the utility and its regulator."""

import datetime as dt
from uuid import UUID

from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, page, page_of
from service.record.assessments.record import record_assessment
from service.record.assessments.schemas import HazardAssessment, HazardAssessmentFacts
from service.record.assessments.store import AssessmentStore, AssessmentsWanted
from service.registry.api import tagged

ASSESSMENTS = "/v1/utilities/{utility:str}/hazard-assessments"


class HazardAssessmentQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which assessments: of the premises, made from `since` to `until`.

    `standing`: those that no other corrects, or only those corrected.
    """

    premises_id: UUID | None = None
    """Only assessments of these premises."""
    since: dt.date | None = None
    """Only assessments made on this day or later."""
    until: dt.date | None = None
    """Only assessments made on this day or earlier."""
    standing: bool | None = None
    """True: only assessments that no later one supersedes. False: only superseded ones."""


async def _kept(call: Call, document: HazardAssessmentFacts, assessment_id: UUID) -> Answer:
    utility = await call.services.registry.utility(call.utility)
    kept, fresh = await record_assessment(
        AssessmentStore(call.services.pool), utility, document, assessment_id=assessment_id, who=call.who, now=call.clock.now()
    )
    location = f"/v1/utilities/{call.utility}/hazard-assessments/{kept.id}"
    return tagged(kept, status=201 if fresh else 200, location=location)


@operation(
    "POST",
    ASSESSMENTS,
    id="createHazardAssessment",
    summary="Record a hazard assessment of premises",
    answers={201: HazardAssessment},
    tag="hazard assessments",
    right="register",
)
async def post_assessment(call: Call, document: HazardAssessmentFacts) -> Answer:
    """Record an assessment under a new id."""
    return await _kept(call, document, call.clock.new_id())


@operation(
    "PUT",
    ASSESSMENTS + "/{id:uuid}",
    id="putHazardAssessment",
    summary="Record a hazard assessment under the caller's id",
    answers={201: HazardAssessment, 200: HazardAssessment},
    tag="hazard assessments",
    right="register",
)
async def put_assessment(call: Call, document: HazardAssessmentFacts) -> Answer:
    """Record an assessment under the id in the path. Sending the same assessment again is safe."""
    return await _kept(call, document, call.id("id"))


@operation(
    "GET",
    ASSESSMENTS,
    id="listHazardAssessments",
    summary="List hazard assessments",
    answers={200: page_of(HazardAssessment)},
    tag="hazard assessments",
    right="read",
)
async def list_assessments(call: Call, query: HazardAssessmentQuery) -> Answer:
    """List assessments by id."""
    wanted = AssessmentsWanted(**{name: getattr(query, name) for name in AssessmentsWanted.__struct_fields__})
    found = await AssessmentStore(call.services.pool).listed(call.utility, wanted, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.id))


@operation(
    "GET",
    ASSESSMENTS + "/{id:uuid}",
    id="readHazardAssessment",
    summary="Read a hazard assessment",
    answers={200: HazardAssessment},
    tag="hazard assessments",
    right="read",
)
async def read_assessment(call: Call) -> Answer:
    """Read an assessment."""
    return tagged(await AssessmentStore(call.services.pool).one(call.utility, call.id("id")))


operations = [post_assessment, put_assessment, list_assessments, read_assessment]
