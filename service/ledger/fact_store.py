"""The log of facts in Postgres, its tree and heads, and the rows that the facts are about."""

from collections.abc import AsyncIterator
from typing import Any, Final

from service.db.statements import statements
from service.ledger.facts import SCHEMA, TRACKED, Fact, microseconds
from service.ledger.store import HEAD_TYPES, HeadRow, LogStore

_SQL: Final = statements(__name__)
_AT_ONCE: Final = 1000


class FactStore(LogStore):
    """Reads the log of facts, and keeps its tiles and heads."""

    noun = "facts"
    head_type = HEAD_TYPES[1]
    _sql = _SQL

    async def facts(self, utility: str, start: int, end: int) -> list[Fact]:
        """The facts of those numbers."""
        return [Fact(**row) for row in await self._rows("facts", utility, start, end)]

    async def nothing_since(self, utility: str, head: HeadRow, size: int) -> bool:
        """Whether nothing was recorded since that head was signed, but that it was: a head is a fact too."""
        since = await self.facts(utility, head.size, size) if size - head.size <= 1 else None
        return since is not None and all(fact.of_table == "fact_head" for fact in since)

    async def rows(self, utility: str, table: str) -> AsyncIterator[tuple[str, bytes | None, Fact | None]]:
        """Each row of a table by its key, and the last fact about it; None for either that is missing."""
        async with self.pool.lend(utility) as connection, connection.transaction():
            name = f"{SCHEMA.get(table, 'record')}.{table}"
            columns = ", ".join(f'"{row[0]}"' for row in await connection.fetch(_SQL["columns"], name))
            key = ", ".join(f"t.{column}::text" for column in TRACKED[table])
            sql = _SQL["rows"].format(table=name, columns=columns, key=key)
            await connection.execute("SET LOCAL statement_timeout = 0")
            async for row in connection.cursor(sql, utility, table, prefetch=_AT_ONCE):
                found: dict[str, Any] = dict(row)
                text = found.pop("text")
                fact = None if found["number"] is None else Fact(of_table=table, **found)
                yield found["row_key"], None if text is None else text.encode(), fact

    async def feed(self, utility: str, first: int, last: int) -> dict[int, bytes]:
        """A range of the feed by number: each change as the line that its range's digest is of."""
        rows = await self._rows("feed", utility, first, last)
        return {row["sequence"]: _line(row).encode() for row in rows}

    async def found(self, statement: str, utility: str) -> list[dict[str, Any]]:
        """The rows of one of the statements that look for what does not belong."""
        return await self._rows(statement, utility)


def _line(row: dict[str, Any]) -> str:
    return f"{row['sequence']} {row['resource']} {row['id']} {row['version']} {microseconds(row['recorded_at'])}\n"
