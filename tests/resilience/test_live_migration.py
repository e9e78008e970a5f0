"""The newest migration runs while the service of the commit before it takes reports; then the old service and the new work side by side.

The old service is the real one, out of the repository's history; where there is none to be had (a shallow clone, an archive) this is skipped.
"""

import subprocess
import sys
import tarfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from io import BytesIO
from pathlib import Path

import pytest

from service.db.embedded import SERVICE, EmbeddedPostgres
from service.db.migrate import newest
from tests.support.databases import Database, fresh_database
from tests.support.serving import SettableClock
from tests.support.testers import Load, command, free_ports, hold, is_ready, locked, until, working_in
from tests.support.world import World

pytestmark = pytest.mark.faults


@pytest.fixture(scope="module")
def before(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The repository as it was before the newest revision came."""

    def git(*arguments: str) -> bytes:
        done = subprocess.run(["git", "-C", str(repository), *arguments], capture_output=True, check=False)
        if done.returncode != 0 or not done.stdout:
            pytest.skip("There is no history of the newest revision here.")
        return done.stdout

    [revision] = (repository / "migrations" / "versions").glob(f"{newest()}_*.py")
    came = git("log", "--diff-filter=A", "--format=%H", "--", str(revision.relative_to(repository))).split()[-1].decode()
    folder = tmp_path_factory.mktemp("before")
    with tarfile.open(fileobj=BytesIO(git("archive", f"{came}^", "service", "rules", "migrations", "pyproject.toml"))) as archive:
        archive.extractall(folder, filter="data")
    return folder


class Old:
    """The service and the commands of then."""

    def __init__(self, folder: Path, database: Database) -> None:
        self.folder = folder
        self.environment = working_in(database.dsn) | {"NONRETURN_ADMIN_DSN": database.owner_dsn, "PYTHONPATH": str(folder)}

    def migrate(self) -> None:
        """The schema of then."""
        subprocess.run([sys.executable, "-m", "service", "migrate"], cwd=self.folder, env=self.environment, check=True)


@contextmanager
def served(folder: Path, environment: dict[str, str], port: int) -> Iterator[str]:
    """A service process of that folder's, once it is ready; its address."""
    arguments = [sys.executable, "-m", "service", "serve", "--port", str(port)]
    process = subprocess.Popen(arguments, cwd=folder, env=environment, stderr=subprocess.DEVNULL)
    try:
        until(lambda: is_ready(port))
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(40)


def revision(database: Database) -> str:
    return str(database.owner("SELECT max(version_num) FROM alembic_version")[0][0])


def test_the_newest_revision_comes_under_load_and_both_services_go_on(
    postgres: EmbeddedPostgres, before: Path, repository: Path
) -> None:
    with fresh_database(postgres, "template1") as database, ExitStack() as stack:
        old = Old(before, database)
        old.migrate()
        assert revision(database) < newest()
        new = working_in(database.dsn) | {"NONRETURN_ADMIN_DSN": database.owner_dsn, "PYTHONPATH": str(repository)}
        ports = free_ports(2)
        url = stack.enter_context(served(before, old.environment, ports[0]))
        world = World(url, database, SettableClock())
        stack.callback(world.close)
        place = world.place()
        load = Load(place, [url])
        with load:
            until(lambda: len(load.answered) > 20)
            # A migration gives way to what holds it up: it waits for a lock for five seconds, leaves nothing behind, and can be tried again.
            with locked(database, "LOCK TABLE alembic_version IN EXCLUSIVE MODE"):
                began = time.monotonic()
                assert command(new, "migrate").returncode != 0
                assert time.monotonic() - began < 25
            assert revision(database) < newest()
            answered = len(load.answered)
            done = command(new, "migrate")
            assert done.returncode == 0, done.stderr
            assert revision(database) == newest()
            migrated = len(load.answered)
            assert migrated >= answered
            # The old service goes on with the new schema, and the new one comes beside it.
            until(lambda: len(load.answered) > migrated + 20)
            load.urls.append(stack.enter_context(served(repository, new, ports[1])))
            both = len(load.answered)
            until(lambda: len(load.answered) > both + 40)
        hold(load, database, working_in(postgres.dsn(SERVICE, database.name)), more_than=both)
