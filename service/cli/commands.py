"""What the command does besides the demo: serve, migrate, make keys, prepare notices, work out standings."""

import asyncio
import datetime as dt
import gc
import os
import signal
import socket
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress

import asyncpg
import uvicorn
from litestar.types import ASGIApp
from uvicorn.supervisors import Multiprocess

from service import trouble
from service.app import create_app, delivering
from service.auth.access import RIGHTS_OF, mint
from service.cli.starting import listener
from service.clock import SystemClock
from service.db.embedded import SERVICE, EmbeddedPostgres
from service.db.migrate import migrate as run_migrations
from service.db.migrate import try_database
from service.db.pool import Pool
from service.db.statements import statements
from service.http import wire
from service.http.edge import write_logs
from service.metrics import Metrics
from service.notices.runs import NoticeRuns
from service.notices.store import NoticeStore
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from service.screenings.screen import run_screens
from service.screenings.store import ScreeningStore
from service.settings import Settings
from service.trouble import TroubleError

_SQL = statements(__name__)


class Database:
    """Where the service works, and where its owner does; `stop` ends a Postgres of our own (`starting` already, it may be)."""

    def __init__(self, settings: Settings, starting: Future[EmbeddedPostgres] | None = None) -> None:
        own = None if settings.dsn else EmbeddedPostgres(settings.data) if starting is None else starting.result()
        self.embedded = own
        self.dsn = settings.dsn or self._own().dsn(SERVICE)
        self.owner_dsn = settings.admin_dsn or settings.dsn or self._own().dsn()

    def _own(self) -> EmbeddedPostgres:
        if self.embedded is None:
            raise RuntimeError("A database was given, so there is none of our own.")
        return self.embedded

    def stop(self) -> None:
        """End what was started here."""
        if self.embedded is not None:
            self.embedded.stop()


@contextmanager
def database(
    settings: Settings, starting: Future[EmbeddedPostgres] | None = None, *, as_owner: bool = False
) -> Iterator[Database]:
    """The database for as long as it is needed; SIGTERM ends it as Ctrl-C does, so that nothing keeps running.

    TroubleError where it cannot be reached or, unless it is for its owner (who may be about to migrate it), is not migrated.
    """
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    check_given(settings, as_owner=as_owner)
    found = Database(settings, starting)
    try:
        yield found
    finally:
        found.stop()


def check_given(settings: Settings, *, as_owner: bool) -> None:
    """Try the database that the settings give, if they give one; TroubleError as above."""
    dsn = (settings.admin_dsn if as_owner else None) or settings.dsn
    if dsn is None:
        return
    setting = "NONRETURN_ADMIN_DSN" if as_owner and settings.admin_dsn else "NONRETURN_DSN"
    # Some commands run an event loop already.
    with ThreadPoolExecutor(1) as aside:
        is_migrated = aside.submit(lambda: asyncio.run(try_database(dsn, setting, as_owner=as_owner))).result()
    if not is_migrated and not as_owner:
        raise TroubleError(trouble.NOT_MIGRATED)


def from_environment() -> ASGIApp:
    """The application as each of several server processes makes it."""
    settings = Settings.from_environment(os.environ)
    if settings.dsn is None:
        raise RuntimeError("Several processes need a database of their own: set NONRETURN_DSN.")
    write_logs(settings.log)
    tune_interpreter()
    return create_app(settings, settings.dsn)


def tune_interpreter() -> None:
    """Collect garbage seldom, and let what is computed beside the loop go on for half a millisecond at a time instead of five.

    A report makes hundreds of objects and hardly a cycle, and looking for cycles costs a tenth of its time.
    """
    sys.setswitchinterval(0.0005)
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def serve(settings: Settings, *, workers: int) -> None:
    """Serve until a signal to stop; SIGTERM finishes the requests under way."""
    common = {
        "host": settings.host,
        "port": settings.port,
        **wire.server(settings),
        "log_config": None,
        "timeout_graceful_shutdown": 20,
    }
    write_logs(settings.log)
    taken = listener(settings.host, settings.port)
    if workers > 1:
        if settings.dsn is None:
            raise TroubleError(
                "Several processes need a database that is not their own: set NONRETURN_DSN, or leave out --workers."
            )
        check_given(settings, as_owner=False)
        _report_address(settings, taken.getsockname()[1])
        config = uvicorn.Config("service.cli.commands:from_environment", factory=True, workers=workers, **common)
        Multiprocess(config, sockets=[taken]).run()
        return
    tune_interpreter()
    with database(settings) as found:
        if found.embedded is not None:
            run_migrations(found.owner_dsn)
        with suppress(KeyboardInterrupt):
            server = _Server(uvicorn.Config(create_app(settings, found.dsn), **common), settings)
            server.run(sockets=[taken])
            if not server.started:
                sys.exit(3)  # As uvicorn itself ends then.


