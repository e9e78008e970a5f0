"""The server's HTTP protocol with bounds it lacks: on connections, on the head of a request, and on a body that has been answered already.

Without them one address could take all connections, or open and close them without end; a connection could send headers for ever, into
memory, or sit there and send none, or be refused (for want of a key, say) and go on sending its body for ever. (Bodies that are read have
their own bounds: the application's size limit, and `body_seconds`.)
"""

import asyncio
import time
from collections import Counter
from functools import partial
from typing import Any, Final

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from service.auth.rates import Allowances
from service.http.callers import Proxies, grouped
from service.settings import Settings

HEAD_BYTES: Final = 64 * 1024
HEAD_SECONDS: Final = 10.0
LATE_BYTES: Final = 4 * 1024 * 1024
"""So much of a body is taken after its answer, so that who sends first and reads then finds the answer."""
LATE_SECONDS: Final = 10.0
NEW_SAVED_SECONDS: Final = 2.0
"""For so long an address saves up new connections that it did not open."""

_TOO_LARGE: Final = (
    b"HTTP/1.1 431 Request Header Fields Too Large\r\ncontent-type: text/plain; charset=utf-8\r\ncontent-length: 38\r\n"
    b"connection: close\r\n\r\nThe request line and headers are long."
)


class Gate:
    """Which connections are let in: so many in all, and of each address so many at once and so many new ones a second.

    A trusted proxy's connections are everybody's, so they count in all only.
    """

    def __init__(self, *, most: int, most_of_address: int, new_per_second: float, proxies: Proxies) -> None:
        self._most = most
        self._most_of_address = most_of_address
        self._proxies = proxies
        self._fresh = Allowances(new_per_second, saved=NEW_SAVED_SECONDS)
        self._open: Counter[str] = Counter()
        self._count = 0

    def admits(self, peer: str) -> bool:
        """Whether a new connection from there is let in."""
        if self._count >= self._most:
            return False
        if self._proxies.trusts(peer):
            return True
        address = grouped(peer)
        return self._open.get(address, 0) < self._most_of_address and not self._fresh.wait(address, 1.0, time.monotonic())

    def enter(self, peer: str) -> bool:
        """Whether a new connection from there is let in; it counts until it leaves."""
        if not self.admits(peer):
            return False
        if not self._proxies.trusts(peer):
            address = grouped(peer)
            self._fresh.charge(address, 1.0, time.monotonic())
            self._open[address] += 1
        self._count += 1
        return True

    def leave(self, peer: str) -> None:
        """A connection that was let in has ended."""
        self._count -= 1
        address = grouped(peer)
        if not self._proxies.trusts(peer):
            self._open[address] -= 1
            if not self._open[address]:
                del self._open[address]


class BoundedProtocol(HttpToolsProtocol):
    """One connection."""

    _head: int | None = 0
    """Bytes of a head that is still arriving; None while there is none."""
    _ended = False
    _timer: asyncio.TimerHandle | None = None
    _late: int | None = None
    """Bytes of a body that came after its answer; None while there is no such body."""
    _peer: str | None = None
    """Where a connection that was let in comes from."""

    def __init__(self, *arguments: Any, gate: Gate | None = None, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.gate = gate

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head, or end at once what is not let in."""
        if self.gate is not None:
            peer = str((transport.get_extra_info("peername") or ("",))[0])
            if not self.gate.enter(peer):
                self.transport = transport
                transport.abort()
                return
            self._peer = peer
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._stop_waiting()
        if self.gate is not None and self._peer is not None:
            self.gate.leave(self._peer)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Parse, and give up a head that grows too long."""
        self._ended = False
        super().data_received(data)
        if self._head is not None and self._timer is None and self.cycle.response_complete:
            # Blank lines before a request begin none, and yet the server no longer counts the connection as idle.
            self._wait()
        if self._head is not None and not self.transport.is_closing():
            # What came with the end of a message was mostly that message.
            self._head = 0 if self._ended else self._head + len(data)
            if self._head > HEAD_BYTES:
                self.transport.write(_TOO_LARGE)
                self.transport.close()
        if self._late is not None:
            self._late += len(data)
            if self._late > LATE_BYTES:
                self.transport.close()

    def on_message_begin(self) -> None:
        """Begin to count a head."""
        super().on_message_begin()
        self._head = 0
        if self._timer is None:
            self._wait()

    def on_headers_complete(self) -> None:
        """Count no more: what follows is a body."""
        self._head = None
        self._stop_waiting()
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        """What follows is the next head, if anything."""
        super().on_message_complete()
        self._head, self._ended = 0, True
        if self._late is not None:
            self._late = None
            self._stop_waiting()

    def on_response_complete(self) -> None:
        """Wait a little for the rest of a body that was answered before it had come."""
        super().on_response_complete()
        if self._head is None and self.cycle.response_complete and not self.transport.is_closing():
            self._late = 0
            self._wait(LATE_SECONDS)

    def _wait(self, seconds: float | None = None) -> None:
        self._timer = self.loop.call_later(HEAD_SECONDS if seconds is None else seconds, self._give_up)

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _give_up(self) -> None:
        self._timer = None
        if not self.transport.is_closing():
            self.transport.close()


SERVER: Final[dict[str, Any]] = {
    "http": BoundedProtocol,
    "access_log": False,
    "ws": "none",
    "server_header": False,
    "proxy_headers": False,
    "loop": "service.http.listening:Loop",
}
"""How every server of ours is set up, apart from what is set from outside."""


def server(settings: Settings) -> dict[str, Any]:
    """How a server with these settings is set up."""
    gate = Gate(
        most=settings.connections,
        most_of_address=settings.connections_of_address,
        new_per_second=settings.new_connections_of_address,
        proxies=Proxies(settings.trusted_proxies),
    )
    return SERVER | {"http": partial(BoundedProtocol, gate=gate)}
