"""The change feed in Postgres."""

import datetime as dt
from typing import Literal

from msgspec import Struct

from service.db.pool import Pool
from service.db.statements import statements

_SQL = statements(__name__)
AT_ONE_LOOK = 10_000

Resource = Literal[
    "utility",
    "premises",
    "assemblies",
    "testers",
    "gauges",
    "reports",
    "inspections",
    "reviews",
    "standings",
    "incidents",
    "exceptions",
    "hazard_assessments",
    "notices",
    "local_rulebook",
    "imports",
    "notice_schedule",
    "assembly_grants",
]


class Change(Struct, frozen=True, kw_only=True):
    """A record of this resource and id was written and now has this version. A standing has its assembly's id.

    A review has its report's id: a person decided. `assembly_grants` has a testing company's id: what that company sees has changed, so a
    mirror of its view must be read again.
    """

    sequence: int
    """The number of the change, from 1 without gaps."""
    resource: Resource
    """The kind of record that changed."""
    id: str
    """The record's id; for a standing the assembly's, for a review the report's."""
    version: int
    """The version that the record has now."""
    recorded_at: dt.datetime


class Look(Struct, frozen=True, kw_only=True):
    """What one look found, how far it saw (there is nothing more for the caller up to `seen`), and the number of the last change."""

    changes: list[Change]
    seen: int
    head: int


class ChangeStore:
    """Reads the feed."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def after(self, utility: str, sequence: int, *, limit: int) -> Look:
        """Up to `limit` changes after that one, in order."""
        async with self._pool.lend(utility) as connection:
            rows = [dict(row) for row in await connection.fetch(_SQL["changes"], utility, sequence, limit, AT_ONE_LOOK)]
        head = max([row.pop("head") for row in rows], default=0)
        changes = [Change(**row) for row in rows if row["sequence"] is not None]
        seen = changes[-1].sequence if len(changes) == limit else max(sequence, min(head, sequence + AT_ONE_LOOK))
        return Look(changes=changes, seen=seen, head=head)

    async def head(self, utility: str) -> int:
        """The number of the last change."""
        async with self._pool.lend(utility) as connection:
            return int(await connection.fetchval(_SQL["head"], utility) or 0)
