"""What measurements stand on: a Postgres of their own, filled utilities, a key, and servers as processes of their own.

The data lie in a temporary folder, or in one that is named and kept, to be measured on again: utilities found there are not filled again. They
stay filled as of that day, so that more is overdue in them later.
"""

import asyncio
import datetime as dt
import os
import random
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import uuid4

import asyncpg
import msgspec
import psutil

from service.auth.access import RIGHTS_OF, mint
from service.clock import SystemClock
from service.db.embedded import SERVICE, EmbeddedPostgres
from service.db.migrate import migrate
from tests.support import documents
from tests.support.fill import fill
from tests.support.invented import GAUGE, PEOPLE, TESTER, assembly_id, id_of, kind_of

WORKERS = 2
REPOSITORY = Path(__file__).parents[2]


_GRANT = "INSERT INTO access.utility_grant (utility_id, organisation_id, granted_at) VALUES ($1, $2, now())"


class Stage:
    """A migrated database in a Postgres of its own, and a key that may report in every utility filled here."""

    def __init__(self, postgres: EmbeddedPostgres, database: str = "postgres") -> None:
        self.postgres = postgres
        asyncio.run(_made(postgres, database))
        self.owner_dsn = postgres.dsn(database=database)
        self.dsn = postgres.dsn(SERVICE, database)
        self.clock = SystemClock()
        self.codes: dict[str, int] = {}
        migrate(self.owner_dsn)
        self.key = asyncio.run(self._operator())

    async def _operator(self) -> str:
        organisation, key_id, now = self.clock.new_id(), self.clock.new_id(), self.clock.now()
        self.organisation = organisation
        key, secret_hash = mint(key_id)
        connection = await asyncpg.connect(self.owner_dsn)
        await connection.execute("INSERT INTO access.organisation VALUES ($1, 'utility', 'A utility', $2)", organisation, now)
        await connection.execute(
            "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, 'load', $3, $4, $5)",
            key_id,
            organisation,
            secret_hash,
            sorted(RIGHTS_OF["utility"]),
            now,
        )
        for code, assemblies in await connection.fetch(
            "SELECT utility_id, (SELECT count(*) FROM record.assembly a WHERE a.utility_id = u.utility_id) FROM record.utility u"
        ):
            await connection.execute(_GRANT, code, organisation)
            self.codes[code] = assemblies
        await connection.close()
        return key

    def fill(self, code: str, *, assemblies: int, years: int) -> None:
        """Add a utility, unless it is there, and grant it to the key."""
        if code in self.codes:
            return
        asyncio.run(fill(self.owner_dsn, code, assemblies=assemblies, years=years, now=self.clock.now()))
        asyncio.run(self.execute(_GRANT, code, self.organisation))
        self.codes[code] = assemblies

    async def execute(self, sql: str, *arguments: object) -> None:
        """Run a statement as the owner."""
        connection = await asyncpg.connect(self.owner_dsn)
        await connection.execute(sql, *arguments)
        await connection.close()

    def report(self, code: str, source: random.Random) -> dict[str, object]:
        """A new report on some assembly of that utility."""
        number = source.randrange(self.codes[code])
        return {
            **documents.test_of(kind_of(number), source),
            "assembly_id": str(assembly_id(number)),
            "tester_id": str(id_of(TESTER, source.randrange(PEOPLE))),
            "gauge_id": str(id_of(GAUGE, source.randrange(PEOPLE))),
            "performed_at": (self.clock.now() - dt.timedelta(seconds=source.randrange(1, 100_000))).isoformat(),
        }

    def puts(self, count: int, seed: int) -> Iterator[bytes]:
        """Requests without end: `count` reports on all utilities in turn, each time under a new id."""
        source = random.Random(seed)  # noqa: S311 - reproducible on purpose
        codes = sorted(self.codes)
        tails: list[tuple[bytes, bytes]] = []
        for n in range(count):
            code = codes[n % len(codes)]
            body = msgspec.json.encode(self.report(code, source))
            head = f"PUT /v1/utilities/{code}/reports/".encode()
            rest = (
                f" HTTP/1.1\r\nHost: load\r\nAuthorization: Bearer {self.key}\r\n"
                f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
            )
            tails.append((head, rest.encode() + body))
        while True:
            for begun, ended in tails:
                yield begun + str(uuid4()).encode() + ended


async def _set(dsn: str, sql: str) -> None:
    connection = await asyncpg.connect(dsn)
    await connection.execute(sql)
    await connection.close()


async def _made(postgres: EmbeddedPostgres, database: str) -> None:
    connection = await asyncpg.connect(postgres.dsn())
    if not await connection.fetchval("SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", database):
        # A name of ours; a statement that makes a database takes no parameters.
        await connection.execute(f"CREATE DATABASE {database}")
    await connection.close()


@contextmanager
def hosted(keep: Path | None = None) -> Iterator[EmbeddedPostgres]:
    """A Postgres for as long as it is needed; its data in that folder, to be kept, or in a temporary one."""
    with TemporaryDirectory(prefix="nonreturn-load-", ignore_cleanup_errors=True) as folder:
        data = (Path(folder) if keep is None else keep) / "postgres"
        postgres = EmbeddedPostgres(data)
        # All servers hold their connections while each is loaded in turn.
        asyncio.run(_set(postgres.dsn(), "ALTER SYSTEM SET max_connections = 300"))
        postgres.stop()
        postgres = EmbeddedPostgres(data)
        try:
            yield postgres
        finally:
            postgres.stop()


@contextmanager
def staged(keep: Path | None = None) -> Iterator[Stage]:
    """A stage with a Postgres of its own."""
    with hosted(keep) as postgres:
        yield Stage(postgres)


class Server:
    """A server that runs; `memory` is the largest of its processes."""

    def __init__(self, process: subprocess.Popen[bytes], port: int) -> None:
        self.process = process
        self.port = port

    def memory(self) -> float:
        """The resident memory of its largest process, MB."""
        root = psutil.Process(self.process.pid)
        return max(float(one.memory_info().rss) for one in (root, *root.children(recursive=True))) / 1e6


@contextmanager
def serving(arguments: list[str], environment: dict[str, str], *, ready: str = "/readyz") -> Iterator[Server]:
    """A server of several processes, started as `python -m <arguments> --port <free port>`."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = int(found.getsockname()[1])
    process = subprocess.Popen(
        [sys.executable, "-m", *arguments, "--port", str(port)],
        env=os.environ | {"NONRETURN_RATE": "0", "NONRETURN_OPEN_RATE": "0"} | environment,
        cwd=REPOSITORY,
        stdout=subprocess.DEVNULL,
        stderr=sys.stderr.fileno() if "NONRETURN_LOUD" in os.environ else subprocess.DEVNULL,
    )
    try:
        deadline = time.monotonic() + 60
        while not answers(f"http://127.0.0.1:{port}{ready}"):
            if process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(f"{' '.join(arguments)} did not start.")
            time.sleep(0.02)
        yield Server(process, port)
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()


def answers(url: str) -> bool:
    """Whether there is an answer of any status at that address."""
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(url, timeout=2):
            return True
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False
