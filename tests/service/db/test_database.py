"""The service and its database: utilities kept apart on shared connections, and trouble answered with 503, never as a failure."""

import asyncio
from typing import Any
from uuid import uuid4

import httpx
import pytest

from service.db.embedded import EmbeddedPostgres
from service.db.pool import Pool
from service.record.reports import submit as records
from service.record.reports.store import ReportStore
from service.record.standings.work_out import rebuild_standings
from service.registry.store import RegistryStore
from tests.support.databases import Database, ask, fresh_database
from tests.support.serving import SettableClock, serving
from tests.support.world import Place, World, bearer, world_in

END_THEM = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"


async def test_many_utilities_on_few_connections_each_see_their_own(place: Place, world: World) -> None:
    places = [place, world.place(), world.place()]
    own = [{one.premises, one.made("premises", name="P", address="A", connection="fire")["id"]} for one in places]
    async with httpx.AsyncClient(base_url=world.url, timeout=60, trust_env=False) as client:
        asked = [
            client.get(f"{one.base}/premises", headers=bearer(one.keys[kind]))
            for _ in range(25)
            for kind in ("utility", "regulator")
            for one in places
        ]
        answers = await asyncio.gather(*asked)
    for n, answer in enumerate(answers):
        assert {one["id"] for one in answer.json()["items"]} == own[n % 3]


async def test_changes_of_the_register_beside_reports_leave_the_standings_right(place: Place, world: World) -> None:
    assemblies = [place.new_assembly("pvb") for _ in range(3)]
    headers = bearer(world.operator_key)

    async def change(client: httpx.AsyncClient, assembly: str) -> None:
        for turn in range(6):
            path = f"{place.base}/assemblies/{assembly}"
            tag = (await client.get(path)).headers["etag"]
            answer = await client.patch(path, json={"in_service": turn % 2 == 0}, headers={"If-Match": tag})
            assert answer.status_code == 200, answer.text

    async def report(client: httpx.AsyncClient, assembly: str) -> None:
        for turn in range(12):
            answer = await client.put(
                f"{place.base}/reports/{uuid4()}", json=place.report(assembly_id=assembly, check=0.5 + turn / 10)
            )
            assert answer.status_code == 201, answer.text

    async with httpx.AsyncClient(base_url=world.url, timeout=60, headers=headers, trust_env=False) as client:
        await asyncio.gather(*(act(client, one) for one in assemblies for act in (change, report)))
    pool = await Pool.open(world.database.dsn, size=2)
    assert await rebuild_standings(ReportStore(pool), await RegistryStore(pool).utility(place.code)) == []
    await pool.close()
    # The last change took each out of service.
    assert {place.standing(one)["status"] for one in assemblies} == {"out_of_service"}


async def test_of_two_changes_of_the_same_version_one_is_taken(place: Place, world: World) -> None:
    headers = bearer(world.operator_key) | {"If-Match": '"1"'}
    async with httpx.AsyncClient(base_url=world.url, timeout=60, headers=headers, trust_env=False) as client:
        path = f"{place.base}/testers/{place.tester}"
        answers = await asyncio.gather(*(client.patch(path, json={"name": f"T{n}"}) for n in range(6)))
    assert sorted(one.status_code for one in answers) == [200] + [412] * 5
    assert world.operator.get(path).json()["version"] == 2


def test_a_full_queue_is_reported_over_http_with_a_time_to_come_again(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MOST_WAITING", 0)
    answer = place.put(uuid4(), place.report())
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")
    assert int(answer.headers["retry-after"]) >= 1


def test_lists_say_by_when_everything_is_in_them_and_what_is_read_by_its_id_is_never_behind(place: Place, world: World) -> None:
    report_id = place.recorded()["report"]["id"]
    day = world.clock.now().date()
    lagging = [place.get(path) for path in ("/reports", "/standings", "/assemblies", f"/summaries/{day.year}", "/export")]
    for answer in (*lagging, place.get(f"/assemblies/{place.assembly}/standing", as_of=day)):
        assert answer.headers["record-as-of"] == "2026-06-01T19:00:00.000Z", answer.url
    for path in (f"/reports/{report_id}", f"/assemblies/{place.assembly}/standing", "/changes"):
        assert "record-as-of" not in place.get(path).headers


def test_connections_that_postgres_ended_are_replaced(place: Place, world: World) -> None:
    place.recorded()
    world.database.owner(END_THEM)
    answers = [place.put(uuid4(), place.report()) for _ in range(4)]
    assert {one.status_code for one in answers} <= {201, 503}
    assert answers[-1].status_code == 201


def test_a_database_that_is_not_migrated_is_not_ready(postgres: EmbeddedPostgres) -> None:
    with fresh_database(postgres, "template1") as empty, serving(empty, SettableClock()) as url:
        assert httpx.get(f"{url}/healthz", trust_env=False).status_code == 200
        answer = httpx.get(f"{url}/readyz", trust_env=False)
        assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable")


def test_a_database_that_is_gone_is_reported_as_unavailable_until_it_is_back(postgres: EmbeddedPostgres, template: str) -> None:
    with fresh_database(postgres, template) as database, world_in(database) as world:
        place = world.place()

        async def hide(connection: Any) -> None:
            await connection.execute(f"ALTER DATABASE {database.name} ALLOW_CONNECTIONS false")
            await connection.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1", database.name)

        ask(postgres.dsn(), hide)
        try:
            for _ in range(3):
                answer = place.put(uuid4(), place.report())
                assert (answer.status_code, answer.json()["type"]) == (503, "/problems/unavailable"), answer.text
                assert "retry-after" in answer.headers
            assert httpx.get(f"{world.url}/readyz", trust_env=False).status_code == 503
            assert httpx.get(f"{world.url}/healthz", trust_env=False).status_code == 200
            # The rules need no database.
            assert httpx.get(f"{world.url}/v1/rulebooks", trust_env=False).status_code == 200
        finally:
            ask(postgres.dsn(), lambda connection: connection.execute(f"ALTER DATABASE {database.name} ALLOW_CONNECTIONS true"))
        assert place.put(uuid4(), place.report()).status_code == 201


def test_the_service_works_as_its_own_role_whoever_logged_in(database: Database) -> None:
    class AsOwner(Database):
        def __init__(self) -> None:
            self.name, self.owner_dsn, self.dsn = database.name, database.owner_dsn, database.owner_dsn

    with world_in(AsOwner()) as world:
        assert httpx.get(f"{world.url}/readyz", trust_env=False).json() == {"status": "ready"}
        first, second = world.place(), world.place()
        assert {one["id"] for one in first.get("/premises").json()["items"]} == {first.premises}
        assert second.get(f"/premises/{first.premises}").status_code == 404
