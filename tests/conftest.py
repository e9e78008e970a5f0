"""The fixtures: one Postgres for all tests, a fresh database from a migrated template for each module, and the service served over HTTP.

What they are made of is in `support/`: `databases.py`, `serving.py`, `world.py`.
"""

import logging
import signal
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

from service.db.embedded import EmbeddedPostgres
from service.db.migrate import migrate
from service.signing import new_key
from tests.support.databases import TEMPLATE, Database, ask, data_folder, fresh_database, in_thread
from tests.support.serving import NOON
from tests.support.world import SIGNING_KEYS, Place, World, world_in

# A run that a shell started in the background ignores Ctrl-C, and so would all that the tests start and interrupt.
signal.signal(signal.SIGINT, signal.default_int_handler)
# How long one example takes says how busy the machine is, not whether it is right.
hypothesis.settings.register_profile("check", deadline=None)
hypothesis.settings.load_profile("check")
# A failing test shows what it asked by itself; a line a request would bury it.
logging.getLogger("httpx").setLevel(logging.WARNING)


LONGEST = (
    "tests/simulation/",
    "tests/service/openapi/test_conformance.py",
    "tests/oracles/test_criteria_http.py",
    "tests/service/record/standings/test_standing_histories.py",
    "tests/rules/standing/test_histories.py",
    "tests/rules/screening/test_rates.py",
    "tests/security/",
)
"""The modules that take longest: begun first, so that the processes that share the tests end at about the same time."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest modules first, and leave all else in order."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))


@pytest.fixture(scope="session")
def postgres() -> Iterator[EmbeddedPostgres]:
    """The one Postgres of this run."""
    with data_folder() as data:
        server = EmbeddedPostgres(data)
        yield server
        server.stop()


@pytest.fixture
def data() -> Iterator[Path]:
    """A folder for a Postgres of this test's own."""
    with data_folder() as folder:
        yield folder


@pytest.fixture(scope="session")
def template(postgres: EmbeddedPostgres) -> str:
    """The name of a migrated database to copy."""
    ask(postgres.dsn(), lambda connection: connection.execute(f"CREATE DATABASE {TEMPLATE}"))
    in_thread(lambda: migrate(postgres.dsn(database=TEMPLATE)))
    return TEMPLATE


@pytest.fixture(scope="module")
def database(postgres: EmbeddedPostgres, template: str) -> Iterator[Database]:
    """A fresh database for this module."""
    with fresh_database(postgres, template) as fresh:
        yield fresh


@pytest.fixture(scope="module")
def world(database: Database) -> Iterator[World]:
    """The world of this module."""
    with world_in(database) as made:
        yield made


@pytest.fixture
def place(world: World) -> Iterator[Place]:
    """A utility of this test's own; the clock is set back afterwards."""
    yield world.place()
    world.clock.moment = NOON


@pytest.fixture(scope="module")
def signed_world(database: Database) -> Iterator[World]:
    """A world in this module's database that signs."""
    with world_in(database, signing_keys=SIGNING_KEYS) as made:
        yield made


@pytest.fixture
def signed_place(signed_world: World) -> Iterator[Place]:
    """A utility of this test's own, whose reports have receipts."""
    yield signed_world.place()
    signed_world.clock.moment = NOON


@pytest.fixture
def keys_place(database: Database, tmp_path: Path) -> Iterator[tuple[Place, Path]]:
    """A utility of this test's own, and the file that its service's keys are in."""
    file = tmp_path / "keys.json"
    new_key(file)
    with world_in(database, signing_keys=str(file)) as made:
        yield made.place(), file


@pytest.fixture(scope="session")
def repository() -> Path:
    """The repository's root."""
    return Path(__file__).parent.parent
