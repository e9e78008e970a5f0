"""FastAPI and Pydantic before, asyncpg with hand-written statements behind; one transaction a report."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated
from uuid import UUID

import asyncpg
from fastapi import FastAPI, Header, Request, Response

from tests.benchmarks.peers import sql
from tests.benchmarks.peers.common import DSN, POOL, Keys, UtilityOnRecord, decoder
from tests.benchmarks.peers.model import ReportModel

keys = Keys()
utilities: dict[str, UtilityOnRecord] = {}


@asynccontextmanager
async def lifespan(app: FastAPI) -> AsyncIterator[None]:
    app.state.pool = await asyncpg.create_pool(DSN, min_size=POOL, max_size=POOL)
    yield
    await app.state.pool.close()


app = FastAPI(lifespan=lifespan)


@app.put("/v1/utilities/{utility}/reports/{report_id}", status_code=201)
async def put_report(
    utility: str, report_id: UUID, document: ReportModel, request: Request, authorization: Annotated[str | None, Header()] = None
) -> Response:
    who = await keys.principal(authorization, utility)
    # The rules take structs: what Pydantic has found good is decoded once more, which costs a few microseconds.
    facts = decoder.decode(await request.body())
    async with app.state.pool.acquire() as connection:
        if utility not in utilities:
            await connection.execute("SELECT set_config('nonreturn.utility', $1, false)", utility)
            utilities[utility] = UtilityOnRecord(**dict(await connection.fetchrow(sql.UTILITY, utility)))
        recorded = await sql.record(connection, utilities[utility], report_id, facts, who)
    return Response(recorded, status_code=201, media_type="application/json")
