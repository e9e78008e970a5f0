"""Reports, verdicts and standings in Postgres."""

import datetime as dt
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from operator import attrgetter
from typing import Any, Literal
from uuid import UUID

import msgspec
from msgspec import Struct

from service.problems import not_found
from service.reports import ReportFacts
from service.store.pool import Connection, Pool
from service.store.statements import statements

_SQL = statements("reports")
# A standing rests on whatever has been told until now, so the two moments that those facts may be asked of are left out; and a group that is
# recorded works its standings out anew, so the kept ones are not read.
_FACTS_NOW = _SQL["standing_facts"].replace("$3", "NULL").replace("$4", "NULL").replace("s.basis", "NULL AS basis")
_GATHER = _SQL["gather"].format_map(_SQL | {"standing_facts": _FACTS_NOW})
_NOTHING_WRITTEN = "INSERT 0 0"

Outcome = Literal["pass", "fail", "incomplete"]
Protection = Literal["full", "degraded", "lost", "unknown"]
Acceptance = Literal["accepted", "held", "refused"]


class FactsRow(Struct, frozen=True, kw_only=True):
    """What the registry knows of the assembly, tester and gauge that one report names; a kind of None: no such assembly."""

    n: int
    kind: str | None
    hazard: str | None
    nominal_size: str | None
    installed_on: dt.date | None
    in_service: bool | None
    connection: str | None
    certificates: str | None
    tester_known: bool
    tester_organisation_id: UUID | None = None
    accuracy: float | None
    resolution: float | None
    gauge_unit: str | None
    calibrations: str | None
    previous_judged: str | None


class HistoryRow(Struct, frozen=True, kw_only=True):
    """A report as far as standing and idempotency need it; `acceptance` is what was decided, where it was held and a person decided."""

    id: UUID
    assembly_id: UUID
    performed_at: dt.datetime
    performed_on: dt.date
    received_at: dt.datetime
    reason: str
    supersedes: UUID | None
    content_hash: bytes
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    initial_outcome: Outcome | None
    company_id: UUID | None = None


class _Phase(Struct):
    outcome: Outcome


class _Initial(Struct):
    initial: _Phase


_initial = msgspec.json.Decoder(_Initial).decode


class ReportRow(Struct, frozen=True, kw_only=True):
    """A report as kept, in the order of the columns that `record` takes."""

    id: UUID
    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    performed_on: dt.date
    received_at: dt.datetime
    reason: str
    supersedes: UUID | None
    organisation_id: UUID
    key_id: UUID
    content_hash: bytes
    content: str
    judged: str
    verdict: str
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    rulebook: str
    rulebook_digest: str
    previous: str | None
    leaf_hash: bytes | None = None
    """Its hash in the utility's log; None only in rows from before there was a log."""
    company_id: UUID | None = None
    """Whose report it is: the tester's organisation on the day it came, else the testing company that sent it, else the company of the
    report that it corrects."""

    @property
    def initial_outcome(self) -> Outcome | None:
        """How the first test came out, which Postgres keeps as a column made from the verdict."""
        return _initial(self.verdict).initial.outcome


class RequestRow(Struct, frozen=True, kw_only=True):
    """Which report an organisation's idempotency key made."""

    organisation_id: UUID
    idempotency_key: str
    report_id: UUID


class StandingRow(Struct, frozen=True, kw_only=True):
    """An assembly's standing as kept: `basis` is the rules' Standing as JSON."""

    assembly_id: UUID
    due_on: dt.date | None
    basis: str


class StoredReport(Struct, frozen=True, kw_only=True):
    """A report as read back."""

    id: UUID
    assembly_id: UUID
    received_at: dt.datetime
    content: str
    verdict: str
    log_index: int
    organisation_id: UUID
    superseded_by: UUID | None
    decision: str | None
    basis: str | None


class LineRow(Struct, frozen=True, kw_only=True):
    """A report as a line of a list; `log_index` is its place in the utility's record, `decision` what was decided of it where it was held."""

    id: UUID
    log_index: int
    assembly_id: UUID
    tester_id: UUID
    gauge_id: UUID
    performed_at: dt.datetime
    received_at: dt.datetime
    reason: str
    supersedes: UUID | None
    superseded_by: UUID | None
    outcome: Outcome
    protection: Protection
    acceptance: Acceptance
    decision: Literal["accepted", "refused"] | None
    rulebook: str


class AssemblyRow(Struct, frozen=True, kw_only=True):
    """What the standing of an assembly rests on besides its reports; `occurrences`, `season` and `incidents` are JSON."""

    basis: str | None
    kind: str
    hazard: str
    installed_on: dt.date | None
    in_service: bool
    connection: str
    created_at: dt.datetime
    occurrences: str = "[]"
    season: str | None = None
    test_interval_months: int | None = None
    incidents: str | None = None