class _Server(uvicorn.Server):
    """A server that says where it serves once it does."""

    def __init__(self, config: uvicorn.Config, settings: Settings) -> None:
        super().__init__(config)
        self._settings = settings

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, and report the address."""
        await super().startup(sockets)
        if self.started:
            _report_address(self._settings, self.servers[0].sockets[0].getsockname()[1])


def _report_address(settings: Settings, port: int) -> None:
    """Say in a line on standard output where it serves; the log is on standard error."""
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    print(f"Nonreturn serves http://{host}:{port}  (calls: http://{host}:{port}/docs)", flush=True)  # noqa: T201


def deliver(settings: Settings) -> int:
    """Send webhooks until a signal to stop; the exit status."""
    if settings.webhook_key is None:
        print("nonreturn: set NONRETURN_WEBHOOK_KEY_FILE, the key from which webhooks' secrets are derived.", file=sys.stderr)  # noqa: T201
        return 2

    async def until_stopped(dsn: str) -> None:
        stop = asyncio.Event()
        for item in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(item, stop.set)
        async with delivering(settings, dsn, SystemClock(), Metrics()):
            await stop.wait()

    with database(settings) as found, suppress(KeyboardInterrupt):
        asyncio.run(until_stopped(found.dsn))
    return 0


def migrate(settings: Settings) -> None:
    """Bring the database to the newest schema."""
    with database(settings, as_owner=True) as found:
        run_migrations(found.owner_dsn)


async def make_key(settings: Settings, kind: str, name: str, utilities: list[str]) -> str:
    """Make an organisation with a key and grants, as the database's owner: the way to the first operator."""
    clock = SystemClock()
    with database(settings, as_owner=True) as found:
        connection = await asyncpg.connect(found.owner_dsn)
        try:
            async with connection.transaction():
                organisation_id, key_id, now = clock.new_id(), clock.new_id(), clock.now()
                key, secret_hash = mint(key_id)
                await connection.execute(_SQL["add_organisation"], organisation_id, kind, name, now)
                await connection.execute(
                    _SQL["add_key"],
                    key_id,
                    organisation_id,
                    "made by the command",
                    secret_hash,
                    sorted(RIGHTS_OF[kind]),
                    now,
                )
                for utility in utilities:
                    await connection.execute(_SQL["grant_utility"], utility, organisation_id, now)
        finally:
            await connection.close()
    return key


async def rebuild(settings: Settings, utility: str) -> int:
    """Work out every standing of a utility again; the number that differed is the exit status, 100 at most."""
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            differing = await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(utility))
        finally:
            await pool.close()
    print(f"{utility}: {len(differing)} standings differed and were corrected.", *differing, sep="\n")  # noqa: T201
    return min(len(differing), 100)


async def screen(settings: Settings, utility: str, since: dt.date | None) -> None:
    """Look for records that deserve a second look, and say how many there are."""
    clock = SystemClock()
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            known = await RegistryStore(pool).utility(utility)
            run = await run_screens(ScreeningStore(pool), known, since=since, now=clock.now(), new_id=clock.new_id)
        finally:
            await pool.close()
    print(f"{utility}: {run.tests} tests since {run.since} looked at, {run.found} deserve a second look, {run.new} of them new.")  # noqa: T201


async def notices(settings: Settings, utilities: list[str]) -> None:
    """Prepare the notices of today, utility by utility; progress is written to standard error."""
    with database(settings) as found:
        pool = await Pool.open(found.dsn, size=2)
        try:
            runs = NoticeRuns(NoticeStore(pool), RegistryStore(pool), SystemClock())
            for utility in utilities:
                async for run in runs.follow(utility):
                    done = f"{run.done} of {'?' if run.total is None else run.total}"
                    print(f"{utility}, {run.on}: {run.state}, {done}; prepared {_counted(run.by_step)}", file=sys.stderr)  # noqa: T201
        finally:
            await pool.close()


def _counted(by_step: dict[str, int]) -> str:
    return ", ".join(f"{step} {count}" for step, count in by_step.items()) or "none"
