"""Held reports and the decisions on them, in Postgres."""

import datetime as dt
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct

import rules
from service.access import Principal
from service.problems import not_found, problem
from service.reviews import Review, ReviewDecision, ReviewFacts, ReviewState
from service.store.pool import Connection, Pool
from service.store.statements import statements

_SQL = statements("reviews")


class ReviewsWanted(Struct, frozen=True, kw_only=True):
    """Which reviews; None: not asked. The order is that of the statement's parameters."""

    state: ReviewState | None = None
    assembly_id: UUID | None = None
    tester_id: UUID | None = None


class _Flags(Struct):
    flags: list[rules.Flag]


class ReviewStore:
    """Reads held reports, and keeps what people decide of them."""

    def __init__(self, pool: Pool) -> None:
        self._pool = pool

    async def listed(
        self, utility: str, wanted: ReviewsWanted, *, after: int, limit: int, only: UUID | None = None
    ) -> list[Review]:
        """Up to `limit` of the wanted reviews after that log index."""
        asked = msgspec.structs.astuple(wanted)
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["list"], utility, after, limit, *asked, only)
        return [_review(dict(row)) for row in rows]

    async def one(self, utility: str, report_id: UUID) -> Review:
        """The review of that report, with every decision; 404 where there is no such report, or it is not held."""
        found = await self.listed(utility, ReviewsWanted(), after=-1, limit=1, only=report_id)
        if not found:
            raise not_found("held report")
        async with self._pool.lend(utility) as connection:
            rows = await connection.fetch(_SQL["history"], utility, report_id)
        return msgspec.structs.replace(found[0], history=[ReviewDecision(**dict(row)) for row in rows])

    async def decide(
        self, connection: Connection, utility: str, report_id: UUID, facts: ReviewFacts, *, version: int, who: Principal, now: dt.datetime
    ) -> UUID:  # fmt: skip
        """Keep a decision in the transaction of that connection while the last one's version is still that; the report's assembly."""
        assembly: UUID | None = await connection.fetchval(
            _SQL["decide"], utility, report_id, version, now, facts.decision, facts.because, facts.decided_by, who.organisation_id, who.key_id
        )  # fmt: skip
        if assembly is None:
            raise problem("version_changed")
        return assembly


def _review(row: dict[str, object]) -> Review:
    flags = msgspec.json.decode(str(row.pop("verdict")), type=_Flags).flags
    told = row.pop("decision")
    decision = None if told is None else msgspec.json.decode(str(told), type=ReviewDecision)
    return Review(
        **row,  # type: ignore[arg-type]
        held_for=[flag for flag in flags if flag.severity == "hold"],
        version=0 if decision is None else decision.version,
        state="open" if decision is None else decision.decision,
        decision=decision or UNSET,
    )