class Gathered(Struct, frozen=True, kw_only=True):
    """What judging and recording some reports rests on, as of one moment at which the feed stood at `changes`.

    `facts` stand in the order of the reports; `history` holds as much of the assemblies' as a standing rests on while nothing is
    corrected; `taken` are the reports that bear one of their ids already or were made by one of their keys.
    """

    assemblies: dict[UUID, AssemblyRow]
    history: list[HistoryRow]
    requests: list[RequestRow]
    taken: list[HistoryRow] = []
    facts: list[FactsRow] = []
    changes: int = 0


class _Assembly(AssemblyRow, frozen=True, kw_only=True):
    id: UUID


_ROWS: dict[str, msgspec.json.Decoder[Any]] = {
    "changes": msgspec.json.Decoder(int),
    "facts": msgspec.json.Decoder(FactsRow),
    "assembly": msgspec.json.Decoder(_Assembly),
    "history": msgspec.json.Decoder(HistoryRow),
    "taken": msgspec.json.Decoder(HistoryRow),
    "request": msgspec.json.Decoder(RequestRow),
}


class JudgedRow(Struct, frozen=True, kw_only=True):
    """A stored report as it was judged."""

    id: UUID
    judged: str
    previous: str | None
    received_at: dt.datetime
    verdict: str


class ReportStore:
    """Reads reports, and lends the transaction in which they are recorded."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    @asynccontextmanager
    async def session(self, utility: str) -> AsyncIterator["ReportSession"]:
        """One session in which a group is read and then written, with no transaction open between the two."""
        async with self._pool.lend(utility) as connection:
            yield ReportSession(connection, utility)

    async def settle(self, utility: str) -> None:
        """Return once all that can be read now is as durable as what is recorded here."""
        async with self._pool.lend(utility) as connection:
            await connection.execute(_SQL["settle"])

    @asynccontextmanager
    async def recording(self, utility: str) -> AsyncIterator["Recording"]:
        """The transaction in which reports of a utility are recorded: alone, until it commits."""
        async with self._pool.lend(utility) as connection, connection.transaction():
            await connection.execute(_SQL["lock_log"], utility)
            yield Recording(connection, utility)

    async def report(self, utility: str, report_id: UUID) -> StoredReport | None:
        """One report."""
        row = await self._one(utility, "report", utility, report_id)
        return StoredReport(**row) if row else None

    async def reports(self, utility: str, *, after: int, limit: int, assembly_id: UUID | None) -> list[LineRow]:
        """Up to `limit` reports after that log index."""
        async with self._pool.lend(utility) as connection:
            return [LineRow(**dict(row)) for row in await connection.fetch(_SQL["reports"], utility, after, assembly_id, limit)]

    async def assembly(self, utility: str, assembly_id: UUID) -> AssemblyRow | None:
        """An assembly with its kept standing."""
        row = await self._one(utility, "standing_facts", utility, [assembly_id], None, None)
        return None if row is None else _assembly_row(row)

    async def sees(self, utility: str, assembly_id: UUID) -> bool:
        """Whether the asker sees that assembly."""
        return await self._one(utility, "sees", utility, assembly_id) is not None

    async def facts_of(
        self, utility: str, assembly_id: UUID, *, told_before: dt.datetime | None = None, known_before: dt.datetime | None = None
    ) -> AssemblyRow:
        """An assembly that is there, with its incidents as they had been told by a moment, of those that were known by one."""
        row = await self._one(utility, "standing_facts", utility, [assembly_id], told_before, known_before)
        if row is None:
            raise not_found("assembly")
        return _assembly_row(row)

    async def facts_then(self, utility: str, assemblies: Sequence[UUID], *, told_before: dt.datetime) -> dict[UUID, AssemblyRow]:
        """Those assemblies by id, with their incidents as they had been told by a moment."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["standing_facts"], utility, assemblies, told_before, None)
        return {row["id"]: _assembly_row(row) for row in rows}

    async def judged(self, utility: str, *, start: int, limit: int) -> list[JudgedRow]:
        """Stored reports as they were judged, from that log index on."""
        async with self._pool.lend(utility) as connection:
            return [JudgedRow(**dict(row)) for row in await connection.fetch(_SQL["judged"], utility, start, limit)]

    async def assembly_ids(self, utility: str) -> list[UUID]:
        """Every assembly of a utility."""
        async with self._pool.lend(utility) as connection:
            return [row["id"] for row in await connection.fetch(_SQL["assembly_ids"], utility)]

    async def _one(self, utility: str, statement: str, *arguments: Any) -> dict[str, Any] | None:
        async with self._pool.lend(utility) as connection:
            row = await connection.fetchrow(_SQL[statement], *arguments)
        return dict(row) if row is not None else None


