"""Organisations, keys and grants: small, global, and read before any utility is named."""

import datetime as dt
from typing import Any, Literal
from uuid import UUID

from msgspec import Struct

from service.db.pool import NO_UTILITY, Pool
from service.db.statements import statements

_SQL = statements(__name__)


class KeyRow(Struct, frozen=True, kw_only=True):
    """A key as it is kept, with its organisation's kind and utilities."""

    key_id: UUID
    organisation_id: UUID
    kind: Literal["utility", "testing_company", "regulator", "operator"]
    secret_hash: bytes
    rights: list[str]
    expires_at: dt.datetime | None
    revoked_at: dt.datetime | None
    utilities: list[str]


class AccessStore:
    """Reads and writes the `access` schema."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def key(self, key_id: UUID) -> KeyRow | None:
        """The key of that id."""
        rows = await self.rows("key_by_id", key_id)
        return KeyRow(**rows[0]) if rows else None

    async def rows(self, statement: str, *arguments: Any) -> list[dict[str, Any]]:
        """The rows that a named statement of access.sql gives."""
        async with self._pool.lend(NO_UTILITY) as connection:
            return [dict(row) for row in await connection.fetch(_SQL[statement], *arguments)]
