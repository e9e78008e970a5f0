"""Screenings in Postgres, and the tests that the screens look at, a page at a time."""

import datetime as dt
from collections.abc import AsyncIterator, Sequence
from typing import Any
from uuid import UUID

import msgspec
from msgspec import Struct

from service.auth.access import Principal
from service.db.pool import Pool
from service.db.statements import statements
from service.problems import not_found, problem
from service.screenings.schemas import ScreeningDecision, ScreeningDecisionFacts

_SQL = statements(__name__)
PAGE = 500
_SORTING_TAKES = 3_600
_BEFORE_ALL = (UUID(int=0), dt.datetime(1, 1, 1, tzinfo=dt.UTC), UUID(int=0))


class ScreenedRow(Struct, frozen=True, kw_only=True):
    """A report as far as the screens look at it."""

    id: UUID
    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    judged: str
    previous: str | None
    initial_outcome: str | None
    gauge_unit: str
    latitude: float | None
    longitude: float | None


class IdentityRow(Struct, frozen=True, kw_only=True):
    """A change of an assembly's serial number or size on record."""

    assembly_id: UUID
    version: int
    on_day: dt.date
    serial_number_before: str | None
    serial_number_after: str | None
    size_before: str | None
    size_after: str | None
    replaced: bool


class SharedRow(Struct, frozen=True, kw_only=True):
    """A serial number that several assemblies of a kind bear."""

    serial_number: str
    kind: str
    assembly_ids: list[UUID]
    on_day: dt.date


class ScreeningRow(Struct, frozen=True, kw_only=True):
    """A screening as kept, with its last decision as JSON."""

    id: UUID
    version: int
    created_at: dt.datetime
    changed_at: dt.datetime
    screen: str
    tester_id: UUID | None
    gauge_id: UUID | None
    assembly_id: UUID | None
    occasion: str
    on_day: dt.date
    message: str
    evidence: str
    disposition: str
    decision: str | None


class ScreeningsWanted(Struct, frozen=True, kw_only=True):
    """Which screenings; None: not asked. The order is that of the statement's parameters."""

    screen: str | None = None
    tester_id: UUID | None = None
    gauge_id: UUID | None = None
    assembly_id: UUID | None = None
    disposition: str | None = None
    since: dt.date | None = None


class TrendRow(Struct, frozen=True, kw_only=True):
    """A test of an assembly that counts."""

    id: UUID
    performed_on: dt.date
    judged: str
    verdict: str


class ScreeningStore:
    """Reads what the screens look at, and keeps what they find."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def tests_by_tester(self, utility: str, since: dt.date) -> AsyncIterator[ScreenedRow]:
        """Every test since that day by tester and moment; no connection is held between pages."""
        after = _BEFORE_ALL
        while True:
            async with self._pool.lend(utility) as connection:
                rows = [
                    ScreenedRow(**dict(row))
                    for row in await connection.fetch(_SQL["tests_by_tester"], utility, since, *after, PAGE)
                ]
            for row in rows:
                yield row
            if len(rows) < PAGE:
                return
            after = (rows[-1].tester_id, rows[-1].performed_at, rows[-1].id)

    async def tests_by_gauge(self, utility: str, since: dt.date) -> AsyncIterator[ScreenedRow]:
        """Every test since that day by gauge and moment, through one cursor."""
        async with self._pool.lend(utility) as connection, connection.transaction(isolation="repeatable_read", readonly=True):
            cursor = connection.cursor(_SQL["tests_by_gauge"], utility, since, prefetch=PAGE, timeout=_SORTING_TAKES)
            async for row in cursor:
                yield ScreenedRow(**dict(row))

    async def identity_changes(self, utility: str, since: dt.datetime, zone: str) -> list[IdentityRow]:
        """Changes of serial numbers and sizes since that moment, with their days in that time zone."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["identity_changes"], utility, since, zone)
        return [IdentityRow(**dict(row)) for row in rows]

    async def shared_serials(self, utility: str, zone: str) -> list[SharedRow]:
        """Serial numbers that several assemblies of a kind bear."""
        async with self._pool.lend(utility) as connection:
            return [SharedRow(**dict(row)) for row in await connection.fetch(_SQL["shared_serials"], utility, zone)]

    async def keep(self, utility: str, rows: Sequence[dict[str, Any]], *, now: dt.datetime) -> tuple[int, int]:
        """Keep what was found; how many rows are new, and how many renewed."""
        async with self._pool.lend(utility) as connection:
            result = await connection.fetch(_SQL["keep"], utility, now, msgspec.json.encode(rows).decode())
        fresh = sum(row["fresh"] for row in result)
        return fresh, len(result) - fresh

    async def listed(
        self, utility: str, wanted: ScreeningsWanted, *, after: UUID | None, limit: int, only: UUID | None = None
    ) -> list[ScreeningRow]:
        """Up to `limit` of the wanted screenings after that id, by id."""
        asked = msgspec.structs.astuple(wanted)
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["list"], utility, after, limit, *asked, only)
        return [ScreeningRow(**dict(row)) for row in rows]

    async def one(self, utility: str, screening_id: UUID) -> ScreeningRow:
        """The screening of that id; 404 where there is none."""
        found = await self.listed(utility, ScreeningsWanted(), after=None, limit=1, only=screening_id)
        if not found:
            raise not_found("screening")
        return found[0]

    async def decisions(self, utility: str, screening_id: UUID) -> list[ScreeningDecision]:
        """Every decision on a screening, the first first."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["decisions"], utility, screening_id)
        return [ScreeningDecision(**dict(row)) for row in rows]

    async def decide(
        self, utility: str, screening_id: UUID, facts: ScreeningDecisionFacts, *, version: int, who: Principal, now: dt.datetime
    ) -> None:
        """Keep a decision while the screening's version is still that one; 412 where it is not."""
        async with self._pool.lend(utility) as connection:
            kept = await connection.fetchval(
                _SQL["decide"],
                utility,
                screening_id,
                version,
                now,
                facts.disposition,
                facts.because,
                facts.decided_by,
                who.organisation_id,
                who.key_id,
            )
        if kept is None:
            raise problem("version_changed")

    async def tests_of_assembly(self, utility: str, assembly_id: UUID) -> list[TrendRow]:
        """The tests of an assembly that count, in the order of their making."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["tests_of_assembly"], utility, assembly_id)
        return [TrendRow(**dict(row)) for row in rows]
