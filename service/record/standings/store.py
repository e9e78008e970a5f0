"""Lists of assemblies and of their standings in Postgres, and the reports that a past standing rested on."""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from operator import itemgetter
from typing import Any, Final
from uuid import UUID

from msgspec import Struct, structs

from service.db.pool import Pool
from service.db.statements import composed, statements
from service.record.reports.rows import AssemblyHazard, HistoryRow, Purpose

_SQL = statements(__name__)

NEVER = dt.date.max
"""How a due day that there is none of sorts: behind every other (Postgres's infinity)."""


PRESSING: Final = ("overdue", "due_soon")
"""Statuses of a day: stretches of the due day among the current ones."""
KEPT: Final = ("current", "failed", "untested", "out_of_service")
"""Statuses as they are kept."""
PLACES: Final = ("assembly", "premises")
"""What an area is looked for by: where the assembly itself is, or where it is by its premises."""
EXCEPTIONAL: Final = KEPT[1:]
"""The kept statuses that few assemblies have."""
Place = tuple[dt.date, UUID]
"""Where a list goes on: behind that due day, or NEVER, and assembly."""


class Strand(Struct, frozen=True, kw_only=True):
    """A part of a list by due day that an index holds in its order: of one kept status, with a due day or without.

    None: without a standing.
    """

    status: str | None
    dated: bool


class Area(Struct, frozen=True, kw_only=True):
    """A box on the earth in degrees, its edges included; one whose west is greater than its east crosses the antimeridian."""

    west: float
    south: float
    east: float
    north: float


class Wanted(Struct, frozen=True, kw_only=True):
    """Which assemblies, as of the utility's `today`; `soon` is the last day that counts as due soon. None: not asked."""

    today: dt.date
    soon: dt.date
    status: str | None = None
    due_before: dt.date | None = None
    due_after: dt.date | None = None
    hazard: str | None = None
    kind: str | None = None
    premises_id: UUID | None = None
    protection: str | None = None
    tester_id: UUID | None = None
    ids: list[UUID] | None = None
    """Only these: few enough to look at each."""
    lows: list[str] = []
    """With `highs`: ranges of words, of each of which the assembly or its premises must have one."""
    highs: list[str] = []
    area: Area | None = None
    by_due_on: bool = False


class ThingLine(Struct, frozen=True, kw_only=True):
    """An assembly as registered, as JSON, with where its premises are and its due day, or NEVER."""

    assembly_id: UUID
    thing: str
    location: str | None
    due: dt.date


class StandingLine(Struct, frozen=True, kw_only=True):
    """An assembly with its premises and its kept standing; `due` is its due day, or NEVER."""

    assembly_id: UUID
    premises_id: UUID
    premises: str
    address: str
    reference: str | None
    location: str | None
    connection: str
    kind: str
    hazard: AssemblyHazard
    purpose: Purpose | None
    backpressure_possible: bool | None
    in_plant_air_gap: bool | None
    hazard_class: str | None
    serial_number: str | None
    position: str | None
    installed_on: dt.date | None
    in_service: bool
    created_at: dt.datetime
    basis: str | None
    due: dt.date


class StandingStore:
    """Reads standings."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def lines(self, utility: str, wanted: Wanted, *, after: tuple[dt.date, UUID] | None, limit: int) -> list[StandingLine]:
        """Up to `limit` of the wanted standings after that due day and assembly."""
        return [StandingLine(**dict(row)) for row in await self._page("lines", utility, wanted, after, limit)]

    async def things(self, utility: str, wanted: Wanted, *, after: tuple[dt.date, UUID] | None, limit: int) -> list[ThingLine]:
        """Up to `limit` of the wanted assemblies after that due day and assembly."""
        return [ThingLine(**dict(row)) for row in await self._page("things", utility, wanted, after, limit)]

    async def _page(self, head: str, utility: str, wanted: Wanted, after: Place | None, limit: int) -> list[Any]:
        """A page's rows: by one statement, or by due day from several strands, each of which an index gives in order."""
        plain = not wanted.by_due_on or wanted.status in PRESSING or wanted.ids is not None
        ways: Iterable[list[Strand | None]] = [[None]] if plain else _strands(wanted, after)
        order = itemgetter("due", "assembly_id") if wanted.by_due_on else itemgetter("assembly_id")
        found: list[Any] = []
        async with self._pool.lend(utility, by_key=True) as connection:
            if plain and wanted.area is None:
                sql, arguments = _composed(head, utility, wanted, after, limit)
                return list(await connection.fetch(sql, *arguments))
            # One snapshot, so that an assembly that changes meanwhile is not met in two strands.
            async with connection.transaction(isolation="repeatable_read", readonly=True):
                for strands in ways:
                    rows = []
                    for strand, place in product(strands, PLACES if wanted.area is not None else (None,)):
                        sql, arguments = _composed(head, utility, wanted, after, limit - len(found), strand=strand, place=place)
                        rows += await connection.fetch(sql, *arguments)
                    found += sorted(rows, key=order)[: limit - len(found)]
                    if len(found) == limit:
                        break
            return found

    async def history(self, utility: str, assemblies: Sequence[UUID], *, before: dt.datetime | None) -> list[HistoryRow]:
        """The reports of those assemblies received before that moment; None: all."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return [HistoryRow(**dict(row)) for row in await connection.fetch(_SQL["history_by"], utility, assemblies, before)]

    async def registered_at(self, utility: str, assembly_id: UUID) -> dt.datetime | None:
        """When an assembly came into the register."""
        async with self._pool.lend(utility, by_key=True) as connection:
            found: dt.datetime | None = await connection.fetchval(_SQL["registered_at"], utility, assembly_id)
        return found

    async def was_in_service(self, utility: str, assembly_id: UUID, on: dt.date) -> bool:
        """Whether an assembly that is there was in service on that day."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return bool(await connection.fetchval(_SQL["was_in_service"], utility, assembly_id, on))


