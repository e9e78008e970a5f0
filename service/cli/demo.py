"""`nonreturn demo`: the main job on this machine, in one command.

Starts a Postgres of its own (or works in the one given), migrates it, fills it with the scenario once, makes fresh keys, serves, and
says what to try. Whatever it started, it stops.
"""

import asyncio
import json
import socket
from collections.abc import AsyncIterator
from concurrent.futures import Future
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TextIO
from uuid import UUID

import asyncpg
import msgspec
import uvicorn
from msgspec.structs import replace

from service import secrets
from service.app import create_app
from service.auth.access import RIGHTS_OF, Principal, mint
from service.cli.commands import Database, database
from service.cli.scenario import RULEBOOK, TIME_ZONE, UTILITY, Scenario
from service.clock import SystemClock
from service.db.embedded import EmbeddedPostgres
from service.db.migrate import migrate, migrated, prepare_to_migrate
from service.db.pool import Pool
from service.db.statements import statements
from service.http import wire
from service.http.listening import Loop
from service.private_files import replacing
from service.problems import ProblemError
from service.receipts.open_report import mark_of
from service.record.reports.schemas import ReportFacts, Submission
from service.record.reports.store import ReportStore
from service.record.reports.submit import Submissions
from service.record.standings.follow import StandingsFollow
from service.registry.register import create_thing
from service.registry.schemas import (
    Assembly,
    AssemblyFacts,
    Gauge,
    GaugeFacts,
    NewUtility,
    Premises,
    PremisesFacts,
    Tester,
    TesterFacts,
)
from service.registry.store import RegistryStore
from service.settings import Settings
from service.signing import new_key
from service.trouble import TroubleError

_SQL = statements(__name__)

_ORGANISATIONS = {"utility": "Harrow Fen Water", "testing_company": "Fenland Testing", "regulator": "State drinking water office"}
_STARTING = "A demo that is only just starting runs"
_CLAIM = int.from_bytes(b"nr demo", "big")
"""The number of the advisory lock by which a demo claims its database."""
_KEYS = {"utility": "utility", "tester": "testing_company", "regulator": "regulator"}


def run(
    settings: Settings, starting: Future[EmbeddedPostgres] | None, taken: socket.socket, *, serving: TextIO, ready: Path | None
) -> int:
    """Run the demo until a signal to stop; the exit status.

    It works on its Postgres that is starting or on the one that the settings name, serves at the address that was `taken`, and writes
    where that is to `serving` and `ready`.
    """
    # Beside the folder that Postgres keeps for itself, so that receipts and webhooks of an earlier start still hold.
    keys = settings.data.with_name(settings.data.name + "-signing-keys.json")
    if settings.signing_keys is None:
        if not keys.exists():
            new_key(keys)
        settings = replace(settings, signing_keys=str(keys))
    if settings.webhook_key is None:
        settings = replace(settings, webhook_key=secrets.kept_in(settings.data.with_name(settings.data.name + "-webhook.key")))
    if starting is not None and not starting.done():
        prepare_to_migrate()
    with database(settings, starting, as_owner=True) as found:
        if not asyncio.run(migrated(found.owner_dsn)):
            migrate(found.owner_dsn)
        try:
            with asyncio.Runner(loop_factory=Loop) as runner:
                return runner.run(_serve(settings, found, taken, serving, ready))
        except KeyboardInterrupt:
            return 0


async def _serve(settings: Settings, found: Database, taken: socket.socket, serving: TextIO, ready: Path | None) -> int:
    async with only_one_in(found.owner_dsn) as claim:
        # Filling waits for Postgres most of its time, in which the application is put together.
        app, (facts, page) = await asyncio.gather(asyncio.to_thread(create_app, settings, found.dsn), prepare(found))
        config = uvicorn.Config(
            app,
            host=settings.host,
            port=settings.port,
            **wire.server(settings),
            log_level="warning",
            timeout_graceful_shutdown=10,
        )
        server = uvicorn.Server(config)
        task = asyncio.create_task(server.serve(sockets=[taken]))
        while not server.started and not task.done():  # noqa: ASYNC110 - uvicorn sets a flag, not an event
            await asyncio.sleep(0.01)
        if server.started:
            port = server.servers[0].sockets[0].getsockname()[1]
            host = f"[{settings.host}]" if ":" in settings.host else settings.host
            facts = {"url": f"http://{host}:{port}", **facts}
            serving.write(f"at {facts['url']}")
            serving.flush()
            await claim.execute(_SQL["say_where"], f"A demo at {facts['url']} runs")
            if ready is not None:
                _write(ready, facts)
            print(what_to_try(facts, page), flush=True)  # noqa: T201
        await task
        return 0 if server.started else 1


