"""The yearly summary, of a utility and over all that the caller sees: as JSON, as a table, as a page to print; and the rows behind it."""

import datetime as dt
from collections.abc import AsyncIterator, Sequence
from typing import Any
from uuid import UUID

from msgspec import Struct
from msgspec.structs import replace

import rules
from service.http.endpoint import Answer, Call, operation
from service.http.media_types import CSV, HTML, JSON
from service.http.page import HEADERS
from service.http.paging import Limit, page, page_of
from service.http.tables import as_csv, csv_rows
from service.registry.schemas import AssemblyHazard, Connection
from service.registry.utilities_api import seen
from service.summaries.overdue import overdue_then
from service.summaries.page import over_all, summary_page
from service.summaries.store import FIGURES, Figure, FigureRow, Resource, RowsOf, SummaryStore
from service.summaries.summarise import (
    SURVEYS,
    CombinedSummary,
    Figures,
    Rates,
    YearlySummary,
    days_of,
    not_begun,
    summarise,
    summarise_all,
)

OFFERED = (JSON, CSV, HTML)
VARY = {"Vary": "Accept"}
CHUNK = 500
_OF_PREMISES = ("premises", "without_assembly", "incidents", *SURVEYS)


class RowsQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which figure's rows; of one kind, one hazard (not for premises and incidents) or one connection (for premises only)."""

    figure: Figure
    """The figure whose rows are listed."""
    kind: rules.RegisteredKind | None = None
    """Only this kind of assembly."""
    hazard: AssemblyHazard | None = None
    """Only this degree of hazard."""
    connection: Connection | None = None
    """Only this connection; for the figure `premises`."""
    after: UUID | None = None
    """The cursor from `next` of the page before."""
    limit: Limit | None = None
    """At most this many items."""


class SummaryRow(Struct, frozen=True, kw_only=True):
    """A row that a figure counts: what it is and where to read it.

    `on` is the day of the test, the failure, the incident, the first day of an exception or of days without protection within the year;
    `days` how long the repair took (null: not repaired) or how many days of the year were without protection: those add up to the figure.
    """

    resource: Resource
    """What kind of record it is."""
    id: UUID
    href: str
    """The path of the record."""
    assembly_id: UUID | None
    kind: str | None
    """The kind of the assembly; null for premises and incidents."""
    hazard: str | None
    """The degree of hazard of the assembly; null for premises and incidents."""
    connection: str | None
    """The connection of the premises; null for anything else."""
    on: dt.date | None
    """The day of the test, the failure or the incident, or the first day within the year."""
    days: int | None
    """How many days the repair took (null: not repaired), or how many days were without protection."""
    count: int | None
    """How much the row adds to its figure, for cross-connections; null: one."""
    because: str | None
    """The reason, for exceptions from isolation."""


@operation(
    "GET",
    "/v1/utilities/{utility:str}/summaries/{year:int}",
    id="readSummary",
    summary="Read the summary of a year",
    answers={200: YearlySummary},
    media_types={200: OFFERED},
    tag="summaries",
    right="read",
    may_lag=True,
)
async def summary(call: Call) -> Answer:
    """Count a year."""
    utility = await call.services.registry.utility(call.utility)
    result = await summarise(call.reading, utility, int(call.text("year")), now=call.clock.now())
    media_type = call.chosen(OFFERED)
    if media_type == HTML:
        return Answer(body=summary_page(utility.name, result), media_type=HTML, headers={**HEADERS, **VARY})
    return _file_or_json(result, media_type, [((), result)], f"summary-{result.utility}-{result.year}")


@operation(
    "GET",
    "/v1/summaries/{year:int}",
    id="readCombinedSummary",
    summary="Read the combined summary of a year",
    answers={200: CombinedSummary},
    media_types={200: OFFERED},
    tag="summaries",
    right="read",
    may_lag=True,
)
async def summary_over_all(call: Call) -> Answer:
    """Count a year over every utility granted to the caller."""
    result = await summarise_all(call.reading, await seen(call), int(call.text("year")), now=call.clock.now())
    media_type = call.chosen(OFFERED)
    if media_type == HTML:
        return Answer(body=over_all(result), media_type=HTML, headers={**HEADERS, **VARY})
    parts = [*(((utility.utility,), utility) for utility in result.utilities), (("all",), result)]
    return _file_or_json(result, media_type, parts, f"summary-{result.year}")


