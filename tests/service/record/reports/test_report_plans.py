"""Whether a group of reports was overtaken is found out without reading the feed, long as it may be."""

import asyncio
from typing import Any
from uuid import uuid4

import pytest

from service.db.pool import Pool
from tests.support.databases import Database, ask, in_thread

FEED = 20_000


@pytest.fixture(scope="module")
def town(database: Database) -> Database:
    """A utility whose feed lists many changes, of other things than those asked about."""

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute("INSERT INTO record.utility VALUES ('town', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute("INSERT INTO record.utility_log VALUES ('town', $1, 0)", FEED)
        await owner.execute(
            "INSERT INTO record.change SELECT 'town', n, CASE n % 2 WHEN 0 THEN 'reports' ELSE 'standings' END, md5(n::text), 1, now() "
            "FROM generate_series(1, $1::int) n",
            FEED,
        )
        await owner.execute("ANALYZE record.change")

    ask(database.owner_dsn, fill)
    return database


@pytest.mark.parametrize("behind", [0, 10])
def test_whether_a_group_was_overtaken_is_asked_of_the_feeds_end_alone(town: Database, behind: int) -> None:
    async def read(connection: Any) -> tuple[int | None, int]:
        transaction = connection.transaction()
        await transaction.start()
        # The report path plans once, without knowing how far the feed is.
        await connection.execute("SET LOCAL plan_cache_mode = force_generic_plan")
        first = await connection.fetchval(
            "SELECT record.hold_log('town', 1, $1, ARRAY[$2], ARRAY[$2])", FEED - behind, str(uuid4())
        )
        rows = await connection.fetchval(
            "SELECT pg_stat_get_xact_tuples_returned(t) + pg_stat_get_xact_tuples_fetched(t) FROM (SELECT 'record.change'::regclass::oid) AS it (t)"
        )
        await transaction.rollback()
        return first, rows

    async def asked() -> tuple[int | None, int]:
        pool = await Pool.open(town.dsn, size=1)
        try:
            async with pool.lend("town") as connection:
                return await read(connection)
        finally:
            await pool.close()

    first, rows = in_thread(lambda: asyncio.run(asked()))
    assert first == 0
    assert rows <= behind