@asynccontextmanager
async def only_one_in(dsn: str) -> AsyncIterator[Any]:
    """The one demo of that database, as long as it runs: the connection that claims it. TroubleError where another has claimed it."""
    claim = await asyncpg.connect(dsn, server_settings={"application_name": _STARTING})
    try:
        # Postgres ends the claim with its connection, however that ends.
        if not await claim.fetchval(_SQL["claim"], _CLAIM):
            other = await claim.fetchval(
                _SQL["claimed_by"],
                _CLAIM,
            )
            raise TroubleError(
                f"{other or _STARTING} from this database already: use that one, stop it, or name another database in NONRETURN_DSN."
            )
        yield claim
    finally:
        await claim.close()


def _write(ready: Path, facts: dict[str, Any]) -> None:
    """Write the file, which holds keys, whole or not at all: a program may be waiting for it."""
    with replacing(ready) as file:
        file.write(json.dumps(facts, indent=1).encode())


async def prepare(found: Database) -> tuple[dict[str, Any], str]:
    """Fill the scenario where it is not there yet, make fresh keys, and list what there is; and the path of a report's page."""
    owner = await asyncpg.connect(found.owner_dsn)
    # Nothing has been confirmed to anyone yet; the keys, made last, are flushed, and all before with them.
    pool = await Pool.open(found.dsn, size=2, flushed_later=True)
    try:
        organisations = await _organisations(owner)
        registry = RegistryStore(pool)
        # Before the scenario is filled in: its testers see what is granted to them, as any others do.
        await owner.executemany(
            _SQL["grant_utility"],
            [(UTILITY, organisation) for organisation in organisations.values()],
        )
        try:
            await registry.utility(UTILITY)
        except ProblemError:
            await fill(pool, registry, organisations)
        keys = {name: await _fresh_key(owner, organisations[kind], kind) for name, kind in _KEYS.items()}
        assemblies: dict[str, str] = {}
        for item in await registry.listed(Assembly, UTILITY, after=None, limit=500):
            assemblies.setdefault(item.kind, str(item.id))
        testers = [str(item.id) for item in await registry.listed(Tester, UTILITY, after=None, limit=500)]
        gauges = [str(item.id) for item in await registry.listed(Gauge, UTILITY, after=None, limit=500)]
        report = await owner.fetchrow(_SQL["failing_report"], UTILITY)
    finally:
        await pool.close()
        await owner.close()
    page = f"/receipts/{UTILITY}/{mark_of(report['id'], report['leaf_hash'])}"
    facts = {"utility": UTILITY, "keys": keys, "assemblies": assemblies, "testers": testers, "gauges": gauges}
    return facts, page


async def _organisations(owner: Any) -> dict[str, UUID]:
    """The demo's organisations, made where they are missing."""
    clock = SystemClock()
    found: dict[str, UUID] = {}
    for kind, name in _ORGANISATIONS.items():
        known = await owner.fetchval(_SQL["organisation"], kind, name)
        found[kind] = known or clock.new_id()
        if known is None:
            await owner.execute(_SQL["add_organisation"], found[kind], kind, name, clock.now())
    return found


async def _fresh_key(owner: Any, organisation: UUID, kind: str) -> str:
    """A new key in place of the last start's: keys are kept hashed, so an old one could not be shown again."""
    clock = SystemClock()
    key_id = clock.new_id()
    key, secret_hash = mint(key_id)
    await owner.execute(
        _SQL["revoke_keys"],
        organisation,
    )
    await owner.execute(
        _SQL["add_key"],
        key_id,
        organisation,
        secret_hash,
        sorted(RIGHTS_OF[kind]),
    )
    return key


class _ScenarioClock(SystemClock):
    """Time as the scenario sets it."""

    def __init__(self, scenario: Scenario) -> None:
        self.moment = scenario.founded
        self._ids = scenario.ids

    def now(self) -> Any:
        """The moment that the scenario is at."""
        return self.moment

    def new_id(self) -> UUID:
        """An id that follows from the scenario."""
        return self._ids.at(self.moment)


