"""What testing companies see of a utility, in Postgres; row security reads these very rows."""

import datetime as dt
from typing import Any, Literal
from uuid import UUID

import asyncpg
from msgspec import Struct

from service.db.pool import Pool
from service.db.statements import statements
from service.problems import not_found

_SQL = statements(__name__)

Scope = Literal["all", "listed"]


class GrantedAssembly(Struct, frozen=True, kw_only=True):
    """An assembly listed for a testing company."""

    assembly_id: UUID
    granted_at: dt.datetime
    """When it was granted."""


class GrantStore:
    """Reads and writes grants of assemblies."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def kind(self, utility: str, organisation: UUID) -> str:
        """The kind of an organisation that may act in a utility; 404 for one that may not."""
        rows = await self._rows("granted", utility, organisation)
        if not rows:
            raise not_found("grant")
        return str(rows[0]["kind"])

    async def set_scope(self, utility: str, organisation: UUID, scope: Scope) -> None:
        """Let a testing company see all assemblies, or those listed."""
        await self._rows("set_scope", utility, organisation, scope)

    async def listed(self, utility: str, organisation: UUID, *, after: UUID | None, limit: int) -> list[GrantedAssembly]:
        """Up to `limit` of the listed assemblies after that one, by id."""
        return [GrantedAssembly(**row) for row in await self._rows("listed", utility, organisation, after, limit)]

    async def grant(self, utility: str, organisation: UUID, assembly: UUID, *, now: dt.datetime) -> None:
        """List an assembly; twice changes nothing; 404 where there is no such assembly or grant."""
        try:
            await self._rows("grant_assembly", utility, organisation, assembly, now)
        except asyncpg.ForeignKeyViolationError as error:
            raise not_found("assembly" if "assembly_id" in str(error.constraint_name) else "grant") from None

    async def withdraw(self, utility: str, organisation: UUID, assembly: UUID) -> None:
        """Take an assembly off the list; 404 where it is not on it."""
        if not await self._rows("withdraw_assembly", utility, organisation, assembly):
            raise not_found("grant")

    async def withdraw_utility(self, utility: str, organisation: UUID) -> None:
        """Let an organisation no longer act in a utility; 404 where it may not."""
        if not await self._rows("withdraw_utility", utility, organisation):
            raise not_found("grant")

    async def _rows(self, statement: str, utility: str, *arguments: Any) -> list[dict[str, Any]]:
        async with self._pool.lend(utility) as connection:
            return [dict(row) for row in await connection.fetch(_SQL[statement], utility, *arguments)]
