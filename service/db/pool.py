"""Connections to Postgres, each bound to one utility while it is lent.

Row security shows a session the rows of the utility it has named. A connection is therefore never lent without naming one (or none:
then it sees the small global tables only), and the name is set again whenever it differs from what the connection last carried.

A testing company sees a part of a utility. What a request reads on behalf of one (`seen_by`), it reads as the role `nonreturn_company`,
which may only read, only a few tables, and of them only what that company's grant shows: the database holds that, for every
statement. What the service does for itself (recording, working out standings) it does in `whole_view`.
"""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from contextvars import ContextVar
from typing import Any
from uuid import UUID
from weakref import WeakKeyDictionary

import asyncpg

from service.problems import problem

ROLE = "nonreturn_service"
COMPANY_ROLE = "nonreturn_company"
NO_UTILITY = ""

_company: ContextVar[UUID | None] = ContextVar("company", default=None)


def seen_by(company: UUID | None) -> None:
    """From here on in this request, and in the tasks it starts, the database is read as that testing company; None: whole."""
    _company.set(company)


def company_looks() -> bool:
    """Whether the database is read as a testing company just now."""
    return _company.get() is not None


@contextmanager
def whole_view() -> Iterator[None]:
    """The service's own look at a utility, whoever asks; what it finds is the caller's only as far as the call decides."""
    before = _company.set(None)
    try:
        yield
    finally:
        _company.reset(before)


Connection = Any  # asyncpg publishes no types; a connection of its pool


# What says that the database is away, rather than that it was asked something wrong.
_AWAY = (
    OSError,
    TimeoutError,
    asyncpg.PostgresConnectionError,
    asyncpg.CannotConnectNowError,
    asyncpg.AdminShutdownError,
    asyncpg.CrashShutdownError,
    asyncpg.InterfaceError,
    asyncpg.InternalClientError,
    # Its disk or memory is full, or it has connections enough: as good as away, until somebody makes room.
    asyncpg.InsufficientResourcesError,
)

LOAN_SECONDS = 10.0
"""A request waits this many seconds for a connection before it is refused with 503."""
COMMAND_SECONDS = 20.0
"""So long a statement is waited for, unless it says otherwise; its connection is ended where it does not even stop then."""
_RELEASE_SECONDS = 2.0
"""So long a statement that was given up is waited for before its connection is ended; and so long the end of a connection is."""
SESSION = {
    # A session whose service is gone without a word (its network stands still, say) gives back what it has locked, and goes.
    "idle_in_transaction_session_timeout": "15s",
    "client_connection_check_interval": "5s",
    "tcp_keepalives_idle": "10",
    "tcp_keepalives_interval": "5",
    "tcp_keepalives_count": "3",
    "tcp_user_timeout": "20s",
}
"""How Postgres keeps every session of ours; what is about TCP it leaves alone on a local socket."""
# The same from our side: the kernel reports a database that vanished within about ten seconds, whatever we do meanwhile.
_KERNEL = {"TCP_KEEPIDLE": 4, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3, "TCP_USER_TIMEOUT": 10_000}


# A plan is made once and kept, perhaps while the tables are still empty. What the report path reads it reads by key, row by row, so
# ways that pass over a table are not to be taken, however small it was on that day.
_PLANNED_ONCE = {
    "plan_cache_mode": "force_generic_plan",
    "enable_hashjoin": "off",
    "enable_mergejoin": "off",
    "enable_seqscan": "off",
    "enable_material": "off",
}


_PLAN_BY_KEY = "SELECT " + ", ".join(f"set_config('{name}', '{value}', false)" for name, value in _PLANNED_ONCE.items())
_PLAN_EACH = "; ".join(f"RESET {name}" for name in _PLANNED_ONCE)


async def _keep(_connection: Connection) -> None:
    """Leave the session as it is on its return: the next loan names its own utility."""


async def _watched(connection: Connection) -> None:
    """Have the kernel look after a new connection, as far as this machine's can."""
    raw = connection._transport.get_extra_info("socket")  # noqa: SLF001 - asyncpg has no setting for it
    if raw is None or raw.family == getattr(socket, "AF_UNIX", None):
        return
    raw.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in _KERNEL.items():
        if hasattr(socket, name):
            raw.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


