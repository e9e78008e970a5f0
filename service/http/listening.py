"""How new connections are taken: many at a time, and those that are not let in ended before anything is made for them.

The loop below takes one connection in each of its turns. Where connections come by the thousand, and a turn takes a while because something
is computed beside it, those who wait in the queue behind them would wait for seconds.
"""

import asyncio
import os
import socket
import struct
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Final

import uvloop

_AT_ONCE: Final = 200
"""So many connections are taken in one turn of the loop; then others have theirs."""
_NO_ROOM_SECONDS: Final = 0.5
"""Where the process can open no more files, so long no connection is taken."""
_RESET: Final = struct.pack("ii", 1, 0)
"""SO_LINGER with no time: a connection that is closed leaves nothing behind in the kernel."""


class Listener:
    """Takes connections from listening sockets, as much of `asyncio.Server` as the server uses."""

    def __init__(self, loop: asyncio.AbstractEventLoop, factory: Callable[[], Any], sockets: Sequence[socket.socket]) -> None:
        self._loop = loop
        self._factory = factory
        self.sockets = tuple(sockets)
        # What is let in is the protocol's to know: it counts its connections also where another loop takes them.
        gate = getattr(factory(), "gate", None)
        self._admits: Callable[[str], bool] = (lambda _: True) if gate is None else gate.admits
        self._opening: set[asyncio.Task[Any]] = set()
        for listening in self.sockets:
            self._listen(listening)

    def _listen(self, listening: socket.socket) -> None:
        if listening.fileno() >= 0:
            self._loop.add_reader(listening, self._take, listening)

    def _take(self, listening: socket.socket) -> None:
        for _ in range(_AT_ONCE):
            try:
                connection, peer = listening.accept()
            except (BlockingIOError, InterruptedError, ConnectionAbortedError):
                return
            except OSError:
                self._loop.remove_reader(listening)
                self._loop.call_later(_NO_ROOM_SECONDS, self._listen, listening)
                return
            if not self._admits(str(peer[0])):
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                connection.close()
                continue
            connection.settimeout(0)
            task = self._loop.create_task(self._open(connection))
            self._opening.add(task)
            task.add_done_callback(self._opening.discard)

    async def _open(self, connection: socket.socket) -> None:
        with suppress(OSError):
            await self._loop.connect_accepted_socket(self._factory, connection)

    def close(self) -> None:
        """Take no more."""
        for listening in self.sockets:
            if listening.fileno() >= 0:
                self._loop.remove_reader(listening)
                listening.close()

    async def wait_closed(self) -> None:
        """Connections that were taken are the server's to wait for."""


class Loop(uvloop.Loop):
    """The loop of a server of ours."""

    async def create_server(self, protocol_factory: Any, host: Any = None, port: Any = None, **options: Any) -> Any:
        """Listen, by a `Listener`."""
        made: Any = await super().create_server(protocol_factory, host, port, start_serving=False, **options)
        # Bound by the loop, which knows of families and names; listened on by us.
        sockets = [socket.socket(fileno=os.dup(listening.fileno())) for listening in made.sockets]
        made.close()
        for listening in sockets:
            listening.settimeout(0)
            listening.listen(options.get("backlog", 100))
        return Listener(self, protocol_factory, sockets)
