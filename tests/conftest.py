"""One Postgres for all tests, a fresh database from a migrated template for each module, and the service served over real HTTP.

Time is reported by a clock that tests set, so that what is due is due because the test says so. `World` is what a test acts in: an
operator's key, and the means to register utilities with their people and things through the published calls alone.
"""

import asyncio
import datetime as dt
import logging
import socket
import tempfile
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import asyncpg
import httpx
import hypothesis
import pytest
import uvicorn
from msgspec.structs import replace

from service.app import create_app
from service.auth.access import RIGHTS_OF, mint
from service.clock import SystemClock
from service.db.embedded import SERVICE, EmbeddedPostgres
from service.db.migrate import migrate
from service.http import wire
from service.settings import Settings
from service.signing import new_key

TEMPLATE = "nonreturn_template"
NOON = dt.datetime(2026, 6, 1, 19, tzinfo=dt.UTC)
"""The moment at which every test world begins: noon on 1 June 2026 in Los Angeles."""

_names = count(1)
# How long one example takes says how busy the machine is, not whether it is right.
hypothesis.settings.register_profile("check", deadline=None)
hypothesis.settings.load_profile("check")
# A failing test shows what it asked by itself; a line a request would bury it.
logging.getLogger("httpx").setLevel(logging.WARNING)


LONGEST = (
    "tests/simulation/", "tests/service/openapi/test_conformance.py", "tests/oracles/test_criteria_http.py", "tests/service/record/standings/test_standing_histories.py",
    "tests/rules/standing/test_histories.py", "tests/rules/screening/test_rates.py", "tests/security/",
)  # fmt: skip
"""The modules that take longest: begun first, so that the processes that share the tests end at about the same time."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest modules first, and leave all else in order."""
    items.sort(key=lambda item: not item.nodeid.startswith(LONGEST))


def in_thread(work: Callable[[], Any]) -> Any:
    """What `work` returns, run in a thread of its own: it may start an event loop there, whoever runs one here."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(work).result()


def ask(dsn: str, act: Callable[[Any], Awaitable[Any]]) -> Any:
    """What `act` returns on a connection of its own to `dsn`."""

    async def asked() -> Any:
        connection = await asyncpg.connect(dsn)
        try:
            return await act(connection)
        finally:
            await connection.close()

    return in_thread(lambda: asyncio.run(asked()))


class Database:
    """A fresh migrated database: its addresses as its owner and as the service's role."""

    def __init__(self, postgres: EmbeddedPostgres, name: str) -> None:
        self.name = name
        self.owner_dsn = postgres.dsn(database=name)
        self.dsn = postgres.dsn(SERVICE, name)

    def owner(self, sql: str, *arguments: Any) -> list[Any]:
        """The rows of one statement, asked as the owner, who is a superuser and sees everything."""
        return list(ask(self.owner_dsn, lambda connection: connection.fetch(sql, *arguments)))

    def count(self, table: str) -> int:
        """How many rows a table of the schema `record` holds."""
        return int(self.owner(f"SELECT count(*) FROM record.{table}")[0][0])  # noqa: S608 - our own table names


@contextmanager
def data_folder() -> Iterator[Path]:
    """A folder for a Postgres's data.

    Not one of pytest's: each run of pytest closes the folder above them to other users, and as root Postgres works as one.
    """
    with tempfile.TemporaryDirectory(prefix="nonreturn-", ignore_cleanup_errors=True) as folder:
        yield Path(folder) / "postgres"


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


@contextmanager
def fresh_database(postgres: EmbeddedPostgres, template: str) -> Iterator[Database]:
    """A copy of the template for as long as it is needed."""
    name = f"test_{next(_names)}"
    ask(postgres.dsn(), lambda connection: connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}"))
    yield Database(postgres, name)
    ask(postgres.dsn(), lambda connection: connection.execute(f"DROP DATABASE {name} WITH (FORCE)"))


@pytest.fixture(scope="module")
def database(postgres: EmbeddedPostgres, template: str) -> Iterator[Database]:
    """A fresh database for this module."""
    with fresh_database(postgres, template) as fresh:
        yield fresh


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


def operator_key(database: Database, clock: SystemClock | None = None) -> str:
    """A key of a new operator, made as `nonreturn key` makes the first one."""
    clock = clock or SystemClock()
    organisation, key_id, now = clock.new_id(), clock.new_id(), NOON - dt.timedelta(days=1)
    key, secret_hash = mint(key_id)
    database.owner("INSERT INTO access.organisation VALUES ($1, 'operator', 'Operator', $2)", organisation, now)
    database.owner(
        "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, 'first', $3, $4, $5)",
        key_id, organisation, secret_hash, sorted(RIGHTS_OF["operator"]), now,
    )  # fmt: skip
    return key