class Pool:
    """A pool of connections that work as the service's role, whoever logged in."""

    def __init__(self, pool: Any, *, repeating: bool = False) -> None:
        self._pool = pool
        self._repeating = repeating
        self._named: WeakKeyDictionary[Any, tuple[str, UUID | None]] = WeakKeyDictionary()
        self._by_key: WeakKeyDictionary[Any, bool] = WeakKeyDictionary()
        self._fanned = asyncio.Lock()

    @classmethod
    async def open(cls, dsn: str, *, size: int, repeating: bool = False, flushed_later: bool = False) -> "Pool":
        """Open up to `size` connections; asyncpg's errors where the database cannot be reached.

        `repeating` is for the few statements of the report path, asked again and again with arrays of any length: Postgres would plan the
        long ones again each time, which takes longer than running them. Lists, which differ by what is asked, are better planned each time.

        `flushed_later` is for what has not been confirmed to anyone yet: commits do not wait for the disk, and the next one elsewhere that
        does takes
        all before it along.
        """
        planned = _PLANNED_ONCE if repeating else {}
        flushed = {"synchronous_commit": "off"} if flushed_later else {}
        pool = await asyncpg.create_pool(
            dsn,
            min_size=min(2, size),
            max_size=size,
            command_timeout=COMMAND_SECONDS,
            init=_watched,
            reset=_keep,
            server_settings={"role": ROLE, "application_name": "nonreturn", "TimeZone": "UTC", **SESSION, **planned, **flushed},
        )
        return cls(pool, repeating=repeating)

    @asynccontextmanager
    async def lend(self, utility: str, *, by_key: bool = False) -> AsyncIterator[Connection]:
        """Lend a connection that sees that utility's rows; ProblemError `unavailable` where the database is away.

        `by_key` is for statements that read rows by their keys, and pages in an index's order: they are planned without regard to which
        utility it is. Of a utility that its statistics do not know the planner takes each table for empty, and any index for as good as the
        right one; such plans took hours for the second utility of a database.
        """
        named = (utility, None if utility == NO_UTILITY else _company.get())
        timed_out = False
        try:
            connection = await self._borrowed()
            given_up = False
            session = connection._con  # noqa: SLF001 - the session behind the loan, which outlives it
            try:
                if self._named.get(session) != named:
                    company = named[1]
                    # Until this has gone through, the session counts as nobody's, so that it is named again whatever happened.
                    self._named.pop(session, None)
                    await connection.execute(
                        "SELECT set_config('nonreturn.utility', $1, false), set_config('nonreturn.organisation', $2, false), "
                        "set_config('role', $3, false)",
                        utility,
                        "" if company is None else str(company),
                        ROLE if company is None else COMPANY_ROLE,
                    )
                    self._named[session] = named
                if self._by_key.get(session, self._repeating) != (by_key := by_key or self._repeating):
                    self._by_key[session] = by_key
                    await connection.execute(_PLAN_BY_KEY if by_key else _PLAN_EACH)
                yield connection
            except (TimeoutError, asyncio.CancelledError) as error:
                given_up = True
                timed_out = isinstance(error, TimeoutError)
                raise
            except asyncpg.InternalClientError:
                # The session's last word (that it is being ended, say) came between two requests and confused it: it is of no more use.
                connection.terminate()
                raise
            finally:
                try:
                    await self._pool.release(connection, timeout=_RELEASE_SECONDS)
                finally:
                    # It did not even say that it stopped what was given up: nobody is there.
                    if given_up and session.is_closed():
                        timed_out = False
                        self._end_idle()
        except _AWAY as error:
            if timed_out:
                # The database stopped the statement as it was set to: it is there, and only slow.
                raise problem("database_slow", wait=2) from error
            raise problem("database_unreachable", wait=2) from error

    @asynccontextmanager
    async def spare(self, wanted: int) -> AsyncIterator[bool]:
        """Whether so many connections may be lent to one who holds another already.

        To one caller at a time, so that none waits in a ring.
        """
        if not wanted or self._fanned.locked() or self._pool.get_max_size() < wanted + 2:
            yield False
            return
        async with self._fanned:
            yield True

    def _end_idle(self) -> None:
        """End the connections that nobody uses: where one does not answer, the others may be as dead, and the next would wait on each."""
        for holder in self._pool._holders:  # noqa: SLF001 - asyncpg's own way waits for each to say farewell
            if holder._con is not None and holder._in_use is None:  # noqa: SLF001
                holder.terminate()

    async def _borrowed(self) -> Connection:
        """A connection; whatever Postgres says to a new one means that it cannot be had just now."""
        try:
            return await self._pool.acquire(timeout=LOAN_SECONDS)
        except asyncpg.PostgresError as error:
            raise asyncpg.CannotConnectNowError(str(error)) from error

    async def close(self) -> None:
        """Close every connection; one that does not say farewell is ended."""
        try:
            async with asyncio.timeout(_RELEASE_SECONDS):
                await self._pool.close()
        except TimeoutError:
            self._pool.terminate()
