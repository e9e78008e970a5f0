"""The standing of an assembly: current, due, overdue, failed, untested, out of service; of one, of a past day, and in lists."""

import datetime as dt
import re
from collections.abc import AsyncIterator
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from msgspec import Meta, Struct

import rules
from service.api.lists import Limit, page, page_of
from service.api.operation import JSON, Answer, Call, operation
from service.api.tables import CSV, GEOJSON, NDJSON, as_csv, as_geojson, as_ndjson, chosen
from service.problems import Fault, ProblemError
from service.records.judging import today
from service.records.reports import read_standing
from service.records.standings import AssemblyStanding, Cursor, StandingThen, list_standings, soon, standing_then
from service.store.standings import NEVER, StandingStore, Wanted
from service.things import HazardDegree, Utility

CHUNK = 500
OFFERED = (JSON, CSV, NDJSON, GEOJSON)


class StandingQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The day asked about; without one, today."""

    as_of: dt.date | None = None


class StandingsQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which assemblies: those for which everything given holds.

    `due_before` and `due_after` leave out the day itself, and assemblies without a due day. In the order of `assembly_id` a walk through
    the pages repeats and misses nothing whatever is recorded meanwhile; in the order of `due_on`, an assembly whose due day
    changes during the walk may be met again or passed over.
    """

    status: rules.StandingStatus | None = None
    due_before: dt.date | None = None
    due_after: dt.date | None = None
    hazard: HazardDegree | None = None
    kind: rules.TestableKind | None = None
    premises_id: UUID | None = None
    protection: Literal["full", "degraded", "lost", "unknown"] | None = None
    sort: Literal["assembly_id", "due_on"] = "assembly_id"
    after: Annotated[str, Meta(max_length=60)] | None = None
    limit: Limit | None = None


@operation(
    "GET", "/v1/utilities/{utility:str}/assemblies/{id:uuid}/standing", id="readStanding",
    summary="How an assembly stands today, or stood on a past day",
    answers={200: StandingThen}, tag="assemblies", right="read",
)  # fmt: skip
async def standing(call: Call, query: StandingQuery) -> Answer:
    """Work out how an assembly stands today, or how it stood at the end of a day by the record of that day."""
    utility = await call.services.registry.utility(call.utility)
    now = call.clock.now()
    if query.as_of is None:
        return Answer(body=await read_standing(call.services.reports, utility, call.id("id"), now=now))
    store = StandingStore(call.services.pool)
    return Answer(body=await standing_then(call.services.reports, store, utility, call.id("id"), query.as_of, now=now))


@operation(
    "GET", "/v1/utilities/{utility:str}/standings", id="listStanding", summary="List assemblies by how they stand today",
    answers={200: page_of(AssemblyStanding)}, media_types={200: OFFERED}, tag="assemblies", right="read",
)  # fmt: skip
async def standings(call: Call, query: StandingsQuery) -> Answer:
    """List assemblies with their standing; as a file, all of them at once unless a limit is given."""
    utility = await call.services.registry.utility(call.utility)
    on = today(utility, call.clock.now())
    wanted = Wanted(
        today=on, soon=soon(utility, on), status=query.status, due_before=query.due_before, due_after=query.due_after,
        hazard=query.hazard, kind=query.kind, premises_id=query.premises_id, protection=query.protection, by_due_on=query.sort == "due_on",
    )  # fmt: skip
    after = _cursor(query)
    media_type = chosen(call, OFFERED)
    if media_type == JSON:
        limit = query.limit or 100
        store = StandingStore(call.services.pool)
        found = await list_standings(store, utility, wanted, after=after, limit=limit + 1)
        places = {one.assembly_id: place for place, one in found}
        return page(call, [one for _, one in found], limit, lambda one: _written(query, places[one.assembly_id]))
    chunks = _chunks(call, utility, wanted, after, query.limit)
    headers = {"Vary": "Accept"}
    if media_type == NDJSON:
        return Answer(body=as_ndjson(chunks), media_type=NDJSON, headers=headers)
    if media_type == GEOJSON:
        return Answer(body=as_geojson(_features(chunks)), media_type=GEOJSON, headers=headers)
    body = as_csv(COLUMNS, _rows(chunks))
    headers["Content-Disposition"] = 'attachment; filename="standings.csv"'
    return Answer(body=body, media_type=f"{CSV}; header=present", headers=headers)


_AFTER_DUE = re.compile(r"(\d{4}-\d{2}-\d{2}|never)~(.+)\Z")


def _written(query: StandingsQuery, cursor: Cursor) -> str:
    if query.sort == "assembly_id":
        return str(cursor.assembly_id)
    return f"{'never' if cursor.due == NEVER else cursor.due.isoformat()}~{cursor.assembly_id}"


def _cursor(query: StandingsQuery) -> Cursor | None:
    if query.after is None:
        return None
    due, given = "never", query.after
    if query.sort == "due_on" and (parts := _AFTER_DUE.match(query.after)):
        due, given = parts.groups()
    try:
        return Cursor(due=NEVER if due == "never" else dt.date.fromisoformat(due), assembly_id=UUID(given))
    except ValueError:
        detail = "That is no place in a list of this order; take it from `next` of the page before."
        raise ProblemError("malformed", detail, [Fault(pointer="/after", detail=detail)]) from None


async def _chunks(
    call: Call, utility: Utility, wanted: Wanted, after: Cursor | None, limit: int | None
) -> AsyncIterator[list[AssemblyStanding]]:
    """The wanted standings, up to `limit`, a chunk at a time; no connection is held while the asker reads."""
    store = StandingStore(call.services.pool)
    left = limit
    while left is None or left > 0:
        size = CHUNK if left is None else min(CHUNK, left)
        found = await list_standings(store, utility, wanted, after=after, limit=size)
        if found:
            yield [one for _, one in found]
            after = found[-1][0]
        if len(found) < size:
            return
        left = None if left is None else left - len(found)


COLUMNS = [
    "assembly_id", "kind", "hazard", "serial_number", "position", "status", "due_on", "protection", "since", "because", "report_id",
    "premises_id", "reference", "premises", "address", "latitude", "longitude",
]  # fmt: skip


async def _rows(chunks: AsyncIterator[list[AssemblyStanding]]) -> AsyncIterator[list[list[Any]]]:
    async for chunk in chunks:
        yield [
            [
                *(getattr(one, name) for name in COLUMNS[:-2]),
                None if one.location is None else one.location.latitude,
                None if one.location is None else one.location.longitude,
            ]
            for one in chunk
        ]


async def _features(chunks: AsyncIterator[list[AssemblyStanding]]) -> AsyncIterator[list[dict[str, Any]]]:
    """Features; an assembly without a place has a null geometry (RFC 7946 section 3.2), and a position is longitude, latitude (3.1.1)."""
    async for chunk in chunks:
        yield [
            {
                "type": "Feature",
                "id": one.assembly_id,
                "geometry": None
                if one.location is None
                else {"type": "Point", "coordinates": [one.location.longitude, one.location.latitude]},
                "properties": {
                    name: value for name, value in msgspec.structs.asdict(one).items() if name not in ("assembly_id", "location")
                },
            }
            for one in chunk
        ]


operations = [standing, standings]
