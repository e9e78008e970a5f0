"""The feed of changes under many writers at once: gapless, and no number becomes visible before a lower one."""

import asyncio
from typing import Any

import asyncpg

from tests.support.databases import Database, ask

WRITERS, EACH = 8, 12
PREMISES = "INSERT INTO record.premises (utility_id, id, version, created_at, changed_at, name, address, connection) SELECT 'cedar', gen_random_uuid(), 1, now(), now(), 'P', 'A', 'fire' FROM generate_series(1, $1)"


async def test_a_reader_beside_many_writers_sees_every_change_once_and_in_order(database: Database) -> None:
    async def begin(owner: Any) -> None:
        await owner.execute("INSERT INTO record.utility VALUES ('cedar', 1, now(), now(), 'Water', 'us-wa', 'UTC', 30)")
        await owner.execute("INSERT INTO record.utility_log (utility_id) VALUES ('cedar')")

    ask(database.owner_dsn, begin)
    done = asyncio.Event()

    async def connected() -> Any:
        connection = await asyncpg.connect(database.dsn)
        await connection.execute("SELECT set_config('nonreturn.utility', 'cedar', false)")
        return connection

    async def write(number: int) -> None:
        connection = await connected()
        for turn in range(EACH):
            transaction = connection.transaction()
            await transaction.start()
            await connection.execute(PREMISES, 1 + (number + turn) % 3)
            await asyncio.sleep(0.001 * (number % 3))
            # Some give up: their numbers must be used by others.
            await (transaction.rollback() if turn % 4 == 3 else transaction.commit())
        await connection.close()

    seen: list[int] = []

    async def read() -> None:
        connection = await connected()
        while True:
            finished = done.is_set()
            rows = await connection.fetch(
                "SELECT sequence FROM record.change WHERE utility_id = 'cedar' AND sequence > $1 ORDER BY sequence LIMIT 5",
                seen[-1] if seen else 0,
            )
            seen.extend(row["sequence"] for row in rows)
            if finished and not rows:
                break
            await asyncio.sleep(0)
        await connection.close()

    reader = asyncio.create_task(read())
    await asyncio.gather(*(write(number) for number in range(WRITERS)))
    done.set()
    await reader
    assert seen == list(range(1, len(seen) + 1))
    assert len(seen) == database.count("change") == database.count("premises") > WRITERS * EACH
