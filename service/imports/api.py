"""Import of a spreadsheet: the file comes in as a stream, and what it comes to goes out, as one record or line by line while it is found.

Stateless: a run is the answer to its request. Whoever wants every problem of a file, or to see how far it is, asks for NDJSON.
"""

import tempfile
from collections.abc import AsyncGenerator, AsyncIterator
from contextlib import aclosing
from typing import IO, Literal

import msgspec

import rules
from service.http.endpoint import Answer, Call, operation
from service.http.media_types import CSV, JSON, NDJSON
from service.imports.columns import Asked
from service.imports.run import Event, Importer, Source
from service.imports.runs import RunStore
from service.imports.schemas import ImportLine, ImportOptions, ImportProblem, ImportProgress, ImportRun
from service.imports.store import ImportStore
from service.imports.texts import say
from service.problems import ProblemError, problem
from service.registry.calendar import today

SLOWEST = 16 * 1024
"""Bytes a second: a file that comes more slowly for long is not waited for, since few imports run at a time."""
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@operation(
    "POST",
    "/v1/utilities/{utility:str}/imports",
    id="importSpreadsheet",
    summary="Import premises, assemblies and past tests from a spreadsheet",
    answers={200: ImportRun},
    media_types={200: (JSON, NDJSON)},
    tag="imports",
    right="register",
    body_media_type=CSV,
    other_body_media_types=(XLSX,),
    answer_line=ImportLine,
    streams=True,
)
async def import_spreadsheet(call: Call, query: ImportOptions, document: bytes = b"") -> Answer:  # noqa: ARG001 - the body is read as it comes
    """Read the file, check it, and write it where that is asked. Without `dry_run=false` it is a dry run and writes nothing."""
    call.who.require("report")
    importing = _importing(call, query)
    importer = await anext(importing)
    if call.chosen((JSON, NDJSON)) == NDJSON:
        return Answer(body=_lines(call, importer, importing), media_type=NDJSON)
    try:
        run = None
        async for event in _events(call, importer):
            run = event if isinstance(event, ImportRun) else run
    finally:
        await importing.aclose()
    return Answer(body=run)


async def _importing(call: Call, options: ImportOptions) -> AsyncGenerator[Importer, None]:
    """The importer of the file that the request brings; closing the generator drops what was kept for it."""
    services = call.services
    if call.utility in services.importing or len(services.importing) >= services.settings.imports_at_once:
        raise problem("import_running", wait=10)
    services.importing.add(call.utility)
    try:
        utility = await services.registry.utility(call.utility)
        asked = Asked(options, rules.book_for(utility.rulebook, today(utility, call.clock.now())))
        with tempfile.TemporaryFile() as file:
            await _receive(call, file)
            importer = Importer(
                imports=ImportStore(services.pool),
                runs=RunStore(services.pool),
                registry=services.registry,
                reports=services.reports,
                submissions=services.submissions,
                clock=call.clock,
                utility=utility,
                principal=call.who,
                asked=asked,
                threads=services.imports,
            )
            try:
                await importer.open([Source(name=None, kind=_kind(call), file=file)])
                yield importer
            finally:
                importer.close()
    finally:
        services.importing.discard(call.utility)


def _kind(call: Call) -> Literal["csv", "xlsx"]:
    return "xlsx" if (call.header("content-type") or "").lower().startswith(XLSX) else "csv"


async def _receive(call: Call, file: IO[bytes]) -> None:
    limit, received = call.services.settings.import_limit, 0
    async for chunk in call.pieces(slowest=SLOWEST):
        received += len(chunk)
        if received > limit:
            raise problem("file_too_large", at_most=limit)
        file.write(chunk)
    file.seek(0)


async def _events(call: Call, importer: Importer) -> AsyncGenerator[Event, None]:
    """What the run says, for as long as its key may go on: between two lots of rows it is looked at again."""
    async with aclosing(importer.run()) as events:
        async for event in events:
            yield event
            await call.check_key()


async def _lines(call: Call, importer: Importer, importing: AsyncGenerator[Importer, None]) -> AsyncIterator[bytes]:
    async with aclosing(importing), aclosing(_events(call, importer)) as events:
        try:
            async for event in events:
                yield msgspec.json.encode(_line(event)) + b"\n"
        except ProblemError as error:
            # The answer has begun, so this is its last line; without a `run` it is not the whole.
            said = say("import_stopped", error=error.detail)
            stopped = ImportProblem(code=said.code, detail=said.detail, parameters=said.parameters)
            yield msgspec.json.encode(_line(stopped)) + b"\n"


def _line(event: Event) -> ImportLine:
    if isinstance(event, ImportProgress):
        return ImportLine(progress=event)
    return ImportLine(problem=event) if isinstance(event, ImportProblem) else ImportLine(run=event)


operations = [import_spreadsheet]
