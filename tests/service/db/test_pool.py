"""What the pool says of a database that is slow, and how its sessions are planned for."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from service.db import pool as pools
from service.db.pool import Pool
from service.problems import ProblemError
from tests.support.databases import Database, in_thread


def with_pool(database: Database, act: Callable[[Pool], Awaitable[Any]]) -> Any:
    async def run() -> Any:
        pool = await Pool.open(database.dsn, size=1)
        try:
            return await act(pool)
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(run()))


def test_a_statement_that_takes_too_long_is_not_called_a_database_that_is_away(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pools, "COMMAND_SECONDS", 0.3)

    async def wait(pool: Pool) -> Any:
        with pytest.raises(ProblemError) as found:
            async with pool.lend("one") as connection:
                await connection.execute("SELECT pg_sleep(10)")
        async with pool.lend("one") as connection:
            assert await connection.fetchval("SELECT 1") == 1
        return found.value

    problem = with_pool(database, wait)
    assert (problem.code, problem.cause.code) == ("unavailable", "database_slow")


def test_a_session_is_planned_by_key_where_it_is_lent_so_and_otherwise_as_before(database: Database) -> None:
    async def settings(pool: Pool) -> list[tuple[str, str]]:
        found = []
        for by_key in (False, True, True, False):
            async with pool.lend("one", by_key=by_key) as connection:
                row = await connection.fetchrow("SELECT current_setting('plan_cache_mode'), current_setting('enable_seqscan')")
                found.append(tuple(row))
        return found

    each, by_key = ("auto", "on"), ("force_generic_plan", "off")
    assert with_pool(database, settings) == [each, by_key, by_key, each]
