"""Webhooks in Postgres: one lease at a time whoever asks at once, and looking for work reads a few rows however much there is."""

import asyncio
import json
from typing import Any
from uuid import UUID, uuid4

import pytest

from service.db.pool import Pool
from service.db.statements import statements
from service.webhooks.store import WebhookStore
from tests.support.databases import Database, ask
from tests.support.serving import NOON

CHANGES, MESSAGES = 30_000, 5_000


@pytest.fixture(scope="module")
def webhooks(database: Database) -> list[UUID]:
    """Two subscriptions of a utility with a long feed: the first has delivered thousands of messages and has one open."""
    ids = sorted((uuid4(), uuid4()))

    async def fill(owner: Any) -> None:
        await owner.execute("SET session_replication_role = replica")
        await owner.execute("INSERT INTO record.utility VALUES ('many', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute("INSERT INTO record.utility_log (utility_id, changes) VALUES ('many', $1)", CHANGES)
        await owner.execute(
            "INSERT INTO record.change SELECT 'many', n, 'reports', n::text, 1, now() FROM generate_series(1, $1::int) n", CHANGES
        )
        for one in ids:
            await owner.execute(
                "INSERT INTO record.webhook SELECT 'many', $1, 1, now(), now(), 'https://portal.example/', NULL, NULL, true, NULL, 1, NULL, ''",
                one,
            )
            await owner.execute("INSERT INTO record.webhook_progress SELECT 'many', $1, $2, $2", one, CHANGES - 10)
        await owner.execute(
            "INSERT INTO record.webhook_delivery (utility_id, webhook_id, id, created_at, after_sequence, last_sequence, state, due_at) "
            "SELECT 'many', $1, md5(n::text)::uuid, now(), n, n + 1, CASE WHEN n = $2 THEN 'pending' ELSE 'delivered' END, $3 "
            "FROM generate_series(1, $2::int) n",
            ids[0],
            MESSAGES,
            NOON,
        )
        await owner.execute("ANALYZE")

    ask(database.owner_dsn, fill)
    return ids


async def test_of_many_that_ask_at_once_one_gets_the_lease(database: Database, webhooks: list[UUID]) -> None:
    pool = await Pool.open(database.dsn, size=8)
    store = WebhookStore(pool)
    try:
        for _ in range(10):
            leases = [uuid4() for _ in range(16)]
            got = await asyncio.gather(*(store.take("many", webhooks[0], lease, 60) for lease in leases))
            assert got.count(True) == 1
            holder = leases[got.index(True)]
            assert await store.head("many", webhooks[0], holder) is not None
            others = [lease for lease in leases if lease != holder]
            assert [await store.head("many", webhooks[0], lease) for lease in others[:3]] == [None] * 3
            # Only its holder gives it back.
            await store.release("many", webhooks[0], others[0])
            assert not await store.take("many", webhooks[0], others[0], 60)
            await store.release("many", webhooks[0], holder)
        # One that has ended is anybody's.
        assert await store.take("many", webhooks[0], leases[0], 0)
        assert await store.take("many", webhooks[0], leases[1], 60)
        assert await store.head("many", webhooks[0], leases[0]) is None
        await store.release("many", webhooks[0], leases[1])
    finally:
        await pool.close()


async def test_what_waits_is_found_and_what_is_not_due_is_reported_apart(database: Database, webhooks: list[UUID]) -> None:
    pool = await Pool.open(database.dsn, size=2)
    store = WebhookStore(pool)
    try:
        early = {row.id: row.due for row in await store.work("many", NOON.replace(year=2020))}
        assert early == {webhooks[0]: False, webhooks[1]: True}
        assert {row.id: row.due for row in await store.work("many", NOON)} == {webhooks[0]: True, webhooks[1]: True}
        lease = uuid4()
        await store.take("many", webhooks[1], lease, 60)
        assert {row.id: row.due for row in await store.work("many", NOON)} == {webhooks[0]: True, webhooks[1]: False}
        await store.release("many", webhooks[1], lease)
        assert await store.work("other", NOON) == []
    finally:
        await pool.close()


def rows_read(node: dict[str, Any]) -> int:
    """The rows that a plan's scans touched, those that were filtered away included."""
    own = 0
    if "Scan" in node["Node Type"]:
        own = (node["Actual Rows"] + node.get("Rows Removed by Filter", 0)) * node["Actual Loops"]
    return int(own + sum(map(rows_read, node.get("Plans", ()))))


@pytest.mark.parametrize("statement", ["work", "head", "covered"])
async def test_looking_for_work_reads_a_few_rows(database: Database, webhooks: list[UUID], statement: str) -> None:
    arguments = {
        "work": ("many", NOON),
        "head": ("many", webhooks[0], uuid4()),
        "covered": ("many", CHANGES - 10, CHANGES, ["reports"], 100),
    }[statement]
    pool = await Pool.open(database.dsn, size=1)
    try:
        async with pool.lend("many") as connection:
            explained = f"EXPLAIN (ANALYZE, FORMAT JSON) {statements('service.webhooks.store')[statement]}"
            [[result]] = await connection.fetch(explained, *arguments)
    finally:
        await pool.close()
    assert rows_read(json.loads(result)[0]["Plan"]) < 50, result
