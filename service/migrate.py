"""Brings a database to the newest schema, and tells how far it is.

Revisions are numbered in order, so a database that is ahead of this service still serves it: migrations only expand while an older
service runs.
"""

from functools import cache
from importlib import resources
from pathlib import Path

import asyncpg


@cache
def newest() -> str:
    """The newest revision that this service brings."""
    names = (entry.name for entry in (resources.files("migrations") / "versions").iterdir())
    return max(name.partition("_")[0] for name in names if name.endswith(".py"))


async def migrated(dsn: str) -> bool:
    """Whether the database is as new as this service, or newer."""
    connection = await asyncpg.connect(dsn)
    try:
        if await connection.fetchval("SELECT to_regclass('public.alembic_version')") is None:
            return False
        return bool((await connection.fetchval("SELECT max(version_num) FROM public.alembic_version") or "") >= newest())
    finally:
        await connection.close()


def prepare_to_migrate() -> None:
    """Read in what only a migration needs, for who has time before one; a serving process is the smaller without it."""
    import sqlalchemy.ext.asyncio  # noqa: F401, PLC0415
    from alembic import command  # noqa: F401, PLC0415


def migrate(dsn: str) -> None:
    """Run what is missing, as the database's owner; starts an event loop of its own."""
    # Only a migration needs these, and a serving process is the smaller without them.
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415

    config = Config(str(Path(str(resources.files("migrations"))) / "alembic.ini"))
    config.attributes["dsn"] = dsn
    command.upgrade(config, "head")
