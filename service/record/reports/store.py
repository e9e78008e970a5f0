"""Reports, verdicts and standings in Postgres."""

import datetime as dt
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from operator import attrgetter, itemgetter
from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct

import rules
from service.db.pool import Connection, Pool
from service.db.statements import composed, statements
from service.problems import not_found
from service.record.reports.rows import (
    Acceptance,
    AssemblyRow,
    FactsRow,
    HistoryRow,
    InspectionListItem,
    JudgedRow,
    Outcome,
    ReportListItem,
    ReportRow,
    RequestRow,
    StandingFacts,
    StandingRow,
    StoredReport,
    TakenRow,
)
from service.record.reports.schemas import Submission
from service.registry.schemas import UtilityOnRecord, utility_of

_SQL = statements(__name__)
# A standing rests on whatever has been recorded until now, so the two moments that those facts may be asked of are left out.
_INCIDENTS_NOW = _SQL["incidents_as_of"].replace("$3", "NULL").replace("$4", "NULL")
GATHER = _SQL["gather"].format_map(_SQL | {"incidents_as_of": _INCIDENTS_NOW})
STANDING_FACTS = _SQL["standing_facts"].format_map(_SQL)
_TEST, _INSPECTION = (_SQL["report"].format(gauge=gauge) for gauge in ("NOT NULL", "NULL"))
_NOTHING_WRITTEN = "INSERT 0 0"


class Gathered(Struct, frozen=True, kw_only=True):
    """What judging and recording some reports rests on, as of one moment at which the feed stood at `changes`.

    `facts` stand in the order of the reports; `taken` are the reports that bear one of their ids already or were made by one of their
    keys, and `requests` those keys. `utility` is the utility as it was then.
    """

    utility: UtilityOnRecord
    facts: list[FactsRow]
    taken: list[TakenRow]
    requests: list[RequestRow]
    changes: int


class ReportsWanted(Struct, frozen=True, kw_only=True):
    """Which reports; None: of any."""

    assembly_id: UUID | None = None
    tester_id: UUID | None = None
    gauge_id: UUID | None = None
    outcome: Outcome | None = None
    acceptance: Acceptance | None = None
    """By their verdict, whatever a person decided."""
    flag: str | None = None
    performed_from: dt.date | None = None
    performed_before: dt.date | None = None
    received_from: dt.datetime | None = None
    received_before: dt.datetime | None = None

    @property
    def order(self) -> str:
        """What the list is sorted by, and so which index gives it: of what is asked for, that which the fewest reports have."""
        if self.flag is not None:
            return "flag"
        if self.assembly_id is not None or self.acceptance in ("held", "refused") or self.outcome in ("fail", "incomplete"):
            return "log_index"
        if self.tester_id is not None or self.gauge_id is not None:
            return "performed_at"
        if self.performed_from is not None or self.performed_before is not None:
            return "performed_on"
        return "log_index" if self.received_from is None and self.received_before is None else "received_at"


def reports_statement(
    utility: str, wanted: ReportsWanted, *, after: int, limit: int, content: bool = False
) -> tuple[str, list[Any]]:
    """The statement that lists up to `limit` of the wanted reports after the one of that log index, with its arguments."""
    flagged = wanted.flag is not None
    parts = ["reports", *(["reports_with_content"] if content else []), "reports_from_flags" if flagged else "reports_from"]
    parts.append("reports_of_flag" if flagged else "reports_of_utility")
    parts += [f"reports_of_{name}" for name in ("assembly", "tester", "gauge") if getattr(wanted, f"{name}_id") is not None]
    parts += [f"reports_{value}" for value in (wanted.acceptance, wanted.outcome) if value is not None]
    ranges = ("performed_from", "performed_before", "received_from", "received_before")
    parts += [f"reports_{name}" for name in ranges if getattr(wanted, name) is not None]
    if after >= 0 or wanted.order == "log_index":
        parts.append(f"after_{wanted.order}")
    parts.append(f"by_{wanted.order}")
    values = {name: getattr(wanted, name) for name in ReportsWanted.__struct_fields__}
    return composed(__name__, parts, values | {"utility": utility, "after": after, "limit": limit})


_number = itemgetter(len(StandingFacts.__struct_fields__))
_utility = msgspec.json.Decoder(UtilityOnRecord).decode
_FACTS = FactsRow.__struct_fields__


