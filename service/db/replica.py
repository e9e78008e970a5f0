"""Reads that may be a little behind, from a streaming replica for as long as it is known how far behind that is.

The primary is asked, again and again, how far its log has come, and the replica how far it has replayed it. What the primary had answered
by a moment, the replica shows once it has replayed to where the log stood at that moment: so each moment reported is true, whether
the primary is busy, idle or gone, and needs no clock of the database's. While there is no primary the replica is read until it is too far
behind. A replica that is behind by more than the bound, away, promoted,
or of another history is not read; the primary is.
"""

import asyncio
import datetime as dt
import logging
import math
import time
from collections import deque
from contextlib import suppress
from typing import Any

import asyncpg
from msgspec import Struct

from service.clock import Clock
from service.db.pool import NO_UTILITY, Pool
from service.db.statements import statements
from service.metrics import Metrics
from service.problems import ProblemError

_SQL = statements(__name__)
_log = logging.getLogger("nonreturn.reader")

LOOK_SECONDS = 0.5
"""So often it is looked at, at least; a look takes a round trip to each."""
READ_SECONDS = 5.0
"""So long the replica has for an answer, or for the first part of one that is streamed, before the primary is asked."""
PRIMARY_SECONDS = 2.0
"""So long the primary has to say where it stands; then it counts as away."""
_CLOSE_SECONDS = 2.0
_MOST_PLACES = 10_000


class Source(Struct, frozen=True, kw_only=True):
    """Where a request reads, and by when everything that was answered is in what it reads."""

    pool: Pool
    as_of: dt.datetime


class _Place(Struct, frozen=True, kw_only=True):
    """How far the primary's log had come at a moment, by two clocks: one that only goes forward, and the one that answers report."""

    at: float
    shown: dt.datetime
    place: int


class Reader:
    """Says where to read: the replica at `dsn`, if there is one and it is behind by `bound` seconds at most; else the primary."""

    def __init__(self, primary: Pool, dsn: str | None, *, size: int, bound: float, clock: Clock, metrics: Metrics) -> None:
        self._primary = primary
        self._dsn = dsn
        self._size = size
        self._bound = bound
        self._clock = clock
        self._metrics = metrics
        self._replica: Pool | None = None
        self._places: deque[_Place] = deque(maxlen=_MOST_PLACES)
        self._known: _Place | None = None
        self._watch: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin to watch the replica, if there is one."""
        if self._dsn is not None:
            self._watch = asyncio.create_task(self._watching(self._dsn))

    async def close(self) -> None:
        """Stop, and close the connections to the replica."""
        if self._watch is not None:
            self._watch.cancel()
            with suppress(asyncio.CancelledError):
                await self._watch
        # One that stands still does not answer; it is not waited for.
        await self._drop()

    def source(self, at_most: float = math.inf) -> Source:
        """Where to read what may be behind by the bound, and by `at_most` seconds."""
        known = self._known
        if self._replica is not None and known is not None and time.monotonic() - known.at <= min(self._bound, at_most):
            return Source(pool=self._replica, as_of=known.shown)
        return self.primary()

    def primary(self) -> Source:
        """The primary, which is never behind."""
        return Source(pool=self._primary, as_of=self._clock.now())

    def lost(self) -> None:
        """The replica could not be reached: it is not read until it has been looked at again."""
        self._known = None

    async def _watching(self, dsn: str) -> None:
        reported: str | None = ""
        while True:
            try:
                async with asyncio.timeout(READ_SECONDS):
                    wrong = await self._look(dsn)
            except (ProblemError, asyncpg.PostgresError, asyncpg.InterfaceError, OSError, TimeoutError) as error:
                wrong = f"it cannot be looked at ({type(error).__name__})"
            if wrong is not None:
                self.lost()
            if wrong != reported:
                _log.warning("The replica is read from." if wrong is None else f"The replica is not read from: {wrong}.")
                reported = wrong
            behind = math.nan if self._known is None else time.monotonic() - self._known.at
            self._metrics.replica_behind.set(behind)
            await asyncio.sleep(min(LOOK_SECONDS, max(self._bound / 4, 0.05)))

    async def _look(self, dsn: str) -> str | None:
        """Find out how far behind the replica is; what is wrong with it, or None."""
        at, now = time.monotonic(), self._clock.now()
        primary = await self._look_at_the_primary()
        if self._replica is None:
            self._replica = await Pool.open(dsn, size=self._size)
        async with self._replica.lend(NO_UTILITY) as connection:
            replica = await connection.fetchrow(_SQL["replica"])
        if not replica["follows"]:
            # Its sessions would stay where they are: whatever follows the new primary is found by connecting again.
            await self._drop()
            return "it was promoted"
        if primary is None:
            # Nothing new is answered meanwhile, so what was known of the replica holds, and it is read for as long as it is near enough.
            return None
        history = (primary["system"], primary["timeline"])
        if (replica["system"], replica["timeline"]) != history:
            self._places.clear()
            return "it does not follow the primary that reports are written to"
        self._places.append(_Place(at=at, shown=now, place=primary["place"]))
        while self._places and self._places[0].place <= replica["place"]:
            self._known = self._places.popleft()
        return None

    async def _look_at_the_primary(self) -> Any:
        """Where the primary stands; None while there is none."""
        try:
            async with asyncio.timeout(PRIMARY_SECONDS), self._primary.lend(NO_UTILITY) as connection:
                return await connection.fetchrow(_SQL["primary"])
        except (ProblemError, TimeoutError):
            return None

    async def _drop(self) -> None:
        """Close the connections to what was the replica; the next look opens others."""
        self._places.clear()
        dropped, self._replica = self._replica, None
        if dropped is not None:
            with suppress(TimeoutError):
                async with asyncio.timeout(_CLOSE_SECONDS):
                    await dropped.close()
