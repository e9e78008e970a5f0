"""Imports that were written, in Postgres: what each registered, changed and recorded, and what became of it since."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct, UnsetType

from service.auth.access import Principal
from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.http.plain_text import WRITTEN
from service.problems import not_found, problem

_SQL = statements(__name__)
ImportState = Literal["writing", "written", "undoing", "undone", "sealed"]
Because = msgspec.Meta(min_length=1, max_length=3900, pattern=WRITTEN)


class ImportTotals(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What an import wrote, and what its undo came to."""

    registered: int = 0
    """Records that the import registered."""
    changed: int = 0
    """Records that it changed."""
    reports: int = 0
    """Reports that it recorded."""
    voided: int = 0
    """Of its reports, those that are void."""
    retired: int = 0
    """Of the assemblies that it registered, those that the undo retired as registered in error."""
    restored: int = 0
    """Records that the undo put back as they were before the import."""
    kept: int = 0
    """Assemblies that it registered and that stay in service: a later report names them, or somebody changed them since."""
    kept_changes: int = 0
    """Records that it changed and that stay as they are: somebody changed them again since."""


class Import(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """An import that was written, and what became of it."""

    id: UUID
    version: int
    state: ImportState
    """How far it is."""
    begun_at: dt.datetime
    """When its first record was written."""
    changed_at: dt.datetime
    """When it came to this state."""
    because: str | UnsetType = UNSET
    """Why it was undone or sealed."""
    decided_by: str | UnsetType = UNSET
    """Who decided that."""
    organisation_id: UUID
    """The organisation that brought it to this state."""
    totals: ImportTotals
    """What it came to."""


class LaterReport(Struct, frozen=True, kw_only=True):
    """A report that was recorded after an import and rests on it.

    It names an assembly, a tester or a gauge that the import registered, or an assembly that the import has a test of.
    """

    id: UUID
    log_index: int
    """Its place in the utility's log."""
    assembly_id: UUID
    performed_at: dt.datetime
    """When the test was performed."""
    received_at: dt.datetime
    """When the report was received."""


class WrittenThing(Struct, frozen=True):
    """A record that an import registered (`before` None) or changed: the version that it wrote, and the facts before as JSON."""

    id: UUID
    version: int
    before: str | None


class ToVoid(Struct, frozen=True):
    """A report to void: its assembly, and the number of the last decision on it."""

    id: UUID
    assembly_id: UUID
    version: int


class Decision(Struct, frozen=True, kw_only=True):
    """Why and by whom an import is undone or sealed."""

    because: str
    decided_by: str | None
    who: Principal
    now: dt.datetime


class RunStore:
    """Reads what imports wrote, and keeps their states."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def listed(self, utility: str, *, after: UUID | None, limit: int) -> list[Import]:
        """Up to `limit` imports after that id, in the order of their beginning."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(f"{_SQL['shown']}\n{_SQL['listed']}", utility, after, limit)
        return [_import(row) for row in rows]

    async def one(self, utility: str, import_id: UUID) -> Import:
        """One import; 404 where there is none."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return await self.one_on(connection, utility, import_id)

    async def one_on(self, connection: Connection, utility: str, import_id: UUID) -> Import:
        """The same on a connection whose transaction is the caller's."""
        row = await connection.fetchrow(f"{_SQL['shown']}\n{_SQL['one']}", utility, import_id)
        if row is None:
            raise not_found("import")
        return _import(row)

    async def begin(self, connection: Connection, utility: str, import_id: UUID, who: Principal, now: dt.datetime) -> None:
        """Keep that an import begins to write."""
        decision = Decision(because="", decided_by=None, who=who, now=now)
        await self.put(connection, utility, import_id, version=1, state="writing", totals=ImportTotals(), decision=decision)
        await connection.execute(_SQL["begin_reports"], utility, import_id)

    async def put(
        self,
        connection: Connection,
        utility: str,
        import_id: UUID,
        *,
        version: int,
        state: ImportState,
        totals: ImportTotals,
        decision: Decision,
    ) -> None:
        """Keep the next state of an import, in the caller's transaction, which holds the utility's log."""
        await connection.execute(
            _SQL["put_state"],
            utility,
            import_id,
            version,
            decision.now,
            state,
            decision.because or None,
            decision.decided_by,
            msgspec.json.encode(totals).decode(),
            decision.who.organisation_id,
            decision.who.key_id,
        )

    async def check_writing(self, connection: Connection, utility: str, import_id: UUID) -> None:
        """ProblemError where the import may write no more, for it is being undone."""
        if (await self.one_on(connection, utility, import_id)).state != "writing":
            raise problem("import_undone_meanwhile")

    async def put_things(
        self, connection: Connection, utility: str, import_id: UUID, resource: str, things: Sequence[WrittenThing]
    ) -> None:
        """Keep what was registered or changed, in the transaction that did it."""
        columns = [[getattr(thing, name) for thing in things] for name in ("id", "version", "before")]
        await connection.execute(_SQL["put_things"], utility, import_id, resource, *columns)

    async def put_reports(self, connection: Connection, utility: str, import_id: UUID, count: int) -> None:
        """Keep that the last `count` reports of the log are the import's, in the transaction that recorded them."""
        await connection.execute(_SQL["put_reports"], utility, import_id, count)

    async def later_reports(self, utility: str, import_id: UUID, *, after: int, limit: int) -> list[LaterReport]:
        """Up to `limit` reports after that log index that rest on the import."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return await self.later_on(connection, utility, import_id, after=after, limit=limit)

    async def later_on(
        self, connection: Connection, utility: str, import_id: UUID, *, after: int, limit: int | None
    ) -> list[LaterReport]:
        """The same on a connection whose transaction is the caller's; `limit` None: all."""
        rows = await connection.fetch(_SQL["later_reports"], utility, import_id, after, limit)
        return [LaterReport(**dict(row)) for row in rows]

    async def ranges(self, utility: str, import_id: UUID) -> list[tuple[int, int]]:
        """Where in the log the import's reports are: from one index up to another, without that; a transaction's each."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return [(row[0], row[1]) for row in await connection.fetch(_SQL["ranges"], utility, import_id)]

    async def to_void(self, connection: Connection, utility: str, *, start: int, until: int) -> list[ToVoid]:
        """The reports of that range of the log that are not void."""
        return [ToVoid(*row) for row in await connection.fetch(_SQL["to_void"], utility, start, until)]

    async def void(self, connection: Connection, utility: str, reports: Sequence[ToVoid], decision: Decision) -> None:
        """Void those reports, in the caller's transaction."""
        await connection.execute(
            _SQL["void"],
            utility,
            [report.id for report in reports],
            [report.version for report in reports],
            decision.now,
            decision.because,
            decision.decided_by,
            decision.who.organisation_id,
            decision.who.key_id,
        )

    async def things(
        self, connection: Connection, utility: str, import_id: UUID, resource: str, *, after: UUID | None, limit: int
    ) -> list[WrittenThing]:
        """Up to `limit` records of that kind that the import registered or changed, after that id."""
        rows = await connection.fetch(_SQL["things"], utility, import_id, resource, after, limit)
        return [WrittenThing(*row) for row in rows]

    async def retire(
        self, connection: Connection, utility: str, assemblies: Sequence[WrittenThing], *, on: dt.date, now: dt.datetime
    ) -> dict[UUID, UUID | None]:
        """Retire those that nobody changed since and that no report names, as registered in error; what each had replaced."""
        ids, versions = [thing.id for thing in assemblies], [thing.version for thing in assemblies]
        return dict(await connection.fetch(_SQL["retire"], utility, ids, versions, now, on))

    async def made(self, connection: Connection, utility: str, import_id: UUID, ids: Sequence[UUID | None]) -> set[UUID]:
        """Of those assemblies, those that the import registered."""
        return {
            row[0]
            for row in await connection.fetch(
                _SQL["made"], utility, import_id, [thing_id for thing_id in ids if thing_id is not None]
            )
        }

    async def totals(self, connection: Connection, utility: str, import_id: UUID) -> Any:
        """How many of its reports are void, and how many assemblies that it registered are out of service and in service."""
        return await connection.fetchrow(_SQL["totals"], utility, import_id)

    async def retired_by_undo(self, utility: str, assemblies: Sequence[UUID]) -> set[UUID]:
        """Of those assemblies, those that the undo of an import retired."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return {row[0] for row in await connection.fetch(_SQL["retired_by_undo"], utility, assemblies)}


def _import(row: Any) -> Import:
    fields = dict(row)
    totals = msgspec.json.decode(fields.pop("content"), type=ImportTotals)
    for name in ("because", "decided_by"):
        fields[name] = UNSET if fields[name] is None else fields[name]
    return Import(**fields, totals=totals)
