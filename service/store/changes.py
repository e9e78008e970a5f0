"""The change feed in Postgres."""

import datetime as dt
from typing import Literal

from msgspec import Struct

from service.store.pool import Pool
from service.store.statements import statements

_SQL = statements("changes")

Resource = Literal[
    "utility",
    "premises",
    "assemblies",
    "testers",
    "gauges",
    "reports",
    "standings",
    "incidents",
    "exceptions",
    "notices",
    "notice_schedule",
]


class Change(Struct, frozen=True, kw_only=True):
    """Something of that resource and id was written and has now this version; a standing bears its assembly's id."""

    sequence: int
    resource: Resource
    id: str
    version: int
    recorded_at: dt.datetime


class ChangeStore:
    """Reads the feed."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def after(self, utility: str, sequence: int, *, limit: int) -> list[Change]:
        """Up to `limit` changes after that one, in order."""
        async with self._pool.lend(utility) as connection:
            return [Change(**dict(row)) for row in await connection.fetch(_SQL["changes"], utility, sequence, limit)]