async def fill(pool: Pool, registry: RegistryStore, organisations: dict[str, UUID]) -> None:
    """Register and report the whole scenario, through the same code as any other."""
    scenario = Scenario(SystemClock().now().date())
    clock = _ScenarioClock(scenario)
    new = NewUtility(code=UTILITY, name=_ORGANISATIONS["utility"], rulebook=RULEBOOK, time_zone=TIME_ZONE)
    await registry.create_utility(new, organisations["utility"], now=clock.now())

    async def register(shape: Any, facts: Any, document: dict[str, Any]) -> UUID:
        facts = msgspec.convert(document, facts)
        thing = await create_thing(
            registry, StandingsFollow(ReportStore(pool)), shape, UTILITY, facts, new_id=clock.new_id(), now=clock.now()
        )
        return thing.id  # type: ignore[no-any-return]

    company = str(organisations["testing_company"])
    testers = [await register(Tester, TesterFacts, {**tester, "organisation_id": company}) for tester in scenario.testers]
    gauges = [await register(Gauge, GaugeFacts, {**gauge, "organisation_id": company}) for gauge in scenario.gauges]
    assemblies = []
    for place in scenario.places:
        latitude, longitude = place.location
        premises = await register(
            Premises,
            PremisesFacts,
            {
                "name": place.name,
                "address": place.address,
                "reference": place.reference,
                "connection": place.connection,
                "hazard": place.hazard,
                "location": {"latitude": latitude, "longitude": longitude},
                # An address of the domain that is set aside for examples (RFC 2606).
                "contact": {"name": f"Owner of {place.name}", "email": f"{place.reference.lower()}@example.org"},
            },
        )
        assemblies.append(
            await register(
                Assembly,
                AssemblyFacts,
                {
                    "premises_id": premises,
                    "kind": place.kind,
                    "hazard": place.hazard,
                    "serial_number": place.serial_number,
                    "nominal_size": {"size": place.size, "units": {"length": "in"}},
                    "installed_on": place.installed_on,
                    "purpose": "point_of_use" if place.kind in ("pvb", "svb") else "premises_isolation",
                },
            )
        )
    submissions = Submissions(ReportStore(pool), clock)
    principal = Principal(
        key_id=UUID(int=0),
        organisation_id=organisations["testing_company"],
        kind="testing_company",
        rights=frozenset({"report"}),
        utilities=frozenset({UTILITY}),
    )
    for visit in scenario.visits:
        clock.moment = visit.received_at
        ids = {"assembly_id": assemblies[visit.place], "tester_id": testers[visit.tester], "gauge_id": gauges[visit.gauge]}
        facts = msgspec.convert({**visit.document, **ids}, ReportFacts, strict=False)
        await submissions.submit(
            UTILITY, Submission(id=clock.new_id(), facts=facts, principal=principal, received_at=visit.received_at)
        )
    await submissions.close()


def what_to_try(facts: dict[str, Any], page: str) -> str:
    """A few lines to paste; `page` is the path of a report's page."""
    base = f"{facts['url']}/v1/utilities/{facts['utility']}"
    tester, utility = facts["keys"]["tester"], facts["keys"]["utility"]
    report = {
        "assembly_id": facts["assemblies"]["pvb"],
        "tester_id": facts["testers"][0],
        "gauge_id": facts["gauges"][0],
        "performed_at": SystemClock().now().replace(microsecond=0).isoformat(),
        "reason": "periodic",
        "units": {"pressure": "psi"},
        "line_pressure": 62,
        "initial_test": {
            "shutoffs": {"inlet": "tight", "outlet": "tight"},
            "readings": [
                {"component": "air_inlet", "opened": True, "opened_at": 1.4, "opened_fully": True},
                {"component": "check", "closed_tight": True, "held_at": 0.6},
            ],
        },
    }
    return f"""
Nonreturn serves {facts["url"]}  (calls: {facts["url"]}/docs, Ctrl-C stops everything)
Keys of this start:  tester {tester}
                    utility {utility}
                  regulator {facts["keys"]["regulator"]}

Report a failing vacuum-breaker test, and read which part failed, what protection is left and what to do:

curl -sS {base}/reports -H 'Authorization: Bearer {tester}' -H 'Content-Type: application/json' \\
  -d '{json.dumps(report)}'

The standing of that assembly now, and its reports:

curl -sS {base}/assemblies/{facts["assemblies"]["pvb"]}/standing -H 'Authorization: Bearer {utility}'
curl -sS {base}/assemblies/{facts["assemblies"]["pvb"]}/reports -H 'Authorization: Bearer {utility}'

A test report as people see it who hold it on paper, without a key (open it in a browser; /receipts checks a pasted receipt):

{facts["url"]}{page}

Local codes and a licensed tester decide; nothing here replaces them.
"""
