"""A year in figures, in Postgres: every figure of one summary is read from the same snapshot, so that they agree."""

import datetime as dt
from typing import Any

from msgspec import Struct

from service.store.pool import Pool
from service.store.statements import statements

_SQL = statements("summaries")
_OF_ASSEMBLIES = ("assemblies", "tests", "failures", "unprotected")

Group = tuple[str, str] | None
"""A kind and hazard; None: over all."""


class YearRows(Struct, frozen=True, kw_only=True):
    """Premises by connection, and figures by name for each kind and hazard and over all."""

    connections: dict[str, int]
    groups: dict[Group, dict[str, Any]]


class SummaryStore:
    """Counts."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def year(self, utility: str, *, first: dt.date, last: dt.date, today: dt.date) -> YearRows:
        """The figures of the days from first to last."""
        groups: dict[Group, dict[str, Any]] = {}
        async with (
            self._pool.lend(utility) as connection,
            connection.transaction(isolation="repeatable_read", readonly=True),
        ):
            connections = {
                row["connection"]: row["premises"] for row in await connection.fetch(_SQL["connections"], utility, last)
            }
            for name in _OF_ASSEMBLIES:
                days = (first, last, today) if "$4" in _SQL[name] else (first, last)
                for row in await connection.fetch(_SQL[name], utility, *days):
                    told = dict(row)
                    kind, hazard = told.pop("kind"), told.pop("hazard")
                    groups.setdefault(None if kind is None else (kind, hazard), {}).update(told)
        return YearRows(connections=connections, groups=groups)
