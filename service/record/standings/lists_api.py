"""Lists of assemblies, as they are registered and as they stand: one set of filters, orders, cursors and forms for both.

As JSON a list comes in pages; as CSV, NDJSON or GeoJSON it is a file of everything asked for, streamed a chunk at a time.
"""

import datetime as dt
import math
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from typing import Annotated, Any, Literal
from uuid import UUID

import msgspec
from msgspec import Meta, Struct

import rules
from service.http.endpoint import Answer, Call, operation
from service.http.media_types import CSV, GEOJSON, JSON, NDJSON
from service.http.paging import Limit, page, page_of
from service.http.tables import as_csv, as_geojson, as_ndjson
from service.problems import problem
from service.record.standings.listing import AssemblyStanding, Cursor, list_assemblies, list_standings, soon
from service.record.standings.store import NEVER, Area, StandingStore, Wanted
from service.registry.calendar import today
from service.registry.finding import Search, find
from service.registry.schemas import Assembly, AssemblyHazard, Location, ShortText

CHUNK = 500
OFFERED = (JSON, CSV, NDJSON, GEOJSON)


class AssembliesQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which assemblies: those for which everything given holds.

    `due_before` and `due_after` leave out the day itself, and assemblies without a due day. `tester_id`: whose test the standing rests on.
    `area` is west, south, east and north of a box in degrees (as a `bbox` of RFC 7946), edges included, in which the assembly is by its own
    `location` or, where it has none, by that of its premises; one that crosses the antimeridian
    has its west greater than its east. In the order of `assembly_id` a walk through the pages repeats and misses nothing whatever is
    recorded meanwhile; in the order of `due_on`, an assembly whose due day changes during the walk may be met again or passed over.
    """

    status: rules.StandingStatus | None = None
    """Only assemblies with this standing today."""
    due_before: dt.date | None = None
    """Only assemblies whose next test is due before this day."""
    due_after: dt.date | None = None
    """Only assemblies whose next test is due after this day."""
    hazard: AssemblyHazard | None = None
    """Only assemblies that protect against this degree of hazard; `unknown`: those nobody has assessed."""
    kind: rules.RegisteredKind | None = None
    """Only assemblies of this kind."""
    premises_id: UUID | None = None
    """Only assemblies at these premises."""
    tester_id: UUID | None = None
    """Only assemblies whose standing rests on a test by this tester."""
    protection: rules.Protection | None = None
    """Only assemblies with this protection."""
    serial_number: ShortText | None = None
    """Only assemblies of this serial number, to the letter."""
    assembly_number: ShortText | None = None
    """Only assemblies with this number of your own, to the letter."""
    meter: ShortText | None = None
    """Only assemblies behind the meter of this number, to the letter."""
    reference: ShortText | None = None
    """Only assemblies at the premises with this number of your own, to the letter."""
    q: Search | None = None
    """Only assemblies with a word that begins with each of these, in their numbers or in the name, address or number of their premises;
    case, accents and punctuation do not count."""
    area: Annotated[str, Meta(max_length=120)] | None = None
    """Only assemblies in this box: west, south, east and north in degrees, separated by commas."""
    sort: Literal["assembly_id", "due_on"] = "assembly_id"
    """The order of the list."""
    after: Annotated[str, Meta(max_length=60)] | None = None
    """The cursor from `next` of the page before."""
    limit: Limit | None = None
    """At most this many items; for JSON 100 where it is left out, for a file all."""


class _Form(Struct, frozen=True, kw_only=True):
    """How the things of one list are shown: the file's name and columns, a thing as an item, a row's cells, an id and a place."""

    name: str
    columns: list[str]
    item: Callable[[Any], Any]
    place: Callable[[Any], Location | None]


_Fetch = Callable[..., Awaitable[list[tuple[Cursor, Any]]]]
_Chunks = AsyncIterator[list[Any]]

_REGISTERED = _Form(
    name="assemblies",
    columns=["id", *(name for name in Assembly.__struct_fields__ if name not in ("id", "nominal_size", "location"))],
    item=lambda item: item.assembly,
    place=lambda item: item.location,
)
_STANDING = _Form(
    name="standings",
    columns=[
        "assembly_id",
        "kind",
        "hazard",
        "serial_number",
        "position",
        "status",
        "due_on",
        "protection",
        "mechanical_protection",
        "suitable",
        "since",
        "because",
        "actions",
        "report_id",
        "premises_id",
        "reference",
        "premises",
        "address",
    ],
    item=lambda item: item,
    place=lambda item: item.location,
)


@operation(
    "GET",
    "/v1/utilities/{utility:str}/assemblies",
    id="listAssemblies",
    summary="List assemblies",
    answers={200: page_of(Assembly)},
    media_types={200: OFFERED},
    tag="assemblies",
    right="read",
    companies=True,
    may_lag=True,
)
async def assemblies(call: Call, query: AssembliesQuery) -> Answer:
    """List assemblies as they are registered; as a file, all of them at once unless a limit is given."""
    return await _list(call, query, list_assemblies, _REGISTERED)


@operation(
    "GET",
    "/v1/utilities/{utility:str}/standings",
    id="listStandings",
    summary="List the standings of assemblies",
    answers={200: page_of(AssemblyStanding)},
    media_types={200: OFFERED},
    tag="assemblies",
    right="read",
    companies=True,
    may_lag=True,
)
async def standings(call: Call, query: AssembliesQuery) -> Answer:
    """List assemblies with their standing; as a file, all of them at once unless a limit is given."""
    return await _list(call, query, list_standings, _STANDING)


async def _list(call: Call, query: AssembliesQuery, fetch: _Fetch, form: _Form) -> Answer:
    utility = await call.services.registry.utility(call.utility)
    on = today(utility, call.clock.now())
    marks = {name: getattr(query, name) for name in ("serial_number", "assembly_number", "meter", "reference")}
    found = await find(call.reading, call.utility, "assembly", marks, query.q)
    wanted = Wanted(
        ids=found.ids,
        lows=found.lows,
        highs=found.highs,
        today=on,
        soon=soon(utility, on),
        status=query.status,
        due_before=query.due_before,
        due_after=query.due_after,
        hazard=query.hazard,
        kind=query.kind,
        premises_id=query.premises_id,
        tester_id=query.tester_id,
        protection=query.protection,
        area=None if query.area is None else _area(query.area),
        by_due_on=query.sort == "due_on",
    )
    after = _cursor(query)
    store = StandingStore(call.reading)
    media_type = call.chosen(OFFERED)
    if media_type == JSON:
        limit = query.limit or 100
        lines = await fetch(store, utility, wanted, after=after, limit=limit + 1)
        answer = page(call, lines, limit, lambda item: _written(query, item[0]))
        items = [form.item(item) for _, item in answer.body.items]
        return msgspec.structs.replace(answer, body=msgspec.structs.replace(answer.body, items=items))

    async def chunks() -> AsyncIterator[list[Any]]:
        """The wanted things, up to the limit, a chunk at a time; no connection is held while the caller reads."""
        place, left = after, query.limit
        while left is None or left > 0:
            size = CHUNK if left is None else min(CHUNK, left)
            some = await fetch(store, utility, wanted, after=place, limit=size)
            if some:
                yield [item for _, item in some]
                place = some[-1][0]
            if len(some) < size:
                return
            left = None if left is None else left - len(some)

    return _file(form, media_type, chunks())


def _file(form: _Form, media_type: str, chunks: _Chunks) -> Answer:
    headers = {"Vary": "Accept"}
    if media_type == NDJSON:
        return Answer(body=as_ndjson(_items(form, chunks)), media_type=NDJSON, headers=headers)
    if media_type == GEOJSON:
        return Answer(body=as_geojson(_features(form, chunks)), media_type=GEOJSON, headers=headers)
    headers["Content-Disposition"] = f'attachment; filename="{form.name}.csv"'
    body = as_csv([*form.columns, "latitude", "longitude"], _rows(form, chunks))
    return Answer(body=body, media_type=f"{CSV}; header=present", headers=headers)


_AFTER_DUE = re.compile(r"(\d{4}-\d{2}-\d{2}|never)~(.+)\Z")


def _written(query: AssembliesQuery, cursor: Cursor) -> str:
    if query.sort == "assembly_id":
        return str(cursor.assembly_id)
    return f"{'never' if cursor.due == NEVER else cursor.due.isoformat()}~{cursor.assembly_id}"


def _cursor(query: AssembliesQuery) -> Cursor | None:
    if query.after is None:
        return None
    due, given = "never", query.after
    if query.sort == "due_on" and (parts := _AFTER_DUE.match(query.after)):
        due, given = parts.groups()
    try:
        return Cursor(due=NEVER if due == "never" else dt.date.fromisoformat(due), assembly_id=UUID(given))
    except ValueError:
        raise problem("invalid_cursor", parameter="after") from None


def _area(result: str) -> Area:
    """The box of `west,south,east,north`; ProblemError for what is none. The meridian of 180° is that of −180°."""
    try:
        west, south, east, north = map(float, result.split(","))
    except ValueError:
        west = south = east = north = math.nan
    if not (-180 <= west <= 180 and -180 <= east <= 180 and -90 <= south <= north <= 90):  # noqa: PLR2004 - what degrees are
        raise problem("invalid_area", parameter="area")
    if west == -180 < east < 180:  # noqa: PLR2004
        west = 180.0
    elif east == 180 > west > -180:  # noqa: PLR2004
        east = -180.0
    return Area(west=west, south=south, east=east, north=north)


async def _items(form: _Form, chunks: _Chunks) -> AsyncIterator[list[Any]]:
    async for chunk in chunks:
        yield [form.item(item) for item in chunk]


async def _rows(form: _Form, chunks: _Chunks) -> AsyncIterator[Sequence[Sequence[Any]]]:
    async for chunk in chunks:
        yield [[*(_cell(form.item(item), name) for name in form.columns), *_position(form.place(item))[::-1]] for item in chunk]


def _cell(item: Any, name: str) -> Any:
    value = getattr(item, name)
    if isinstance(value, tuple):
        return " ".join(value)
    return None if value is msgspec.UNSET else value


def _position(place: Location | None) -> tuple[float | None, float | None]:
    return (None, None) if place is None else (place.longitude, place.latitude)


async def _features(form: _Form, chunks: _Chunks) -> AsyncIterator[list[dict[str, Any]]]:
    """Features; an assembly without a place has a null geometry (RFC 7946 section 3.2), and a position is longitude, latitude (3.1.1)."""
    async for chunk in chunks:
        yield [_feature(form.item(item), form.columns[0], form.place(item)) for item in chunk]


def _feature(item: Any, id_name: str, place: Location | None) -> dict[str, Any]:
    result = msgspec.structs.asdict(item)
    return {
        "type": "Feature",
        "id": result.pop(id_name),
        "geometry": None if place is None else {"type": "Point", "coordinates": _position(place)},
        "properties": {name: value for name, value in result.items() if name != "location" and value is not msgspec.UNSET},
    }


operations = [assemblies, standings]