class ReportStore:
    """Reads reports, and lends the transaction in which they are recorded."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    @asynccontextmanager
    async def session(self, utility: str) -> AsyncIterator["ReportSession"]:
        """One session in which a group is read and then written, with no transaction open between the two."""
        async with self._pool.lend(utility, by_key=True) as connection:
            yield ReportSession(connection, utility)

    async def settle(self, utility: str) -> None:
        """Return once all that can be read now is as durable as what is recorded here."""
        async with self._pool.lend(utility, by_key=True) as connection:
            await connection.execute(_SQL["settle"])

    @asynccontextmanager
    async def recording(self, utility: str) -> AsyncIterator["Recording"]:
        """The transaction in which reports of a utility are recorded: alone, until it commits."""
        async with self._pool.lend(utility, by_key=True) as connection, connection.transaction():
            await connection.execute(_SQL["lock_log"], utility)
            row = await connection.fetchrow(_SQL["locked_utility"], utility)
            if row is None:
                raise not_found("utility")
            yield Recording(connection, utility_of(row))

    async def report(self, utility: str, report_id: UUID) -> StoredReport | None:
        """One report."""
        row = await self._one(utility, _TEST, utility, report_id)
        return StoredReport(**row) if row else None

    async def inspection(self, utility: str, inspection_id: UUID) -> StoredReport | None:
        """One inspection."""
        row = await self._one(utility, _INSPECTION, utility, inspection_id)
        return StoredReport(**row) if row else None

    async def inspections(self, utility: str, assembly_id: UUID | None, *, after: int, limit: int) -> list[InspectionListItem]:
        """Up to `limit` inspections after that log index, of one assembly or of all."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["inspections"], utility, after, assembly_id, limit)
        return [InspectionListItem(**dict(row)) for row in rows]

    async def reports(
        self, utility: str, wanted: ReportsWanted, *, after: int, limit: int, content: bool = False
    ) -> list[tuple[ReportListItem, str]]:
        """Up to `limit` of the wanted reports after that log index, each with its content where that is wanted too."""
        sql, arguments = reports_statement(utility, wanted, after=after, limit=limit, content=content)
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = [dict(row) for row in await connection.fetch(sql, *arguments)]
        contents = [row.pop("content", "") for row in rows]
        return [(ReportListItem(**row), text) for row, text in zip(rows, contents, strict=True)]

    async def assembly(self, utility: str, assembly_id: UUID) -> AssemblyRow | None:
        """An assembly with its kept standing."""
        row = await self._one(utility, STANDING_FACTS, utility, [assembly_id], None, None)
        return None if row is None else _assembly_row(row)

    async def sees(self, utility: str, assembly_id: UUID) -> bool:
        """Whether the caller sees that assembly."""
        return await self._one(utility, _SQL["sees"], utility, assembly_id) is not None

    async def facts_of(
        self,
        utility: str,
        assembly_id: UUID,
        *,
        revised_before: dt.datetime | None = None,
        known_before: dt.datetime | None = None,
    ) -> AssemblyRow:
        """An assembly that is there, with its incidents as they were recorded by a moment, of those that were known by one."""
        row = await self._one(utility, STANDING_FACTS, utility, [assembly_id], revised_before, known_before)
        if row is None:
            raise not_found("assembly")
        return _assembly_row(row)

    async def facts_then(
        self, utility: str, assemblies: Sequence[UUID], *, revised_before: dt.datetime
    ) -> dict[UUID, AssemblyRow]:
        """Those assemblies by id, with their incidents as they had been reported by a moment."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(STANDING_FACTS, utility, assemblies, revised_before, None)
        return {row["id"]: _assembly_row(row) for row in rows}

    async def local_rulebooks(self, utility: str) -> dict[int, rules.LocalVersion]:
        """Every version of the utility's local rulebook, by number."""
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["local_rulebooks"], utility)
        versions = [msgspec.json.decode(row[0], type=rules.LocalVersion) for row in rows]
        return {version.version: version for version in versions}

    async def judged(self, utility: str, *, start: int, limit: int) -> list[JudgedRow]:
        """Stored reports as they were judged, from that log index on."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return [JudgedRow(**dict(row)) for row in await connection.fetch(_SQL["judged"], utility, start, limit)]

    async def assembly_ids(self, utility: str) -> list[UUID]:
        """Every assembly of a utility."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return [row["id"] for row in await connection.fetch(_SQL["assembly_ids"], utility)]

    async def _one(self, utility: str, statement: str, *arguments: Any) -> dict[str, Any] | None:
        async with self._pool.lend(utility, by_key=True) as connection:
            row = await connection.fetchrow(statement, *arguments)
        return dict(row) if row is not None else None


