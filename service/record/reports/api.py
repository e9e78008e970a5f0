"""Reports of field tests: sent in, read back, listed. Never edited: a wrong one is superseded."""

import datetime as dt
from typing import Annotated
from uuid import UUID

from msgspec import Meta, Struct

import rules
from service.http.endpoint import MINIMAL, Answer, Call, operation
from service.http.files import LISTED
from service.http.media_types import JSON
from service.http.paging import Limit, page, page_of
from service.problems import problem
from service.record.reports.brief import BriefReport, brief
from service.record.reports.readings import TABLE, with_readings
from service.record.reports.rows import ReportListItem
from service.record.reports.schemas import RecordedReport, ReportFacts, Submission, TriedRaw, TriedReport
from service.record.reports.store import ReportStore, ReportsWanted
from service.record.reports.submit import read_report
from service.registry.schemas import Assembly, Code

BASE = "/v1/utilities/{utility:str}/reports"
MOST_KEY = 200
Moment = Annotated[dt.datetime, Meta(tz=True)]


class ReportQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which reports: those for which everything given holds.

    What a person decided of a held report does not change its verdict; `reviews?state=` lists held reports by that. They are in the
    order in which they were recorded; by tester or gauge in the order of the tests, by days in that of the days or of the receipts.
    """

    assembly_id: UUID | None = None
    """Only reports on this assembly."""
    tester_id: UUID | None = None
    """Only reports of tests by this tester."""
    gauge_id: UUID | None = None
    """Only reports of tests with this gauge."""
    outcome: rules.Outcome | None = None
    """Only reports with this outcome."""
    acceptance: rules.Acceptance | None = None
    """Only reports that are accepted, held or refused by their verdict."""
    flag: Code | None = None
    """Only reports with this flag, a code of `/v1/codes`."""
    performed_from: dt.date | None = None
    """Only tests performed on this day, where the utility is, or later."""
    performed_before: dt.date | None = None
    """Only tests performed before this day."""
    received_from: Moment | None = None
    """Only reports received at this moment or later."""
    received_before: Moment | None = None
    """Only reports received before this moment."""
    readings: bool = False
    """Whether each item holds the readings too; a file always does."""
    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Reports after the one at this place in the log."""
    limit: Limit = 100


class AssemblyReportQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which reports of the assembly in the path."""

    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Reports after this place in the log."""
    limit: Limit = 100


class SubmitQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether a report is recorded or only tried."""

    dry_run: bool = False
    """`true` judges the report with what the register knows, and writes nothing."""


async def _submit(
    call: Call, document: ReportFacts, report_id: UUID, query: SubmitQuery, idempotency_key: str | None = None
) -> Answer:
    submission = Submission(
        id=report_id, facts=document, principal=call.who, received_at=call.clock.now(), idempotency_key=idempotency_key
    )
    if query.dry_run:
        tried = await call.services.submissions.try_out(call.utility, submission)
        return Answer(body=TriedRaw(verdict=tried.verdict, standing=tried.standing))
    submitted = await call.services.submissions.submit(call.utility, submission)
    status, headers = 201 if submitted.fresh else 200, {"Location": f"/v1/utilities/{call.utility}/reports/{submitted.id}"}
    if call.wants_minimal:
        body = brief(submitted.id, submitted.verdict, submitted.standing)
        return Answer(body=body, status=status, headers=headers | MINIMAL)
    return Answer(body=submitted.answer, status=status, headers=headers)


@operation(
    "PUT",
    BASE + "/{id:uuid}",
    id="submitReport",
    summary="Submit a report under the caller's id",
    answers={201: RecordedReport, 200: RecordedReport},
    tag="reports",
    right="report",
    companies=True,
    minimal=BriefReport,
    tried=TriedReport,
)
async def put_report(call: Call, query: SubmitQuery, document: ReportFacts) -> Answer:
    """Record a report under the id in the path. Sending the same report again is safe."""
    return await _submit(call, document, call.id("id"), query)


@operation(
    "POST",
    BASE,
    id="createReport",
    summary="Submit a report",
    answers={201: RecordedReport, 200: RecordedReport},
    tag="reports",
    right="report",
    companies=True,
    request_headers={"Idempotency-Key": "^[!-~]{1,200}$"},
    minimal=BriefReport,
    tried=TriedReport,
)
async def post_report(call: Call, query: SubmitQuery, document: ReportFacts) -> Answer:
    """Record a report under a new id. With an `Idempotency-Key`, sending it again is safe."""
    key = call.header("idempotency-key")
    if key is not None and not (0 < len(key) <= MOST_KEY and key.isascii() and key.isprintable() and " " not in key):
        raise problem("idempotency_key", at_most=MOST_KEY)
    return await _submit(call, document, call.clock.new_id(), query, key)


@operation(
    "GET",
    BASE + "/{id:uuid}",
    id="readReport",
    summary="Read a report",
    answers={200: RecordedReport},
    tagged_by_digest=True,
    tag="reports",
    right="read",
    companies=True,
)
async def read(call: Call) -> Answer:
    """Read a report, its verdict as it was given, and its assembly's standing now."""
    utility = await call.services.registry.utility(call.utility)
    return Answer(body=await read_report(call.services.reports, utility, call.id("id"), now=call.clock.now()))


@operation(
    "GET",
    BASE,
    id="listReports",
    summary="List reports",
    answers={200: page_of(ReportListItem)},
    tag="reports",
    right="read",
    companies=True,
    may_lag=True,
    table=TABLE,
)
async def list_reports(call: Call, query: ReportQuery) -> Answer:
    """List reports."""
    wanted = ReportsWanted(**{name: getattr(query, name) for name in ReportsWanted.__struct_fields__})
    return await _list(call, wanted, query.after, query.limit, readings=query.readings)


@operation(
    "GET",
    "/v1/utilities/{utility:str}/assemblies/{id:uuid}/reports",
    id="listAssemblyReports",
    summary="List an assembly's reports",
    answers={200: page_of(ReportListItem)},
    tag="reports",
    right="read",
    companies=True,
    may_lag=True,
    table=TABLE,
)
async def list_assembly_reports(call: Call, query: AssemblyReportQuery) -> Answer:
    """List the reports of one assembly; 404 where there is no such assembly."""
    await call.services.registry.get(Assembly, call.utility, call.id("id"))
    return await _list(call, ReportsWanted(assembly_id=call.id("id")), query.after, query.limit)


async def _list(call: Call, wanted: ReportsWanted, after: int, limit: int, *, readings: bool = False) -> Answer:
    content = readings or call.chosen(LISTED) != JSON
    found = await ReportStore(call.reading).reports(call.utility, wanted, after=after, limit=limit + 1, content=content)
    items = [with_readings(item, text) if content else item for item, text in found]
    return page(call, items, limit, lambda line: str(line.log_index))


operations = [put_report, post_report, read, list_reports, list_assembly_reports]
