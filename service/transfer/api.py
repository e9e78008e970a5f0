"""Everything that a utility owns, as one stream: its register, its reports with their verdicts, its standings."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress

from service.http.endpoint import Answer, Call, operation
from service.http.media_types import NDJSON
from service.http.spool import Spool
from service.transfer.export_restore import ExportLine, export
from service.transfer.store import TransferStore


@operation(
    "GET",
    "/v1/utilities/{utility:str}/export",
    id="exportUtility",
    summary="Export all records of a utility",
    answers={200: ExportLine},
    media_types={200: (NDJSON,)},
    tag="utilities",
    right="register",
    answer_line=ExportLine,
    may_lag=True,
)
async def export_utility(call: Call) -> Answer:
    """Stream the export; who may register may export, for whoever owns the things may take them elsewhere. Each line is a row.

    The command `nonreturn restore` recreates the utility from the export.
    """
    await call.services.registry.utility(call.utility)
    name = f'attachment; filename="{call.utility}.ndjson"'
    return Answer(body=_lines(call), media_type=NDJSON, headers={"Content-Disposition": name})


async def _lines(call: Call) -> AsyncIterator[bytes]:
    # A slow reader keeps a file waiting, and neither a connection nor a snapshot of the database.
    spool = Spool(call.services.spools, call.who.key_id)

    async def read() -> None:
        try:
            async for line in export(TransferStore(call.reading), call.utility):
                await spool.put(line)
        finally:
            spool.end()

    reader = asyncio.create_task(read())
    try:
        while piece := await spool.get():
            yield piece
        # Where reading failed the stream breaks off, without its last line.
        await reader
    finally:
        spool.close()
        reader.cancel()
        with suppress(asyncio.CancelledError):
            await reader


operations = [export_utility]
