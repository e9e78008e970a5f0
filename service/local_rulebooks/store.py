"""Local rulebooks in Postgres."""

import datetime as dt
from uuid import UUID

import msgspec
from msgspec import Struct

import rules
from service.auth.access import Principal
from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.local_rulebooks.schemas import LocalRulebookVersion

_SQL = statements(__name__)
_version = msgspec.json.Decoder(LocalRulebookVersion).decode


class JudgedTest(Struct, frozen=True, kw_only=True):
    """A recorded test as it was judged."""

    id: UUID
    assembly_id: UUID
    log_index: int
    judged: str
    previous: str | None
    received_at: dt.datetime


class LocalRulebookStore:
    """Keeps and reads the versions of a utility's local rulebook."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def state(
        self,
        connection: Connection,
        utility: str,
        version: int,
        rulebook: rules.LocalRulebook,
        *,
        who: Principal,
        now: dt.datetime,
    ) -> None:
        """Keep a version, in the caller's transaction, which holds the utility's log."""
        content = msgspec.json.encode(rulebook).decode()
        await connection.execute(_SQL["state"], utility, version, now, who.organisation_id, who.key_id, content)

    async def versions(self, utility: str, *, after: int = 0, limit: int, only: int | None = None) -> list[LocalRulebookVersion]:
        """Up to `limit` versions after that number, or the one of the number `only`."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["versions"], utility, after, only, limit)
        return [_version(row[0]) for row in rows]

    async def version(self, utility: str, number: int) -> LocalRulebookVersion | None:
        """The version of that number, if there is one."""
        found = await self.versions(utility, limit=1, only=number)
        return found[0] if found else None

    async def tests_since(self, utility: str, since: dt.date, *, after: int, limit: int) -> list[JudgedTest]:
        """Up to `limit` tests performed on that day or later, after that log index."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["tests_since"], utility, after, since, limit)
        return [JudgedTest(**dict(row)) for row in rows]