class ReportSession:
    """A session on which reports of one utility are read about and written, each in one statement."""

    def __init__(self, connection: Connection, utility: str) -> None:
        self._connection = connection
        self._utility = utility

    async def gather(self, submissions: Sequence[Submission]) -> Gathered:
        """What those reports rest on, and what is recorded under their ids and idempotency keys already.

        A report of a testing company's rests on what that company sees.
        """
        rows = await self._connection.fetch(
            GATHER,
            self._utility,
            [submission.facts.assembly_id for submission in submissions],
            [None if submission.facts.tester_id is UNSET else submission.facts.tester_id for submission in submissions],
            [submission.facts.gauge_id for submission in submissions],
            [submission.facts.performed_at for submission in submissions],
            [submission.principal.company for submission in submissions],
            [submission.id for submission in submissions],
            [submission.principal.organisation_id for submission in submissions],
            [submission.idempotency_key for submission in submissions],
        )
        if len(rows) != len(submissions):
            raise not_found("utility")
        rows.sort(key=_number)
        taken, requests = [], []
        for submission, row in zip(submissions, rows, strict=True):
            if row["taken_hash"] is not None:
                taken.append(_taken(submission.id, row, "taken"))
            if row["made_id"] is not None and submission.idempotency_key is not None:
                taken.append(_taken(row["made_id"], row, "made"))
                requests.append(
                    RequestRow(
                        organisation_id=submission.principal.organisation_id,
                        idempotency_key=submission.idempotency_key,
                        report_id=row["made_id"],
                    )
                )
        facts = [FactsRow(**dict(zip(_FACTS, row, strict=False))) for row in rows]
        utility = _utility(rows[0]["utility"])
        return Gathered(utility=utility, facts=facts, taken=taken, requests=requests, changes=rows[0]["changes"])

    async def outcomes(self, ids: Sequence[UUID]) -> dict[UUID, Outcome]:
        """How those reports came out, of those that are recorded."""
        return {row["id"]: row["outcome"] for row in await self._connection.fetch(_SQL["outcomes"], self._utility, ids)}

    async def record(
        self,
        reports: Sequence[ReportRow],
        requests: Sequence[RequestRow],
        standings: Sequence[StandingRow],
        *,
        seen: int | None,
    ) -> bool:
        """Write them all in one statement; False, and nothing, where what they rest on has changed since the feed stood at `seen`.

        With `seen` of None the caller holds the utility's lock (`recording`), and they are durable once its transaction has committed.
        """
        columns = zip(*map(_columns, reports), strict=True)
        done = await self._connection.execute(
            _SQL["record"],
            self._utility,
            *columns,
            [row.organisation_id for row in requests],
            [row.idempotency_key for row in requests],
            [row.report_id for row in requests],
            [row.assembly_id for row in standings],
            [row.due_on for row in standings],
            [row.basis for row in standings],
            [row.rests_on for row in standings],
            [row.latest_at for row in standings],
            seen,
        )
        return bool(done != _NOTHING_WRITTEN)


class Recording:
    """One transaction that records reports of one utility; `utility` is the utility as it is until the commit."""

    def __init__(self, connection: Connection, utility: UtilityOnRecord) -> None:
        self._connection = connection
        self.utility = utility
        self._utility = utility.code
        self.session = ReportSession(connection, utility.code)

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
        found = await self._connection.fetch(STANDING_FACTS, self._utility, assemblies, None, None)
        return {row["id"]: _assembly_row(row) for row in found}

    async def assemblies_of(self, premises_id: UUID) -> list[UUID]:
        """The assemblies at those premises."""
        rows = await self._connection.fetch(_SQL["assemblies_of_premises"], self._utility, premises_id)
        return [row["id"] for row in rows]

    async def requests(self, keys: Sequence[str]) -> list[RequestRow]:
        """Which reports those idempotency keys made."""
        rows = await self._connection.fetch(_SQL["requests"], self._utility, keys)
        return [RequestRow(**dict(row)) for row in rows]

    async def keep_standing(self, row: StandingRow) -> None:
        """Write one standing again."""
        await self._connection.execute(_SQL["keep_standing"], self._utility, row.assembly_id, row.due_on, row.basis)


_columns = attrgetter(*ReportRow.__struct_fields__)


def _taken(report_id: UUID, row: Any, how: str) -> TakenRow:
    return TakenRow(
        id=report_id,
        assembly_id=row[f"{how}_assembly_id"],
        content_hash=row[f"{how}_hash"],
        company_id=row[f"{how}_company_id"],
    )


def _assembly_row(row: Any) -> AssemblyRow:
    return AssemblyRow(**{name: value for name, value in row.items() if name != "id"})
