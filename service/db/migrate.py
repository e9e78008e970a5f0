"""Brings a database to the newest schema, and says which revision it has.

Revisions are numbered in order, so a database that is ahead of this service still serves it: migrations only expand while an older
service runs.
"""

from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import asyncpg

from service import trouble
from service.db.pool import ROLE

REACH_SECONDS = 10.0
"""So long a command waits for a database to answer."""


@cache
def newest() -> str:
    """The newest revision that this service brings."""
    names = (entry.name for entry in (resources.files("migrations") / "versions").iterdir())
    return max(name.partition("_")[0] for name in names if name.endswith(".py"))


async def try_database(dsn: str, setting: str, *, as_owner: bool) -> bool:
    """Whether the database is migrated, asked as the service or as its owner; TroubleError where it cannot be reached.

    `setting` names what the address is from.
    """
    role = {} if as_owner else {"role": ROLE}
    try:
        connection = await asyncpg.connect(dsn, timeout=REACH_SECONDS, server_settings=role)
    except (OSError, ValueError, asyncpg.PostgresError, asyncpg.InterfaceError) as error:
        raise trouble.connecting(error, setting) from error
    try:
        return await _is_migrated(connection)
    finally:
        await connection.close()


async def migrated(dsn: str) -> bool:
    """Whether the database is as new as this service, or newer."""
    connection = await asyncpg.connect(dsn)
    try:
        return await _is_migrated(connection)
    finally:
        await connection.close()


async def _is_migrated(connection: Any) -> bool:
    if await connection.fetchval("SELECT to_regclass('public.alembic_version')") is None:
        return False
    return bool((await connection.fetchval("SELECT max(version_num) FROM public.alembic_version") or "") >= newest())


def prepare_to_migrate() -> None:
    """Read in what only a migration needs, for who has time before one; a serving process is the smaller without it."""
    import sqlalchemy.ext.asyncio  # noqa: F401, PLC0415
    from alembic import command  # noqa: F401, PLC0415


def migrate(dsn: str) -> None:
    """Run what is missing, as the database's owner; starts an event loop of its own. TroubleError where that cannot be."""
    # Only a migration needs these, and a serving process is the smaller without them.
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415
    from sqlalchemy.exc import DBAPIError  # noqa: PLC0415

    config = Config(str(Path(str(resources.files("migrations"))) / "alembic.ini"))
    config.attributes["dsn"] = dsn
    try:
        command.upgrade(config, "head")
    except (DBAPIError, asyncpg.PostgresError) as error:
        # SQLAlchemy wraps its adapter's error, which wraps the driver's.
        wrapped = error.orig if isinstance(error, DBAPIError) else None
        raise trouble.migrating((wrapped.__cause__ if wrapped else None) or error) from error
