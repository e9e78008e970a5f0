"""The service served over real HTTP, with a clock that tests set, so that what is due is due because the test says so."""

import asyncio
import datetime as dt
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn
from msgspec.structs import replace

from service.app import create_app
from service.clock import SystemClock
from service.http import wire
from service.settings import Settings
from tests.support.databases import Database

NOON = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
"""The moment at which every test world begins: noon on 1 June 2026 in Los Angeles."""


class SettableClock(SystemClock):
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.moment = NOON

    def now(self) -> dt.datetime:
        """The moment last set."""
        return self.moment

    def pass_by(self, **span: float) -> None:
        """Let that much time pass."""
        self.moment += dt.timedelta(**span)


class _Server(uvicorn.Server):
    """A server in a thread, where no signal arrives."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


@contextmanager
def serving(database: Database, clock: SettableClock, **settings: Any) -> Iterator[str]:
    """The service over HTTP on a free port of 127.0.0.1, in a thread with a loop of its own; its address."""
    # A test calls from one address as fast as it can; what an address may have is tried where it is the subject.
    chosen = replace(Settings(), **{"open_rate": 0.0, "new_connections_of_address": 0.0} | settings)
    app = create_app(chosen, database.dsn, clock)
    listener = socket.create_server(("127.0.0.1", 0))
    listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    server = _Server(uvicorn.Config(app, log_level="error", **wire.server(chosen), timeout_graceful_shutdown=5))
    thread = threading.Thread(target=lambda: asyncio.run(server.serve(sockets=[listener])))
    thread.start()
    deadline = time.monotonic() + 20
    while not server.started:
        if not thread.is_alive() or time.monotonic() > deadline:
            raise RuntimeError("The service did not start.")
        time.sleep(0.005)
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()
        listener.close()
