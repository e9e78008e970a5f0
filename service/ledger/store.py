"""The log of a utility's reports in Postgres: whole rows in the order of recording, the tree's tiles, and the heads that were signed."""

import datetime as dt
from collections.abc import Sequence
from typing import Any, Final
from uuid import UUID

from msgspec import Struct

from service.db.pool import Pool
from service.db.statements import statements
from service.record.reports.rows import Outcome, ReportRow
from service.record.reviews.schemas import Decision

_SQL = statements(__name__)
WIDTH: Final = 256
"""How many hashes a tile holds."""
HEAD_TYPES: Final = ("nonreturn-log-head+json", "nonreturn-fact-log-head+json")
"""What signed heads say that they are (`typ`): of the log of reports, and of that of facts."""
_LONG: Final = 3600.0
"""Seconds that a statement of the audit may take, which goes through whole tables."""


class LoggedRow(ReportRow, frozen=True, kw_only=True):
    """A report's row whole, with its place in the log, whether another corrects it, and what was decided of it last."""

    log_index: int
    initial_outcome: Outcome | None
    superseded: bool
    decision: Decision | None

    @property
    def void(self) -> bool:
        """Whether the report was voided."""
        return self.decision == "void"


class Tile(Struct, frozen=True, kw_only=True):
    """The hashes of 256 whole subtrees of 256^level leaves each, one behind another, and the root over them."""

    level: int
    number: int
    hashes: bytes
    root: bytes


class HeadRow(Struct, frozen=True, kw_only=True):
    """A tree head that was signed; `tail` are the leaf hashes beyond the last whole tile, one behind another."""

    size: int
    root: bytes
    made_at: dt.datetime
    tail: bytes
    signed: str


class LogStore:
    """Reads the log, and keeps its tiles and heads; neither is ever changed."""

    noun = "reports"
    head_type = HEAD_TYPES[0]
    _sql = _SQL

    def __init__(self, pool: Pool) -> None:
        self.pool = pool

    async def size(self, utility: str) -> int:
        """How many leaves there are; all of lower index are recorded. 0 where the count itself is missing."""
        found = await self._rows("size", utility)
        return int(found[0]["size"]) if found else 0

    async def nothing_since(self, utility: str, head: HeadRow, size: int) -> bool:
        """Whether nothing was recorded since that head was signed."""
        del utility
        return head.size == size

    async def report(self, utility: str, report_id: UUID) -> LoggedRow | None:
        """One report's row."""
        found = [LoggedRow(**row) for row in await self._rows("report", utility, report_id)]
        return found[0] if found else None

    async def reports(self, utility: str, start: int, end: int) -> list[LoggedRow]:
        """The rows of those log indexes."""
        return [LoggedRow(**row) for row in await self._rows("reports", utility, start, end)]

    async def leaf_hashes(self, utility: str, start: int, end: int) -> dict[int, bytes | None]:
        """The leaf hashes written with those reports, by log index; None where there is none in the row."""
        return {row["log_index"]: row["leaf_hash"] for row in await self._rows("leaf_hashes", utility, start, end)}

    async def tiles(self, utility: str, level: int) -> int:
        """How many tiles of that level are kept."""
        [row] = await self._rows("tiles", utility, level)
        return int(row["tiles"])

    async def tile(self, utility: str, level: int, number: int) -> Tile | None:
        """One tile; None where it is not kept, or not yet whole."""
        found = [Tile(**row) for row in await self._rows("tile", utility, level, number)]
        return found[0] if found else None

    async def tile_roots(self, utility: str, level: int, start: int, end: int) -> list[bytes]:
        """The roots of those tiles, in order."""
        return [row["root"] for row in await self._rows("tile_roots", utility, level, start, end)]

    async def keep_tiles(self, utility: str, tiles: Sequence[Tile]) -> None:
        """Keep tiles; another process may have kept the same, which is then the same to the byte."""
        columns = [[getattr(tile, name) for tile in tiles] for name in Tile.__struct_fields__]
        await self._rows("keep_tiles", utility, *columns)

    async def heads(self, utility: str, *, after: int, limit: int) -> list[HeadRow]:
        """Up to `limit` heads of more than `after` reports, the smallest first."""
        return [HeadRow(**row) for row in await self._rows("heads", utility, after, limit)]

    async def heads_before(self, utility: str, before: int, limit: int) -> list[HeadRow]:
        """Up to `limit` heads of fewer than `before` leaves, the largest first."""
        return [HeadRow(**row) for row in await self._rows("heads_before", utility, before, limit)]

    async def stray_tiles(self, utility: str) -> list[tuple[int, int]]:
        """Tiles that the log is too short for: level and number."""
        return [(row["level"], row["number"]) for row in await self._rows("stray_tiles", utility)]

    async def last_head(self, utility: str) -> HeadRow | None:
        """The head of the most reports."""
        found = [HeadRow(**row) for row in await self._rows("last_head", utility)]
        return found[0] if found else None

    async def keep_head(self, utility: str, head: HeadRow) -> HeadRow:
        """Keep a head; the one kept, which is another's where another process was first."""
        await self._rows("keep_head", utility, head.size, head.root, head.made_at, head.tail, head.signed)
        [kept] = await self.heads(utility, after=head.size - 1, limit=1)
        return kept

    async def uncounted(self, utility: str) -> list[tuple[UUID, int]]:
        """Reports whose log index lies beyond the number that were recorded: id and index."""
        return [(row["id"], row["log_index"]) for row in await self._rows("uncounted", utility)]

    async def unannounced(self, utility: str) -> list[tuple[UUID, int]]:
        """Reports that are missing in the change feed: id and log index."""
        return [(row["id"], row["log_index"]) for row in await self._rows("unannounced", utility)]

    async def vanished(self, utility: str) -> list[str]:
        """The ids of reports in the change feed that are not there."""
        return [row["id"] for row in await self._rows("vanished", utility)]

    async def strayed_reviews(self, utility: str) -> list[tuple[str, int, bool]]:
        """Decisions on held reports that stand in the record or in the change feed alone: report, version, whether it is in the record."""
        return [(row["id"], row["version"], row["there"]) for row in await self._rows("strayed_reviews", utility)]

    async def missing_changes(self, utility: str) -> list[int]:
        """The numbers that the change feed lacks."""
        return [row["sequence"] for row in await self._rows("missing_changes", utility)]

    async def _rows(self, statement: str, *arguments: Any) -> list[dict[str, Any]]:
        async with self.pool.lend(arguments[0]) as connection:
            return [dict(row) for row in await connection.fetch(self._sql[statement], *arguments, timeout=_LONG)]