def _file_or_json(result: Any, media_type: str, parts: Sequence[tuple[tuple[str, ...], Any]], name: str) -> Answer:
    """As JSON; or as a table of the groups and the total of each part, each row led by the words that name the part.

    What is counted by premises, surveys and incidents is in the total's row.
    """
    if media_type == JSON:
        return Answer(body=result, headers=VARY)
    names, rates = Figures.__struct_fields__, Rates.__struct_fields__
    known = {entry.kind: entry.name for entry in rules.catalogue().kinds}
    lead = ["utility", "system_id"] * len(parts[0][0])
    rows: list[list[Any]] = [[*lead, "kind", "kind_name", "hazard", *names, *(f"{rate}_rate" for rate in rates), *_OF_PREMISES]]
    for words, part in parts:
        led = [cell for word in words for cell in (word, getattr(part, "system_id", None))]
        groups: list[tuple[Any, ...]] = [
            (group.kind, known.get(group.kind, group.kind), group.hazard, group, None) for group in part.groups
        ]
        for kind, kind_name, hazard, group, whole in (*groups, ("total", "all assemblies", "", part.total, part)):
            figures = [getattr(group, figure) for figure in names]
            shares = [getattr(group.rates, rate) for rate in rates]
            rows.append(
                [*led, kind, kind_name, hazard, *figures, *shares, *(getattr(whole, figure, None) for figure in _OF_PREMISES)]
            )
    headers = {**VARY, "Content-Disposition": f'attachment; filename="{name}.csv"'}
    return Answer(body=csv_rows(rows), media_type=f"{CSV}; header=present", headers=headers)


@operation(
    "GET",
    "/v1/utilities/{utility:str}/summaries/{year:int}/rows",
    id="listSummaryRows",
    summary="List the rows that a figure counts",
    answers={200: page_of(SummaryRow)},
    media_types={200: (JSON, CSV)},
    tag="summaries",
    right="read",
    may_lag=True,
)
async def rows(call: Call, query: RowsQuery) -> Answer:
    """List the rows that a figure counts; as CSV, all of them at once unless a limit is given."""
    utility = await call.services.registry.utility(call.utility)
    days = days_of(utility, int(call.text("year")), call.clock.now())
    if days is None:
        raise not_begun()
    store = SummaryStore(call.reading)
    overdue = await overdue_then(call.reading, utility, days) if query.figure == "overdue" else None
    wanted = RowsOf(figure=query.figure, kind=query.kind, hazard=query.hazard, connection=query.connection)

    async def found(after: UUID | None, limit: int) -> list[SummaryRow]:
        return [
            _row(utility.code, query.figure, row)
            for row in await store.rows(utility.code, days, wanted, after=after, limit=limit, overdue=overdue)
        ]

    if call.chosen((JSON, CSV)) == JSON:
        limit = query.limit or 100
        answer = page(call, await found(query.after, limit + 1), limit, lambda item: str(item.id))
        return replace(answer, headers={**answer.headers, **VARY})

    async def chunks() -> AsyncIterator[list[list[Any]]]:
        after, left = query.after, query.limit
        while left is None or left > 0:
            size = CHUNK if left is None else min(CHUNK, left)
            some = await found(after, size)
            yield [[getattr(item, name) for name in SummaryRow.__struct_fields__] for item in some]
            if len(some) < size:
                return
            after, left = some[-1].id, None if left is None else left - len(some)

    headers = {**VARY, "Content-Disposition": f'attachment; filename="{query.figure}-{utility.code}-{days.first.year}.csv"'}
    body = as_csv(list(SummaryRow.__struct_fields__), chunks())
    return Answer(body=body, media_type=f"{CSV}; header=present", headers=headers)


def _row(utility: str, figure: Figure, row: FigureRow) -> SummaryRow:
    resource = FIGURES[figure][0]
    return SummaryRow(
        resource=resource,
        id=row.id,
        href=f"/v1/utilities/{utility}/{resource.replace('_', '-')}/{row.id}",
        assembly_id=row.assembly_id,
        kind=row.kind,
        hazard=row.hazard,
        connection=row.connection,
        on=row.on_day,
        days=row.days,
        count=row.count,
        because=row.because,
    )


operations = [summary, summary_over_all, rows]