def _kept_only(wanted: Wanted) -> bool:
    """Whether only assemblies that have a kept standing can be wanted."""
    return (
        wanted.status is not None
        or wanted.protection is not None
        or wanted.due_before is not None
        or wanted.due_after is not None
        or wanted.tester_id is not None
    )


def _strands(wanted: Wanted, after: Place | None) -> Iterator[list[Strand | None]]:
    """What a list by due day is made of, in order: those with a due day, then those without one; each by the statuses that are kept."""
    statuses = KEPT if wanted.status is None else (wanted.status,)
    if after is None or after[0] != NEVER:
        yield [Strand(status=status, dated=True) for status in statuses]
    if wanted.due_before is None and wanted.due_after is None:
        without = [] if _kept_only(wanted) else [Strand(status=None, dated=False)]
        yield [*(Strand(status=status, dated=False) for status in statuses), *without]


def _status_parts(wanted: Wanted, strand: Strand | None) -> list[str]:
    """What is said of the status, and in a strand of the due day."""
    if strand is None:
        return [] if wanted.status is None else [f"status_{wanted.status}"]
    if strand.status is None:
        return ["without_standing"]
    kept = "status_kept_current" if strand.status == "current" else f"status_{strand.status}"
    later = ["later"] if wanted.status == "current" and strand.dated else []
    return [kept, "dated" if strand.dated else "undated", *later]


def _composed(
    head: str,
    utility: str,
    wanted: Wanted,
    after: Place | None,
    limit: int,
    *,
    strand: Strand | None = None,
    place: str | None = "premises",
) -> tuple[str, list[Any]]:
    """The statement that begins with that part and gives what is wanted, of a strand where one is given, with its arguments."""
    undated = strand is not None and not strand.dated
    few = wanted.ids is not None
    by_due_day = wanted.by_due_on and (strand is None or strand.status is not None) and not few
    if undated and after is not None and after[0] != NEVER:
        # The place is among those that have a due day, before all of these.
        after = None
    kept_only = _kept_only(wanted) or (strand is not None and strand.status is not None)
    parts = [head, "with_standing" if kept_only else "with_or_without_standing"]
    if after is not None and not by_due_day and not few:
        parts.append("standing_after")
    if wanted.tester_id is not None:
        parts.append("with_last_test")
    parts += ["of_utility", *_status_parts(wanted, strand)]
    simple = ("due_before", "due_after", "hazard", "kind", "premises_id", "tester_id")
    parts += [name for name in simple if getattr(wanted, name) is not None]
    if wanted.protection is not None:
        parts.append(f"protection_{wanted.protection}")
    parts += [*(["found"] if few else []), *(["with_words"] if wanted.lows else [])]
    values: dict[str, Any] = {name: getattr(wanted, name) for name in Wanted.__struct_fields__}
    values |= {"utility": utility, "limit": limit}
    if wanted.area is not None:
        parts.append(f"area_of_{place}" + ("" if wanted.area.west <= wanted.area.east else "_over_antimeridian"))
        values |= structs.asdict(wanted.area)
    if after is not None and few:
        parts.append("after_few_by_due_day" if wanted.by_due_on else "after_assembly_id")
        values["after_due"], values["after"] = after
    elif after is not None:
        # Where there is a standing, the place stored with it is the assembly's too; given twice, it would be taken for two conditions.
        if by_due_day:
            parts.append("after_assembly_undated" if undated else "after_due_day")
        elif not kept_only:
            parts.append("after_assembly_id")
        values["after_due"], values["after"] = after
    parts.append("few_by_due_day" if few and wanted.by_due_on else "by_due_day" if by_due_day else "by_assembly_id")
    return composed(__name__, parts, values)
