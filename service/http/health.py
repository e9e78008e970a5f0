"""Whether the service lives, whether it can work, and what it has done."""

import asyncio
from contextlib import suppress

import asyncpg
from msgspec import Struct

from service import metrics
from service.db.migrate import newest
from service.db.pool import NO_UTILITY
from service.db.statements import statements
from service.http.endpoint import Answer, Call, operation
from service.problems import problem

READY_SECONDS = 3.0
"""So long the database has to answer; who asks whether we are ready does not wait for long."""


class Health(Struct, frozen=True, kw_only=True):
    """In one word."""

    status: str
    """`alive` or `ready`."""


@operation("GET", "/healthz", id="readHealth", summary="Check that the service is alive", answers={200: Health}, tag="operation")
async def health(_call: Call) -> Answer:
    """Say that the process answers."""
    return Answer(body=Health(status="alive"))


@operation(
    "GET", "/readyz", id="readReadiness", summary="Check that the service is ready", answers={200: Health}, tag="operation"
)
async def ready(call: Call) -> Answer:
    """Say whether reports can be taken: the database answers, is migrated, and the role cannot bypass row security."""
    row = None
    try:
        async with asyncio.timeout(READY_SECONDS), call.services.pool.lend(NO_UTILITY) as connection:
            with suppress(asyncpg.PostgresError):
                row = await connection.fetchrow(statements(__name__)["readiness"])
    except TimeoutError:
        raise problem("database_silent", wait=2) from None
    if row is None or row["migrated_to"] < newest():
        raise problem("database_not_migrated")
    if row["bypasses"]:
        raise problem("database_role")
    return Answer(body=Health(status="ready"))


@operation(
    "GET",
    "/metrics",
    id="readMetrics",
    summary="Read the metrics",
    answers={200: bytes},
    tag="operation",
    media_types={200: (metrics.MEDIA_TYPE,)},
)
async def counters(call: Call) -> Answer:
    """Give the counters of this process."""
    return Answer(body=call.services.metrics.text(), media_type=metrics.MEDIA_TYPE)


operations = [health, ready, counters]
