"""Everything that a utility owns, as rows: read out in one snapshot, and written in again where the utility is not there yet.

What belongs to a utility is named here and nowhere else. A table that is added to the record is added to `OWNED`, behind what it
refers to, or to `LEFT_OUT` with the reason; a test asks for one of the two.
"""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Final
from uuid import UUID

import asyncpg
from msgspec import Struct

from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.problems import problem
from service.record.reports.store import Recording
from service.registry.schemas import UtilityOnRecord

_SQL = statements(__name__)
AT_ONCE = 500


class Owned(Struct, frozen=True, kw_only=True):
    """A table whose rows are exported, in an order that follows from what they say; `without` are columns that stay behind."""

    table: str
    order: str
    without: tuple[str, ...] = ()


OWNED: Final = (
    Owned(table="utility", order="utility_id"),
    Owned(table="premises", order="id"),
    Owned(table="assembly", order="id"),
    Owned(table="tester", order="id"),
    Owned(table="gauge", order="id"),
    # Verdicts name the version that they were given under.
    Owned(table="local_rulebook", order="version"),
    Owned(table="report", order="log_index"),
    Owned(table="review", order="id, version"),
    Owned(table="import_version", order="id, version"),
    Owned(table="import_thing", order="import_id, resource, id, version"),
    Owned(table="import_reports", order="import_id, first_index, until_index"),
    Owned(table="report_request", order="organisation_id, idempotency_key"),
    Owned(table="incident", order="id"),
    Owned(table="incident_version", order="incident_id, version"),
    Owned(table="incident_reach", order="incident_id, version, place"),
    Owned(table="exception", order="id"),
    Owned(table="hazard_assessment", order="id"),
    # What the next report rests on is had from the reports, and not taken from a file's word.
    Owned(table="standing", order="assembly_id", without=("rests_version", "rests_on", "latest_at")),
    Owned(table="assembly_correction", order="assembly_id, version"),
    Owned(table="service_change", order="assembly_id, number"),
    Owned(table="contact_change", order="premises_id, version"),
    Owned(table="assembly_identity_change", order="assembly_id, version"),
    Owned(table="screening", order="id"),
    Owned(table="screening_decision", order="screening_id, version"),
    Owned(table="notice_schedule", order="utility_id"),
    Owned(table="notice_run", order="id"),
    Owned(table="notice", order="id"),
    # The evidence that the reports were not changed goes with them.
    Owned(table="log_tile", order="level, number"),
    Owned(table="log_head", order="size"),
)

LEFT_OUT: Final = {
    "assembly_grant": "It is about an organisation, and organisations are the operator's.",
    "change": "The feed is numbered again where the utility is restored: whoever mirrors it begins there from the first change.",
    "word": "Triggers write it as what it finds is restored.",
    "report_flag": "A trigger writes it as the reports are restored.",
    "fact": "Where the utility is restored, its rows are written down again as they arrive; the export's own digest holds them until then.",
    "fact_tile": "As its facts.",
    "fact_head": "As its facts.",
    "utility_log": "Its numbers follow from the reports and the changes.",
    "webhook": "A subscription is to this service's feed, and signed by a secret of this service; whoever wants one subscribes again.",
    "webhook_progress": "As its webhook.",
    "webhook_delivery": "As its webhook.",
    "webhook_attempt": "As its webhook.",
}


GAP: Final = "23000"
"""What the database raises where the reports that are written do not have the next log indexes (`record.note_changes`)."""


class TransferStore:
    """Reads all that a utility owns, and writes it."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def rows(self, utility: str) -> AsyncIterator[tuple[str, str]]:
        """Every row as its table's name and its JSON, as of one moment, in the order in which they can be written again."""
        async with self._pool.lend(utility) as connection, connection.transaction(isolation="repeatable_read", readonly=True):
            # Whoever takes the rows may be slow, and nothing is locked meanwhile.
            await connection.execute("SET LOCAL idle_in_transaction_session_timeout = 0")
            for owned in OWNED:
                select = await _filled(connection, "rows", owned)
                async for row in connection.cursor(select, utility, prefetch=AT_ONCE):
                    yield owned.table, row[0]

    @asynccontextmanager
    async def restoring(self, utility: str) -> AsyncIterator["Restoring"]:
        """The transaction in which a utility is written that is not there yet: all of it, or nothing."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            yield Restoring(connection, utility)


class Restoring:
    """One transaction that writes a utility."""

    def __init__(self, connection: Connection, utility: str) -> None:
        self._connection = connection
        self._utility = utility
        self._statements: dict[str, str] = {}

    async def write(self, table: str, rows: Sequence[bytes]) -> None:
        """Write rows of a table as they were read; 409 where the utility is there already, 400 where a row contradicts the schema."""
        if table not in self._statements:
            owned = next(item for item in OWNED if item.table == table)
            self._statements[table] = await _filled(self._connection, "restore", owned)
        try:
            await self._connection.execute(self._statements[table], (b"[" + b",".join(rows) + b"]").decode(), timeout=600)
            if table == "utility":
                await self._connection.execute(_SQL["begin_log"], self._utility)
        except asyncpg.UniqueViolationError:
            raise problem("utility_exists", utility=self._utility) from None
        except asyncpg.IntegrityConstraintViolationError as error:
            if table == "report" and error.sqlstate == GAP:
                raise problem("export_gap") from None
            raise problem("export_row", table=table, error=str(error)) from None
        except (asyncpg.DataError, asyncpg.InsufficientPrivilegeError) as error:
            raise problem("export_row", table=table, error=str(error)) from None

    def recording(self, utility: UtilityOnRecord) -> Recording:
        """What was written so far, as who records reports of that utility reads it."""
        return Recording(self._connection, utility)

    async def assembly_ids(self) -> list[UUID]:
        """Every assembly that was written."""
        return [
            row["id"]
            for row in await self._connection.fetch(statements("service.record.reports.store")["assembly_ids"], self._utility)
        ]


async def _filled(connection: Connection, statement: str, owned: Owned) -> str:
    """A statement with the table's own columns put in; the names are our own and Postgres's, never a user's."""
    names = [row[0] for row in await connection.fetch(_SQL["columns"], owned.table)]
    columns = ", ".join(f'"{name}"' for name in names if name not in owned.without)
    return _SQL[statement].format(table=owned.table, columns=columns, order=owned.order)
