"""Imports that were written: what each came to, what rests on it, and undoing or sealing it."""

from typing import Annotated
from uuid import UUID

from msgspec import Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.paging import Limit, page, page_of
from service.imports.runs import Import, LaterReport, RunStore
from service.imports.store import ImportStore
from service.imports.undo import SealFacts, UndoFacts, Undoing
from service.registry.api import tagged

IMPORTS = "/v1/utilities/{utility:str}/imports"


class AfterImport(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the list of imports goes on."""

    after: UUID | None = None
    """Imports after this one."""
    limit: Limit = 100


class AfterReport(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the list of later reports goes on."""

    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Reports after this place in the log."""
    limit: Limit = 100


@operation(
    "GET",
    IMPORTS,
    id="listImports",
    summary="List the imports that were written",
    answers={200: page_of(Import)},
    tag="imports",
    right="read",
)
async def list_imports(call: Call, query: AfterImport) -> Answer:
    """List imports in the order of their beginning. One in the state `writing` that does not run any more was cut short."""
    found = await RunStore(call.services.pool).listed(call.utility, after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.id))


@operation(
    "GET", IMPORTS + "/{id:uuid}", id="readImport", summary="Read an import", answers={200: Import}, tag="imports", right="read"
)
async def read_import(call: Call) -> Answer:
    """Read one import: what it wrote, and whether it was undone or sealed."""
    return tagged(await RunStore(call.services.pool).one(call.utility, call.id("id")))


@operation(
    "GET",
    IMPORTS + "/{id:uuid}/later-reports",
    id="listLaterReports",
    summary="List the reports that rest on an import",
    answers={200: page_of(LaterReport)},
    tag="imports",
    right="read",
)
async def list_later_reports(call: Call, query: AfterReport) -> Answer:
    """List what was recorded after the import and rests on it, in the order of recording. Look at these before you undo the import."""
    runs = RunStore(call.services.pool)
    await runs.one(call.utility, call.id("id"))
    found = await runs.later_reports(call.utility, call.id("id"), after=query.after, limit=query.limit + 1)
    return page(call, found, query.limit, lambda item: str(item.log_index))


@operation(
    "PUT",
    IMPORTS + "/{id:uuid}/undo",
    id="undoImport",
    summary="Undo an import",
    answers={200: Import},
    tag="imports",
    right="register",
)
async def undo_import(call: Call, document: UndoFacts) -> Answer:
    """Undo all that an import wrote.

    Its reports are voided. Assemblies that it registered are taken out of service, unless a later report names them or somebody changed
    them since. What it changed is put back as it was. Premises, testers and gauges that it registered stay in the register. Reports that it
    corrected stay corrected: send those again if they were right. Nothing is deleted. Where later reports rest on the import, state in
    `later_reports` how many: the answer to a wrong number names the right one. Sending the same call again is safe; one that was cut short
    goes on.
    """
    call.who.require("report")
    return tagged(await _undoing(call).undo(call.id("id"), document, now=call.clock.now()))


@operation(
    "PUT",
    IMPORTS + "/{id:uuid}/seal",
    id="sealImport",
    summary="Seal an import",
    answers={200: Import},
    tag="imports",
    right="register",
)
async def seal_import(call: Call, document: SealFacts) -> Answer:
    """Seal an import that you have checked: it can then not be undone as a whole. Single reports can still be corrected or voided."""
    call.who.require("report")
    return tagged(await _undoing(call).seal(call.id("id"), document, now=call.clock.now()))


def _undoing(call: Call) -> Undoing:
    pool = call.services.pool
    return Undoing(
        runs=RunStore(pool),
        imports=ImportStore(pool),
        reports=call.services.reports,
        registry=call.services.registry,
        utility=call.utility,
        who=call.who,
    )


operations = [list_imports, read_import, list_later_reports, undo_import, seal_import]
