"""The log of a utility's reports in Postgres: whole rows in the order of recording."""

from uuid import UUID

from service.store.pool import Pool
from service.store.reports import ReportRow
from service.store.statements import statements

_SQL = statements("log")


class LoggedRow(ReportRow, frozen=True, kw_only=True):
    """A report's row whole, with its place in the log and whether another corrects it."""

    log_index: int
    initial_outcome: str | None
    superseded: bool


class LogStore:
    """Reads the log."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def report(self, utility: str, report_id: UUID) -> LoggedRow | None:
        """One report's row."""
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchrow(_SQL["report"], utility, report_id)
        return LoggedRow(**dict(row)) if row is not None else None
