"""Notices: the schedule, what a run would prepare, runs with their progress, the notices themselves and what became of them."""

import datetime as dt
import re
from typing import Annotated, Any
from uuid import UUID

from msgspec import UNSET, Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import AfterId, Limit, page, page_of
from service.notices import manage as records
from service.notices.schemas import Notice, NoticeChange, NoticeRun, NoticeSchedule, NoticeScheduleFacts, NoticeState, NoticeText
from service.notices.store import NoticeStore
from service.problems import problem
from service.registry.api import IF_MATCH, merged, tagged
from service.registry.calendar import today
from service.registry.schemas import Code

BASE = "/v1/utilities/{utility:str}/notices"
MERGE_PATCH = "application/merge-patch+json"


class NoticesQuery(AfterId, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which notices: those for which everything given holds."""

    state: NoticeState | None = None
    """Only notices in this state."""
    step: Code | None = None
    """Only notices of this step of the schedule."""
    assembly_id: UUID | None = None
    """Only notices about this assembly."""
    run_id: UUID | None = None
    """Only notices that this run prepared."""


class PreviewQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The day of the run that is previewed; without one, today."""

    on: dt.date | None = None
    """The day of the run to preview; without it, today."""
    after: Annotated[str, Meta(max_length=80)] | None = None
    """The cursor from `next` of the page before."""
    limit: Limit = 100


@operation(
    "GET",
    f"{BASE}/schedule",
    id="readNoticeSchedule",
    summary="Read the schedule of notices",
    answers={200: NoticeSchedule},
    tag="notices",
    right="read",
)
async def read_schedule(call: Call) -> Answer:
    """Read the schedule that is followed."""
    await call.services.registry.utility(call.utility)
    return tagged(await records.read_schedule(NoticeStore(call.services.pool), call.utility))


@operation(
    "PATCH",
    f"{BASE}/schedule",
    id="updateNoticeSchedule",
    summary="Update the schedule of notices",
    answers={200: NoticeSchedule},
    tag="notices",
    right="register",
    request_headers=IF_MATCH,
    body_media_type=MERGE_PATCH,
    patches=NoticeScheduleFacts,
)
async def change_schedule(call: Call, document: dict[str, Any]) -> Answer:  # noqa: ARG001 - merged from the body as sent
    """Change the schedule; notices already prepared stay. Send `steps` as null for the common schedule."""
    match = call.if_match()
    store = NoticeStore(call.services.pool)
    current = await records.read_schedule(store, call.utility)
    version = match.version(current.version)
    facts = merged(call, NoticeScheduleFacts(steps=current.steps if current.own else UNSET), NoticeScheduleFacts)
    return tagged(await records.change_schedule(store, call.utility, facts, version=version, now=call.clock.now()))


@operation(
    "GET",
    f"{BASE}/preview",
    id="previewNotices",
    summary="Preview notices",
    answers={200: page_of(NoticeText)},
    tag="notices",
    right="read",
)
async def preview(call: Call, query: PreviewQuery) -> Answer:
    """List the notices that a run would prepare by the record of today. Nothing is written."""
    utility = await call.services.registry.utility(call.utility)
    now = call.clock.now()
    found = await records.preview(
        NoticeStore(call.services.pool),
        utility,
        query.on or today(utility, now),
        after=_place(query),
        limit=query.limit + 1,
        now=now,
    )
    contacts = call.who.reads_contacts
    places = {(item.step, item.assembly_id): place for place, item in found}
    items = [records.as_read_by(item, contacts=contacts) for _, item in found]
    return page(call, items, query.limit, lambda item: _written(places[item.step, item.assembly_id]))


@operation(
    "POST",
    f"{BASE}/runs",
    id="startNoticeRun",
    summary="Prepare the notices of today",
    answers={202: NoticeRun},
    tag="notices",
    right="register",
)
async def start_run(call: Call) -> Answer:
    """Start a run, take up one that was interrupted, or join the one that goes on. The call is safe at any time and any number of times."""
    run = await call.services.notice_runs.start(call.utility)
    return Answer(body=run, status=202, headers={"Location": f"/v1/utilities/{call.utility}/notices/runs/{run.id}"})


@operation(
    "GET",
    f"{BASE}/runs",
    id="listNoticeRuns",
    summary="List runs",
    answers={200: page_of(NoticeRun)},
    tag="notices",
    right="read",
)
async def list_runs(call: Call, query: AfterId) -> Answer:
    """List the runs."""
    found = await call.services.notice_runs.listed(call.utility, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda run: str(run.id))


@operation(
    "GET",
    f"{BASE}/runs/{{id:uuid}}",
    id="readNoticeRun",
    summary="Read the progress of a run",
    answers={200: NoticeRun},
    tag="notices",
    right="read",
)
async def read_run(call: Call) -> Answer:
    """Read a run."""
    return Answer(body=await call.services.notice_runs.read(call.utility, call.id("id")))


@operation("GET", BASE, id="listNotices", summary="List notices", answers={200: page_of(Notice)}, tag="notices", right="read")
async def list_notices(call: Call, query: NoticesQuery) -> Answer:
    """List notices."""
    found = await records.list_notices(
        NoticeStore(call.services.pool),
        call.utility,
        after=query.after,
        limit=query.limit + 1,
        state=query.state,
        step=query.step,
        assembly_id=query.assembly_id,
        run_id=query.run_id,
    )
    items = [records.as_read_by(item, contacts=call.who.reads_contacts) for item in found]
    return page(call, items, query.limit, lambda item: str(item.id))


@operation(
    "GET", f"{BASE}/{{id:uuid}}", id="readNotice", summary="Read a notice", answers={200: Notice}, tag="notices", right="read"
)
async def read_notice(call: Call) -> Answer:
    """Read a notice."""
    found = await records.read_notice(NoticeStore(call.services.pool), call.utility, call.id("id"))
    return tagged(records.as_read_by(found, contacts=call.who.reads_contacts))


@operation(
    "PATCH",
    f"{BASE}/{{id:uuid}}",
    id="updateNotice",
    summary="Update the state of a notice",
    answers={200: Notice},
    tag="notices",
    right="register",
    request_headers=IF_MATCH,
    body_media_type=MERGE_PATCH,
)
async def change_notice(call: Call, document: NoticeChange) -> Answer:
    """Keep what became of a notice."""
    match = call.if_match()
    store = NoticeStore(call.services.pool)
    version = match.version((await records.read_notice(store, call.utility, call.id("id"))).version)
    notice = await records.change_notice(
        store, call.services.reports, call.utility, call.id("id"), document, version=version, now=call.clock.now()
    )
    return tagged(records.as_read_by(notice, contacts=call.who.reads_contacts))


_PLACE = re.compile(r"(\d{1,3})~(\d{4}-\d{2}-\d{2})~([0-9a-f-]{36})\Z")


def _written(place: records.Place) -> str:
    return f"{place.scan}~{place.due.isoformat()}~{place.assembly_id}"


def _place(query: PreviewQuery) -> records.Place | None:
    if query.after is None:
        return None
    try:
        scan, due, assembly_id = _PLACE.match(query.after).groups()  # type: ignore[union-attr]
        return records.Place(scan=int(scan), due=dt.date.fromisoformat(due), assembly_id=UUID(assembly_id))
    except (AttributeError, ValueError):
        raise problem("invalid_cursor", parameter="after") from None


operations = [
    list_notices,
    read_schedule,
    change_schedule,
    preview,
    start_run,
    list_runs,
    read_run,
    read_notice,
    change_notice,
]