class ReportSession:
    """A session on which reports of one utility are read about and written, each in one statement."""

    def __init__(self, connection: Connection, utility: str) -> None:
        self._connection = connection
        self._utility = utility

    async def gather(
        self,
        reports: Sequence[ReportFacts],
        ids: Sequence[UUID],
        keys: Sequence[str],
        companies: Sequence[UUID | None],
    ) -> Gathered:
        """What those reports rest on, and what is recorded under their ids and idempotency keys already.

        A report of a testing company's rests on what that company sees.
        """
        found: dict[str, list[Any]] = {kind: [] for kind in _ROWS}
        rows = await self._connection.fetch(
            _GATHER,
            self._utility,
            [one.assembly_id for one in reports],
            [one.tester_id for one in reports],
            [one.gauge_id for one in reports],
            [one.performed_at for one in reports],
            ids,
            keys,
            companies,
        )
        for kind, row in rows:
            found[kind].append(_ROWS[kind].decode(row))
        return Gathered(
            changes=found["changes"][0],
            facts=sorted(found["facts"], key=lambda row: row.n),
            assemblies={row.id: row for row in found["assembly"]},
            history=found["history"],
            taken=found["taken"],
            requests=found["request"],
        )

    async def record(
        self,
        reports: Sequence[ReportRow],
        requests: Sequence[RequestRow],
        standings: Sequence[StandingRow],
        *,
        seen: int,
    ) -> bool:
        """Write them all, durably, in one statement; False, and nothing, where what they rest on has changed since the feed stood at `seen`."""
        return await _record(self._connection, self._utility, reports, requests, standings, seen=seen)


class Recording:
    """One transaction that records reports of one utility."""

    def __init__(self, connection: Connection, utility: str) -> None:
        self._connection = connection
        self._utility = utility

    async def history(self, assemblies: Sequence[UUID], ids: Sequence[UUID]) -> list[HistoryRow]:
        """The reports of those assemblies, and any that bear one of those ids already."""
        rows = await self._connection.fetch(_SQL["history"], self._utility, assemblies, ids)
        return [HistoryRow(**dict(row)) for row in rows]

    @property
    def connection(self) -> Connection:
        """The connection that the transaction is open on, for what must happen in it too."""
        return self._connection

    async def assemblies(self, assemblies: Sequence[UUID]) -> dict[UUID, AssemblyRow]:
        """Those assemblies with their kept standings, by id."""
        found = await self._connection.fetch(_SQL["standing_facts"], self._utility, assemblies, None, None)
        return {row["id"]: _assembly_row(row) for row in found}

    async def assemblies_of(self, premises_id: UUID) -> list[UUID]:
        """The assemblies at those premises."""
        rows = await self._connection.fetch(_SQL["assemblies_of_premises"], self._utility, premises_id)
        return [row["id"] for row in rows]

    async def requests(self, keys: Sequence[str]) -> list[RequestRow]:
        """Which reports those idempotency keys made."""
        rows = await self._connection.fetch(_SQL["requests"], self._utility, keys)
        return [RequestRow(**dict(row)) for row in rows]

    async def record(
        self, reports: Sequence[ReportRow], requests: Sequence[RequestRow], standings: Sequence[StandingRow]
    ) -> None:
        """Write them all; they are durable once the transaction has committed."""
        await _record(self._connection, self._utility, reports, requests, standings, seen=None)

    async def keep_standing(self, row: StandingRow) -> None:
        """Write one standing anew."""
        await self._connection.execute(_SQL["keep_standing"], self._utility, row.assembly_id, row.due_on, row.basis)


_columns = attrgetter(*ReportRow.__struct_fields__)


def _assembly_row(row: Any) -> AssemblyRow:
    return AssemblyRow(**{name: value for name, value in row.items() if name != "id"})


async def _record(
    connection: Connection,
    utility: str,
    reports: Sequence[ReportRow],
    requests: Sequence[RequestRow],
    standings: Sequence[StandingRow],
    *,
    seen: int | None,
) -> bool:
    columns = zip(*map(_columns, reports), strict=True)
    said = await connection.execute(
        _SQL["record"],
        utility,
        *columns,
        [row.organisation_id for row in requests],
        [row.idempotency_key for row in requests],
        [row.report_id for row in requests],
        [row.assembly_id for row in standings],
        [row.due_on for row in standings],
        [row.basis for row in standings],
        seen,
    )
    return bool(said != _NOTHING_WRITTEN)
