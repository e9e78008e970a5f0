"""A network between two programs that can be slow, stand still, lose what is under way, and end connections in the midst of a message.

A small proxy (TCP in; TCP or a local socket out) in a thread with a loop of its own. What is reported to one of its two sides is read whole
before it is passed on, so a message can be cut in the middle of what came at once.
"""

import asyncio
import contextlib
import random
import socket
import struct
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal, Self
from urllib.parse import urlsplit

import pytest

Side = Literal["caller", "answerer"]


class Network:
    """Passes on what comes at `port`, to and from a server; what it does to it can be changed at any time."""

    def __init__(self, target: Path | tuple[str, int]) -> None:
        self._target = target
        self.delay = 0.0
        """Seconds that each piece takes, each way."""
        self.cut_at: dict[Side, float] = {}
        """How likely a piece towards that side ends its connection, half of it passed on."""
        self.cuts = 0
        self.connections = 0
        self.passed = 0
        self._chance = random.Random(20261125)  # noqa: S311 - the same every time
        self._links: set[_Link] = set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._loop = asyncio.new_event_loop()
        self._flows = asyncio.Event()
        self._flows.set()
        self._thread = threading.Thread(target=self._run)

    @classmethod
    def before_postgres(cls, socket_directory: str) -> "Network":
        """A network before a Postgres that listens on a local socket."""
        return cls(Path(socket_directory) / ".s.PGSQL.5432")

    @classmethod
    def before_service(cls, url: str) -> "Network":
        """A network before a service."""
        address = urlsplit(url)
        return cls((str(address.hostname), int(address.port or 80)))

    def dsn(self, user: str, database: str = "postgres") -> str:
        """The address of a database beyond it."""
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}?sslmode=disable"

    @property
    def url(self) -> str:
        """The address of a service beyond it."""
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._do(self._end_all)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._listener.close()

    def hold(self) -> None:
        """Stand still from now on: connections are taken, what is sent is taken, and nothing comes."""
        self._do(self._flows.clear)

    def go_on(self) -> None:
        """Pass on again, also what was held."""
        self._do(self._flows.set)

    def reset(self) -> None:
        """End every connection at once, towards both sides, without a word (RST)."""
        self._do(self._end_all)

    def lose(self) -> None:
        """Stand still, and forget for ever what is under way: for connections that there are, nobody is at the other end any more."""

        def lost() -> None:
            for link in self._links:
                link.dead = True

        self._do(lost)

    @contextlib.contextmanager
    def dropping(self) -> Iterator[None]:
        """The kernel drops every packet to and from this port, so that nobody even says it was received; skipped where it may not."""
        rules = [
            [chain, "-i" if chain == "INPUT" else "-o", "lo", "-p", "tcp", way, str(self.port), "-j", "DROP"]
            for chain, way in (("INPUT", "--dport"), ("INPUT", "--sport"))
        ]
        with contextlib.ExitStack() as stack:
            for rule in rules:
                try:
                    done = subprocess.run(["iptables", "-I", *rule], capture_output=True, check=False)
                except FileNotFoundError:
                    pytest.skip("There is no packet filter here.")
                if done.returncode != 0:
                    pytest.skip("Packets may not be dropped here.")
                stack.callback(subprocess.run, ["iptables", "-D", *rule], check=True, capture_output=True)
            yield

    def _do(self, act: Callable[[], object]) -> None:
        done = threading.Event()

        def acted() -> None:
            act()
            done.set()

        self._loop.call_soon_threadsafe(acted)
        assert done.wait(10)

    def _end_all(self) -> None:
        for link in list(self._links):
            link.end()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        tasks = {self._loop.create_task(self._accept())}
        self._loop.run_forever()
        tasks |= asyncio.all_tasks(self._loop)
        for one in tasks:
            one.cancel()
        self._loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
        self._loop.close()

    async def _accept(self) -> None:
        self._listener.settimeout(0)
        carried: set[asyncio.Task[None]] = set()
        while True:
            raw, _ = await self._loop.sock_accept(self._listener)
            self.connections += 1
            task = asyncio.create_task(self._carry(*await asyncio.open_connection(sock=raw)))
            carried.add(task)
            task.add_done_callback(carried.discard)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        link = _Link(self, reader, writer)
        self._links.add(link)
        try:
            await link.carry()
        finally:
            self._links.discard(link)

    async def beyond(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """A connection to the server."""
        if isinstance(self._target, Path):
            return await asyncio.open_unix_connection(str(self._target))
        return await asyncio.open_connection(*self._target)

    async def on_the_way(self, side: Side) -> bool:
        """Wait as long as a piece takes now; whether it is then cut."""
        await asyncio.sleep(self.delay)
        await self._flows.wait()
        return self._chance.random() < self.cut_at.get(side, 0)


class _Link:
    """One connection and the one beyond."""

    def __init__(self, network: Network, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._network = network
        self._reader = reader
        self._writers = [writer]
        self.dead = False

    async def carry(self) -> None:
        """Pass on both ways until one of the two ends."""
        await self._network.on_the_way("answerer")
        try:
            reader, writer = await self._network.beyond()
        except OSError:
            self.end()
            return
        self._writers.append(writer)
        ways = [
            asyncio.create_task(self._pass(self._reader, writer, "answerer")),
            asyncio.create_task(self._pass(reader, self._writers[0], "caller")),
        ]
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        for one in ways:
            one.cancel()
        self._close()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, side: Side) -> None:
        with contextlib.suppress(OSError):
            while piece := await reader.read(1 << 16):
                cut = await self._network.on_the_way(side)
                if self.dead:
                    continue
                self._network.passed += len(piece)
                writer.write(piece[: len(piece) // 2] if cut else piece)
                await writer.drain()
                if cut:
                    self._network.cuts += 1
                    # What was passed on shall arrive: a reset may overtake it.
                    await asyncio.sleep(0.01)
                    self.end()
                    return
            if self.dead:
                await asyncio.Event().wait()

    def _close(self) -> None:
        for writer in self._writers:
            writer.close()

    def end(self) -> None:
        """End both connections with a reset."""
        for writer in self._writers:
            raw: Any = writer.get_extra_info("socket")
            with contextlib.suppress(OSError):
                raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()
