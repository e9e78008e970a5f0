"""Standings follow from what is registered: what the register needs of the record when it changes (service/registry/follower.py)."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from uuid import UUID

from service.db.pool import Connection
from service.record.reports.store import Recording, ReportStore
from service.record.standings.work_out import rebuild_standings, rework
from service.registry.schemas import UtilityOnRecord


class FollowingChange:
    """A change of the register, and the standings that follow from it, in one transaction."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording

    @property
    def connection(self) -> Connection:
        """The connection that the transaction is open on."""
        return self._recording.connection

    @property
    def utility(self) -> UtilityOnRecord:
        """The utility as it is until the commit."""
        return self._recording.utility

    async def assemblies_of(self, premises_id: UUID) -> list[UUID]:
        """The assemblies at those premises."""
        return await self._recording.assemblies_of(premises_id)

    async def rework(self, assemblies: Sequence[UUID]) -> None:
        """Work out the standings of those assemblies again."""
        await rework(self._recording, assemblies)


class StandingsFollow:
    """Opens the transactions in which the register changes."""

    def __init__(self, store: ReportStore) -> None:
        self._store = store

    @asynccontextmanager
    async def changing(self, utility: str) -> AsyncIterator[FollowingChange]:
        """One transaction; it commits when the block ends without an error."""
        async with self._store.recording(utility) as recording:
            yield FollowingChange(recording)

    async def rebuild(self, utility: UtilityOnRecord) -> None:
        """Work out every standing of a utility again, an assembly a transaction."""
        await rebuild_standings(self._store, utility)