class Place:
    """A utility with its people, keys and one thing of each kind; ids are strings, as HTTP states them."""

    def __init__(self, world: "World", code: str, rulebook: str) -> None:
        self.world = world
        self.code = code
        self.base = f"/v1/utilities/{code}"
        made = world.made("/v1/utilities", code=code, name=f"{code} water", rulebook=rulebook, time_zone="America/Los_Angeles")
        self.utility = made
        self.organisations: dict[str, str] = {}
        self.keys: dict[str, str] = {}
        for kind in ("utility", "testing_company", "regulator"):
            organisation = world.made("/v1/organisations", kind=kind, name=f"{kind} of {code}")["id"]
            self.organisations[kind] = organisation
            world.operator.put(f"{self.base}/grants/{organisation}").raise_for_status()
            self.keys[kind] = world.made(f"/v1/organisations/{organisation}/keys", label="for tests")["key"]
        self.tester = self.made("testers", name="Tester A", certificates=[certificate()])["id"]
        self.gauge = self.made(
            "gauges", serial_number="G-1", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1,
            calibrations=[{"calibrated_on": "2025-01-15"}, {"calibrated_on": "2026-01-12"}],
        )["id"]  # fmt: skip
        self.premises = self.made("premises", name="Plot 1", address="1 Sluice Lane", connection="irrigation")["id"]
        self.assembly = self.new_assembly("pvb")

    def made(self, plural: str, **document: Any) -> dict[str, Any]:
        """A new thing under this utility."""
        return self.world.made(f"{self.base}/{plural}", **document)

    def new_assembly(self, kind: str, hazard: str = "health", **more: Any) -> str:
        """The id of a new assembly at the utility's premises."""
        return str(
            self.made("assemblies", premises_id=self.premises, kind=kind, hazard=hazard, purpose="point_of_use", **more)["id"]
        )

    def report(self, **changes: Any) -> dict[str, Any]:
        """A report of a passing test of the PVB an hour ago; `check` sets what its check held."""
        held_at = changes.pop("check", 1.8)
        performed_at = self.world.clock.now() - dt.timedelta(hours=1)
        return {
            "assembly_id": self.assembly, "tester_id": self.tester, "gauge_id": self.gauge,
            "performed_at": performed_at.isoformat(), "reason": "periodic", "units": {"pressure": "psi"}, "line_pressure": 62,
            "initial_test": phase(held_at),
        } | changes  # fmt: skip

    def put(self, report_id: str | UUID, document: dict[str, Any], key: str = "testing_company") -> httpx.Response:
        """The answer to PUT."""
        return self.world.client.put(f"{self.base}/reports/{report_id}", json=document, headers=bearer(self.keys[key]))

    def recorded(self, **changes: Any) -> dict[str, Any]:
        """The answer to a new report that is recorded."""
        answer = self.put(uuid4(), self.report(**changes))
        assert answer.status_code == 201, answer.text
        return dict(answer.json())

    def get(self, path: str, key: str = "utility", **parameters: Any) -> httpx.Response:
        """The answer to GET below this utility."""
        return self.world.client.get(f"{self.base}{path}", params=parameters, headers=bearer(self.keys[key]))

    def standing(self, assembly: str | None = None) -> dict[str, Any]:
        """An assembly's standing now."""
        answer = self.get(f"/assemblies/{assembly or self.assembly}/standing")
        assert answer.status_code == 200, answer.text
        return dict(answer.json())


class World:
    """The served application, its database, its clock, and an operator."""

    def __init__(self, url: str, database: Database, clock: SettableClock) -> None:
        self.url = url
        self.database = database
        self.clock = clock
        self.operator_key = operator_key(database, clock)
        self.client = httpx.Client(base_url=url, timeout=30, trust_env=False)
        self.operator = httpx.Client(base_url=url, timeout=30, headers=bearer(self.operator_key), trust_env=False)

    def made(self, path: str, **document: Any) -> dict[str, Any]:
        """What the operator makes with POST."""
        answer = self.operator.post(path, json=document)
        assert answer.status_code == 201, answer.text
        return dict(answer.json())

    def place(self, rulebook: str = "us-wa") -> Place:
        """A new utility with all its things."""
        return Place(self, f"place-{next(_names)}", rulebook)

    def close(self) -> None:
        """Close the clients."""
        self.client.close()
        self.operator.close()


def bearer(key: str) -> dict[str, str]:
    """The header that carries a key."""
    return {"Authorization": f"Bearer {key}"}


def certificate(**changes: Any) -> dict[str, Any]:
    """A certificate valid around the tests' day, for the vacuum breakers and more."""
    return {
        "certificate": "T-1", "kinds": ["rp", "dc", "pvb", "svb"], "valid_from": "2025-03-01", "valid_until": "2028-02-29",
    } | changes  # fmt: skip


def phase(check: float = 1.8, air_inlet: float = 1.4) -> dict[str, Any]:
    """One test of a PVB, in the unit of its report."""
    return {
        "shutoffs": {"inlet": "tight", "outlet": "tight"},
        "readings": [
            {"component": "air_inlet", "opened": True, "opened_at": air_inlet, "opened_fully": True},
            {"component": "check", "closed_tight": True, "held_at": check},
        ],
    }


@contextmanager
def world_in(database: Database, **settings: Any) -> Iterator[World]:
    """A world served from that database."""
    clock = SettableClock()
    with serving(database, clock, **settings) as url:
        made = World(url, database, clock)
        yield made
        made.close()


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


# RFC 8037, appendix A.1: a published private key, so that what is signed in a test can be signed again elsewhere.
SIGNING_KEYS = (
    '{"keys":[{"kty":"OKP","crv":"Ed25519","d":"nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",'
    '"x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}]}'
)


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
