"""Runs the migrations against the live database, gently.

A lock is waited for five seconds at most and a statement runs for a minute, so that a migration gives way to the service rather than
stopping it; an advisory lock keeps two deployments from migrating at once.
"""

import asyncio
import os

import sqlalchemy as sa
from alembic import context
from sqlalchemy.ext.asyncio import create_async_engine

ADVISORY_LOCK = 7_238_001


def run(connection: sa.Connection) -> None:
    """Migrate on this connection, in one transaction."""
    context.configure(connection=connection, transactional_ddl=True)
    with context.begin_transaction():
        connection.exec_driver_sql("SET LOCAL lock_timeout = '5s'")
        connection.exec_driver_sql("SET LOCAL statement_timeout = '60s'")
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ADVISORY_LOCK})")
        context.run_migrations()
        # So that the service can check whether it is migrated.
        connection.exec_driver_sql("GRANT SELECT ON alembic_version TO nonreturn_service")


async def main() -> None:
    """Connect as the owner; the DSN is the command's attribute, or NONRETURN_ADMIN_DSN, or NONRETURN_DSN."""
    dsn = context.config.attributes.get("dsn") or os.environ.get("NONRETURN_ADMIN_DSN") or os.environ["NONRETURN_DSN"]
    engine = create_async_engine("postgresql+asyncpg://", connect_args={"dsn": dsn}, poolclass=sa.NullPool)
    async with engine.begin() as connection:
        await connection.run_sync(run)
    await engine.dispose()


asyncio.run(main())
