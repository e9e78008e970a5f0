"""What a test acts in: an operator's key, and the means to register utilities with their people and things through the published calls alone."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any
from uuid import UUID, uuid4

import httpx

from service.auth.access import RIGHTS_OF, mint
from service.clock import SystemClock
from tests.support.databases import Database
from tests.support.serving import NOON, SettableClock, serving

_names = count(1)
# RFC 8037, appendix A.1: a published private key, so that what is signed in a test can be signed again elsewhere.
SIGNING_KEYS = (
    '{"keys":[{"kty":"OKP","crv":"Ed25519","d":"nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",'
    '"x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}]}'
)


def operator_key(database: Database, clock: SystemClock | None = None) -> str:
    """A key of a new operator, made as `nonreturn key` makes the first one."""
    clock = clock or SystemClock()
    organisation, key_id, now = clock.new_id(), clock.new_id(), NOON - dt.timedelta(days=1)
    key, secret_hash = mint(key_id)
    database.owner("INSERT INTO access.organisation VALUES ($1, 'operator', 'Operator', $2)", organisation, now)
    database.owner(
        "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, 'first', $3, $4, $5)",
        key_id,
        organisation,
        secret_hash,
        sorted(RIGHTS_OF["operator"]),
        now,
    )
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
            "gauges",
            serial_number="G-1",
            units={"pressure": "psi"},
            accuracy=0.2,
            resolution=0.1,
            calibrations=[{"calibrated_on": "2025-01-15"}, {"calibrated_on": "2026-01-12"}],
        )["id"]
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
            "assembly_id": self.assembly,
            "tester_id": self.tester,
            "gauge_id": self.gauge,
            "performed_at": performed_at.isoformat(),
            "reason": "periodic",
            "units": {"pressure": "psi"},
            "line_pressure": 62,
            "initial_test": phase(held_at),
        } | changes

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
        "certificate": "T-1",
        "kinds": ["rp", "dc", "pvb", "svb"],
        "valid_from": "2025-03-01",
        "valid_until": "2028-02-29",
    } | changes


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
