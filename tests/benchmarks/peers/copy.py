"""The limit for batches: asyncpg COPYs the rows that the service would write (report, verdict, standing), already judged.

It works as the database's owner, since COPY does not serve where row security holds; triggers, foreign keys and the feed stay.
"""

import asyncio
import time
from collections.abc import Mapping, Sequence
from operator import attrgetter

import asyncpg

from service.record.reports.rows import ReportRow, StandingRow
from tests.support.fill import fields

TOGETHER = 500
KEPT = ("assembly_id", "due_on", "basis", "rests_on", "latest_at")
_standing = attrgetter(*KEPT)
COLUMNS = ("utility_id", "log_index", *ReportRow.__struct_fields__)


async def _copy(dsn: str, utility: str, rows: Sequence[tuple[ReportRow, StandingRow]]) -> None:
    connection = await asyncpg.connect(dsn)
    await connection.execute(
        "CREATE TEMP TABLE standings (assembly_id uuid, due_on date, basis text, rests_on text, latest_at timestamptz) ON COMMIT DELETE ROWS"
    )
    for start in range(0, len(rows), TOGETHER):
        some = rows[start : start + TOGETHER]
        async with connection.transaction():
            first = await connection.fetchval(
                "SELECT reports FROM record.utility_log WHERE utility_id = $1 FOR UPDATE",
                utility,
            )
            reports = [(utility, first + n, *fields(row)) for n, (row, _) in enumerate(some)]
            await connection.copy_records_to_table("report", schema_name="record", records=reports, columns=COLUMNS)
            kept = {standing.assembly_id: _standing(standing) for _, standing in some}
            await connection.copy_records_to_table("standings", records=list(kept.values()), columns=KEPT)
            await connection.execute(
                """INSERT INTO record.standing (utility_id, assembly_id, version, due_on, basis, rests_version, rests_on, latest_at)
                SELECT $1, assembly_id, 1, due_on, basis, 1, rests_on, latest_at FROM standings ON CONFLICT (utility_id, assembly_id)
                DO UPDATE SET version = standing.version + 1, due_on = excluded.due_on, basis = excluded.basis,
                    rests_version = standing.version + 1, rests_on = excluded.rests_on, latest_at = excluded.latest_at""",
                utility,
            )
    await connection.close()


def rate(dsn: str, rows: Mapping[str, Sequence[tuple[ReportRow, StandingRow]]]) -> float:
    """Reports a second, a connection a utility."""

    async def both() -> float:
        begun = time.perf_counter()
        await asyncio.gather(*(_copy(dsn, utility, some) for utility, some in rows.items()))
        return sum(map(len, rows.values())) / (time.perf_counter() - begun)

    return asyncio.run(both())
