"""Litestar and msgspec before, an asyncpg pool with hand-written statements behind; one transaction a report."""

from typing import Annotated
from uuid import UUID

import asyncpg
from litestar import Litestar, Response, put
from litestar.params import Parameter

from service.record.reports.schemas import ReportFacts
from tests.benchmarks.peers import sql
from tests.benchmarks.peers.common import DSN, POOL, Keys, UtilityOnRecord

keys = Keys()
utilities: dict[str, UtilityOnRecord] = {}


async def start(app: Litestar) -> None:
    app.state.pool = await asyncpg.create_pool(DSN, min_size=POOL, max_size=POOL)


async def stop(app: Litestar) -> None:
    await app.state.pool.close()


@put("/v1/utilities/{utility:str}/reports/{report_id:uuid}", status_code=201)
async def put_report(
    utility: str,
    report_id: UUID,
    data: ReportFacts,
    authorization: Annotated[str | None, Parameter(header="authorization")] = None,
) -> Response[bytes]:
    who = await keys.principal(authorization, utility)
    async with app.state.pool.acquire() as connection:
        if utility not in utilities:
            await connection.execute("SELECT set_config('nonreturn.utility', $1, false)", utility)
            utilities[utility] = UtilityOnRecord(**dict(await connection.fetchrow(sql.UTILITY, utility)))
        recorded = await sql.record(connection, utilities[utility], report_id, data, who)
    return Response(recorded, status_code=201, media_type="application/json")


app = Litestar([put_report], on_startup=[start], on_shutdown=[stop], openapi_config=None)
