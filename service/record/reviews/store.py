"""Reports that are held or void, and the decisions on them, in Postgres."""

import datetime as dt
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct, UnsetType

import rules
from service.auth.access import Principal
from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.problems import not_found, problem
from service.record.reviews.schemas import Review, ReviewDecision, ReviewState

_SQL = statements(__name__)
_SHOWN = {which: f"{_SQL['shown']}\n{_SQL[which]}" for which in ("held", "void", "one")}
_decision = msgspec.json.Decoder(ReviewDecision).decode


class ReviewsWanted(Struct, frozen=True, kw_only=True):
    """Which reviews; None: not asked. The order is that of the statement's parameters."""

    state: ReviewState | None = None
    assembly_id: UUID | None = None
    tester_id: UUID | None = None


class Decided(Struct, frozen=True, kw_only=True):
    """A decision to keep."""

    decision: Literal["accepted", "refused", "void"]
    because: str
    decided_by: str | UnsetType


class _Flags(Struct):
    flags: list[rules.Flag]


class ReviewStore:
    """Reads held reports, and keeps what people decide of them."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def listed(self, utility: str, wanted: ReviewsWanted, *, after: int, limit: int) -> list[Review]:
        """Up to `limit` of the wanted reviews after that log index: of held reports, or of the void ones."""
        which = "void" if wanted.state == "void" else "held"
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SHOWN[which], utility, after, limit, *msgspec.structs.astuple(wanted))
        return [_review(dict(row)) for row in rows]

    async def one(self, utility: str, report_id: UUID) -> Review:
        """The review of that report, with every decision; 404 where there is no such report, or it is neither held nor void."""
        async with self._pool.lend(utility) as connection:
            found = await connection.fetchrow(_SHOWN["one"], utility, report_id)
            if found is None:
                raise not_found("held report")
            rows = await connection.fetch(_SQL["history"], utility, report_id)
        return msgspec.structs.replace(_review(dict(found)), history=[_decision(row[0]) for row in rows])

    async def decide(
        self,
        connection: Connection,
        utility: str,
        report_id: UUID,
        made: Decided,
        *,
        version: int,
        who: Principal,
        now: dt.datetime,
    ) -> UUID:
        """Keep a decision in the transaction of that connection while the last one's version is still that; the report's assembly."""
        decided_by = None if made.decided_by is UNSET else made.decided_by
        assembly: UUID | None = await connection.fetchval(
            _SQL["decide"],
            utility,
            report_id,
            version,
            now,
            made.decision,
            made.because,
            decided_by,
            who.organisation_id,
            who.key_id,
        )
        if assembly is None:
            raise problem("version_changed")
        return assembly

    async def last_decision(self, connection: Connection, utility: str, report_id: UUID) -> tuple[int, str | None]:
        """The number of the last decision on that report (0: none), and why it was voided, if it was; 404 where there is no such report."""
        row = await connection.fetchrow(_SQL["last_decision"], utility, report_id)
        if row is None:
            raise not_found("report")
        return row["version"], row["void_because"]


def _review(row: dict[str, object]) -> Review:
    flags = msgspec.json.decode(str(row.pop("verdict")), type=_Flags).flags
    result = row.pop("decision")
    decision = None if result is None else _decision(str(result))
    return Review(
        **row,  # type: ignore[arg-type]
        held_for=[flag for flag in flags if flag.severity == "hold"],
        version=0 if decision is None else decision.version,
        state="open" if decision is None else decision.decision,
        decision=decision or UNSET,
    )
