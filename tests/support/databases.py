"""Databases of the tests: a fresh one is a copy of a migrated template."""

import asyncio
import tempfile
from collections.abc import Awaitable, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import asyncpg

from service.db.embedded import SERVICE, EmbeddedPostgres

TEMPLATE = "nonreturn_template"
_names = count(1)


def in_thread(work: Callable[[], Any]) -> Any:
    """What `work` returns, run in a thread of its own: it may start an event loop there, whoever runs one here."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(work).result()


def ask(dsn: str, act: Callable[[Any], Awaitable[Any]]) -> Any:
    """What `act` returns on a connection of its own to `dsn`."""

    async def asked() -> Any:
        connection = await asyncpg.connect(dsn)
        try:
            return await act(connection)
        finally:
            await connection.close()

    return in_thread(lambda: asyncio.run(asked()))


class Database:
    """A fresh migrated database: its addresses as its owner and as the service's role."""

    def __init__(self, postgres: EmbeddedPostgres, name: str) -> None:
        self.name = name
        self.owner_dsn = postgres.dsn(database=name)
        self.dsn = postgres.dsn(SERVICE, name)

    def owner(self, sql: str, *arguments: Any) -> list[Any]:
        """The rows of one statement, asked as the owner, who is a superuser and sees everything."""
        return list(ask(self.owner_dsn, lambda connection: connection.fetch(sql, *arguments)))

    def count(self, table: str) -> int:
        """How many rows a table of the schema `record` holds."""
        return int(self.owner(f"SELECT count(*) FROM record.{table}")[0][0])  # noqa: S608 - our own table names


@contextmanager
def data_folder() -> Iterator[Path]:
    """A folder for a Postgres's data.

    Not one of pytest's: each run of pytest closes the folder above them to other users, and as root Postgres works as one.
    """
    with tempfile.TemporaryDirectory(prefix="nonreturn-", ignore_cleanup_errors=True) as folder:
        yield Path(folder) / "postgres"


@contextmanager
def fresh_database(postgres: EmbeddedPostgres, template: str) -> Iterator[Database]:
    """A copy of the template for as long as it is needed."""
    name = f"test_{next(_names)}"
    ask(postgres.dsn(), lambda connection: connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}"))
    yield Database(postgres, name)
    ask(postgres.dsn(), lambda connection: connection.execute(f"DROP DATABASE {name} WITH (FORCE)"))
