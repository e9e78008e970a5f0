"""The load maker: so many connections, each sending its next request when the last is answered, for some seconds; from a process of its own.

It reads no more of an answer than it must (status and length), so that little of the shared machine goes to asking.
"""

import asyncio
import time
from collections.abc import Callable

import uvloop
from msgspec import Struct

Next = Callable[[], bytes]
_LENGTH = b"\r\ncontent-length:"


class Run(Struct, frozen=True, kw_only=True):
    """What one run saw: requests a second, times to the answer in ms, and the answers that were not 2xx."""

    rate: float
    p50: float
    p99: float
    wrong: int
    first_wrong: bytes = b""


class _Connection(asyncio.Protocol):
    """One connection: asks, waits, asks again until the end of the run."""

    def __init__(self, following: Next, until: float, begin: float) -> None:
        self._following = following
        self._until = until
        self._begin = begin
        self._had = b""
        self._sent = 0.0
        self.times: list[float] = []
        self.wrong: list[bytes] = []
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport
        self._ask()

    def _ask(self) -> None:
        self._had = b""
        self._sent = time.perf_counter()
        self._transport.write(self._following())  # type: ignore[attr-defined]

    def data_received(self, data: bytes) -> None:
        self._had = had = self._had + data if self._had else data
        head = had.find(b"\r\n\r\n")
        if head < 0:
            return
        at = had[:head].lower().find(_LENGTH)
        end = had.find(b"\r\n", at + 2)
        if len(had) < head + 4 + int(had[at + len(_LENGTH) : end]):
            return
        now = time.perf_counter()
        if now >= self._begin:
            self.times.append(now - self._sent)
        if had[9:10] != b"2":
            self.wrong.append(had)
        if now < self._until:
            self._ask()
        else:
            self._transport.close()
            self.finish()

    def connection_lost(self, error: Exception | None) -> None:
        if not self.done.done():
            self.wrong.append(repr(error).encode())
        self.finish()

    def finish(self) -> None:
        """Count this connection as done."""
        if not self.done.done():
            self.done.set_result(None)


async def _drive(port: int, connections: int, seconds: float, warm: float, following: Next) -> Run:
    loop = asyncio.get_running_loop()
    begin = time.perf_counter() + warm
    made = [_Connection(following, begin + seconds, begin) for _ in range(connections)]
    for one in made:
        await loop.create_connection(lambda one=one: one, "127.0.0.1", port)  # type: ignore[misc]
    await asyncio.gather(*(one.done for one in made))
    took = time.perf_counter() - begin
    # A run in which nothing was answered counts as one answer of its whole length.
    times = sorted(time for one in made for time in one.times) or [took]
    wrong = [text for one in made for text in one.wrong]
    return Run(
        rate=len(times) / took,
        p50=times[len(times) // 2] * 1000,
        p99=times[len(times) * 99 // 100] * 1000,
        wrong=len(wrong),
        first_wrong=wrong[0] if wrong else b"",
    )


def drive(port: int, *, connections: int, seconds: float, following: Next, warm: float = 0.5) -> Run:
    """Load the server at that port of 127.0.0.1; `warm` seconds before count for nothing."""
    return uvloop.run(_drive(port, connections, seconds, warm, following))
