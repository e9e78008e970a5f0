"""What an import asks of Postgres: things by the marks that people know them by, reports by assembly and moment; and many made at once."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, TypeVar
from uuid import UUID

import msgspec
from msgspec import Struct

import rules
from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.record.reports.rows import StandingRow
from service.registry.schemas import Assembly, Gauge, Premises, Tester
from service.registry.store import NAMES

_SQL = statements(__name__)
T = TypeVar("T", Premises, Assembly, Tester, Gauge)


class KeptReport(Struct, frozen=True, kw_only=True):
    """A recorded report: what it says, how it came out, and the test as it was judged."""

    id: UUID
    content: str
    outcome: rules.Outcome
    judged: str


class RecordedTest(Struct, frozen=True, kw_only=True):
    """A recorded report of an assembly, as far as the next one rests on it; `acceptance` is what a person decided, where one did."""

    id: UUID
    assembly_id: UUID
    performed_at: dt.datetime
    acceptance: str
    supersedes: UUID | None


class ImportStore:
    """Asks, and makes many at once."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def find(self, shape: type[T], utility: str, marks: Sequence[str], ids: Sequence[UUID]) -> list[T]:
        """The things that bear one of those marks or one of those ids."""
        async with self._pool.lend(utility, by_key=True) as connection:
            rows = await connection.fetch(_SQL[f"find_{NAMES[shape]}"], utility, marks, ids)
        return [msgspec.json.decode(row[0], type=shape) for row in rows]

    async def recorded(self, utility: str, assemblies: Sequence[UUID]) -> dict[UUID, list[RecordedTest]]:
        """The recorded reports of each of those assemblies that has any."""
        found: dict[UUID, list[RecordedTest]] = {}
        async with self._pool.lend(utility, by_key=True) as connection:
            for row in await connection.fetch(_SQL["recorded"], utility, assemblies):
                found.setdefault(row["assembly_id"], []).append(RecordedTest(**dict(row)))
        return found

    async def reports(self, utility: str, ids: Sequence[UUID]) -> dict[UUID, KeptReport]:
        """Those reports by id."""
        async with self._pool.lend(utility, by_key=True) as connection:
            return {row["id"]: KeptReport(**dict(row)) for row in await connection.fetch(_SQL["reports"], utility, ids)}

    async def plan_again(self, connection: Connection) -> None:
        """Plan the statements of that connection again: plans made while the tables were empty go through whole tables later."""
        await connection.execute(_SQL["plan_again"])

    async def versions(self, connection: Connection, utility: str, table: str, ids: Sequence[UUID]) -> dict[UUID, int]:
        """The versions of those assemblies, testers or gauges, in the transaction of that connection."""
        return {row["id"]: row["version"] for row in await connection.fetch(_SQL[f"versions_{table}"], utility, ids)}

    async def create(
        self, connection: Connection, shape: type[Any], utility: str, facts: Sequence[tuple[UUID, Any]], *, now: dt.datetime
    ) -> list[UUID]:
        """Keep new things on a connection whose transaction is the caller's; the ids of those that were not there."""
        rows = [
            {
                **msgspec.to_builtins(item),
                "utility_id": utility,
                "id": str(new_id),
                "version": 1,
                "created_at": now,
                "changed_at": now,
            }
            for new_id, item in facts
        ]
        # The facts' members are the columns' names, our own and never a user's.
        columns = ", ".join(type(facts[0][1]).__struct_fields__)
        statement = _SQL[f"create_{NAMES[shape]}"].format(columns=columns)
        return [row[0] for row in await connection.fetch(statement, msgspec.json.encode(rows).decode())]

    async def keep_standings(self, connection: Connection, utility: str, rows: Sequence[StandingRow]) -> None:
        """Keep the standings of new assemblies."""
        await connection.execute(
            _SQL["keep_standings"],
            utility,
            [row.assembly_id for row in rows],
            [row.due_on for row in rows],
            [row.basis for row in rows],
        )

    def lend(self, utility: str) -> Any:
        """A connection that sees that utility's rows."""
        return self._pool.lend(utility, by_key=True)
