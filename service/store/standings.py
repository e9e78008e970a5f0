"""Lists of assemblies and of their standings in Postgres, and the reports that a past standing rested on."""

import datetime as dt
from typing import Any
from uuid import UUID

from msgspec import Struct, structs

from service.store.pool import Pool
from service.store.reports import HistoryRow
from service.store.statements import composed, statements

_SQL = statements("standings")

NEVER = dt.date.max
"""How a due day that there is none of sorts: behind every other (Postgres's infinity)."""


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
    hazard: str
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
        sql, arguments = _composed("lines", utility, wanted, after, limit)
        async with self._pool.lend(utility) as connection:
            return [StandingLine(**dict(row)) for row in await connection.fetch(sql, *arguments)]

    async def things(self, utility: str, wanted: Wanted, *, after: tuple[dt.date, UUID] | None, limit: int) -> list[ThingLine]:
        """Up to `limit` of the wanted assemblies after that due day and assembly."""
        sql, arguments = _composed("things", utility, wanted, after, limit)
        async with self._pool.lend(utility) as connection:
            return [ThingLine(**dict(row)) for row in await connection.fetch(sql, *arguments)]

    async def history(self, utility: str, assembly_id: UUID, *, before: dt.datetime | None) -> list[HistoryRow]:
        """An assembly's reports received before that moment; None: all."""
        async with self._pool.lend(utility) as connection:
            return [HistoryRow(**dict(row)) for row in await connection.fetch(_SQL["history_by"], utility, assembly_id, before)]

    async def registered_at(self, utility: str, assembly_id: UUID) -> dt.datetime | None:
        """When an assembly came into the register."""
        async with self._pool.lend(utility) as connection:
            found: dt.datetime | None = await connection.fetchval(_SQL["registered_at"], utility, assembly_id)
        return found


def _composed(head: str, utility: str, wanted: Wanted, after: tuple[dt.date, UUID] | None, limit: int) -> tuple[str, list[Any]]:
    """The statement that begins with that part and gives what is wanted, with its arguments."""
    kept_only = (
        wanted.status is not None
        or wanted.protection not in (None, "unknown")
        or wanted.due_before is not None
        or wanted.due_after is not None
        or wanted.tester_id is not None
    )
    parts = [head, "with_standing" if kept_only else "with_or_without_standing"]
    if wanted.tester_id is not None:
        parts.append("with_last_test")
    parts.append("of_utility")
    if wanted.status is not None:
        parts.append("status" if wanted.status in ("failed", "out_of_service", "untested") else f"status_{wanted.status}")
    simple = ("due_before", "due_after", "hazard", "kind", "premises_id", "tester_id")
    parts += [name for name in simple if getattr(wanted, name) is not None]
    if wanted.protection is not None:
        parts.append("protection_weakened" if wanted.protection in ("lost", "degraded") else "protection")
    values: dict[str, Any] = {name: getattr(wanted, name) for name in Wanted.__struct_fields__}
    values |= {"utility": utility, "limit": limit}
    if wanted.area is not None:
        parts.append("area" if wanted.area.west <= wanted.area.east else "area_over_antimeridian")
        values |= structs.asdict(wanted.area)
    order = "assembly_id"
    if wanted.by_due_on:
        order = "due_day" if wanted.status in ("overdue", "due_soon") else "due_on"
    if after is not None:
        parts.append(f"after_{order}")
        values["after_due"], values["after"] = after
    parts.append(f"by_{order}")
    return composed("standings", parts, values)
