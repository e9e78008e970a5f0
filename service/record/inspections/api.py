"""Inspections of air gaps, atmospheric vacuum breakers and barometric loops: recorded, read back, listed. A wrong one is superseded."""

from typing import Annotated
from uuid import UUID

from msgspec import Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit, page, page_of
from service.record.inspections.schemas import InspectionFacts, RecordedInspection
from service.record.inspections.submit import read_inspection, record_inspection
from service.record.reports.rows import InspectionListItem
from service.record.reports.schemas import Submission
from service.record.reports.store import ReportStore

BASE = "/v1/utilities/{utility:str}/inspections"


class InspectionQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which inspections: of one assembly, after that log index, oldest record first."""

    assembly_id: UUID | None = None
    """Only inspections of this assembly."""
    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Inspections after this place in the log."""
    limit: Limit = 100


@operation(
    "PUT",
    BASE + "/{id:uuid}",
    id="submitInspection",
    summary="Submit an inspection under the caller's id",
    answers={201: RecordedInspection, 200: RecordedInspection},
    tag="inspections",
    right="report",
    companies=True,
)
async def put_inspection(call: Call, document: InspectionFacts) -> Answer:
    """Record an inspection under the id in the path."""
    inspection_id, now = call.id("id"), call.clock.now()
    submission = Submission(id=inspection_id, facts=document, principal=call.who, received_at=now)
    fresh = await record_inspection(call.services.reports, call.utility, submission, now=now)
    utility = await call.services.registry.utility(call.utility)
    body = await read_inspection(call.services.reports, utility, inspection_id, now=now)
    location = f"/v1/utilities/{call.utility}/inspections/{inspection_id}"
    return Answer(body=body, status=201 if fresh else 200, headers={"Location": location})


@operation(
    "GET",
    BASE + "/{id:uuid}",
    id="readInspection",
    summary="Read an inspection",
    answers={200: RecordedInspection},
    tagged_by_digest=True,
    tag="inspections",
    right="read",
    companies=True,
)
async def read(call: Call) -> Answer:
    """Read an inspection, its verdict as it was given, and the standing now of what was inspected."""
    utility = await call.services.registry.utility(call.utility)
    return Answer(body=await read_inspection(call.services.reports, utility, call.id("id"), now=call.clock.now()))


@operation(
    "GET",
    BASE,
    id="listInspections",
    summary="List inspections",
    answers={200: page_of(InspectionListItem)},
    tag="inspections",
    right="read",
    companies=True,
    may_lag=True,
)
async def list_inspections(call: Call, query: InspectionQuery) -> Answer:
    """List inspections in the order of recording."""
    found = await ReportStore(call.reading).inspections(call.utility, query.assembly_id, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda line: str(line.log_index))


operations = [put_inspection, read, list_inspections]
