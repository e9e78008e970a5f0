"""The network between the service and Postgres, and between a client and the service: slow, standing still, cut in the midst of a message.

What must hold: what was answered is there once, what was not is there once or not at all; the service says 503 in bounded time, and goes
on by itself when the network does, with every connection of its pools. `sh deploy/faults` runs all of it, and much at random.
"""

import asyncio
import copy
import json
import os
import random
import socket
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from uuid import uuid4

import httpx
import pytest

from service.db import pool
from service.db.embedded import SERVICE, EmbeddedPostgres
from service.db.pool import Pool
from service.http import health
from service.problems import ProblemError
from service.record.reports.store import ReportStore
from tests.support import testers
from tests.support.databases import Database, in_thread
from tests.support.network import Network
from tests.support.replicas import world_of
from tests.support.testers import Load, Services, free_ports, hold, until, working_in
from tests.support.world import Place, World, bearer

AT_ONCE = 16
FAULTS = int(os.environ.get("NONRETURN_NETWORK_FAULTS", "100"))


@contextmanager
def behind_a_network(postgres: EmbeddedPostgres, database: Database) -> Iterator[tuple[World, Network]]:
    """A world whose service reaches its database over a network."""
    with Network.before_postgres(postgres.socket_directory) as network:
        far = copy.copy(database)
        far.dsn = network.dsn(SERVICE, database.name)
        with world_of(far) as world:
            yield world, network


def tried(place: Place, ids: list[str]) -> list[tuple[int, float, str | None]]:
    """Reports under those ids, sent all at once: status, seconds and `Retry-After` of each answer."""
    document = place.report()
    headers = bearer(place.keys["testing_company"])

    def put(report_id: str) -> tuple[int, float, str | None]:
        began = time.monotonic()
        answer = httpx.put(
            f"{place.world.url}{place.base}/reports/{report_id}", json=document, headers=headers, timeout=90, trust_env=False
        )
        return answer.status_code, time.monotonic() - began, answer.headers.get("retry-after")

    with ThreadPoolExecutor(len(ids)) as senders:
        return list(senders.map(put, ids))


def new_ids() -> list[str]:
    return [str(uuid4()) for _ in range(AT_ONCE)]


def stored(place: Place) -> set[str]:
    rows = place.world.database.owner("SELECT id FROM record.report WHERE utility_id = $1", place.code)
    return {str(row["id"]) for row in rows}


def is_ready(world: World) -> bool:
    return httpx.get(f"{world.url}/readyz", timeout=30, trust_env=False).status_code == 200


def goes_on(place: Place, *, seconds: float) -> None:
    """Within so many seconds it is ready, and then every connection of its pools works: more are asked at once than there are."""
    until(lambda: is_ready(place.world), seconds)
    until(lambda: place.put(uuid4(), place.report()).status_code == 201, seconds)
    headers = bearer(place.keys["utility"])

    async def asked() -> list[int]:
        async with httpx.AsyncClient(base_url=place.world.url, timeout=60, headers=headers, trust_env=False) as client:
            answers = await asyncio.gather(*(client.get(f"{place.base}/premises") for _ in range(2 * AT_ONCE)))
            return [one.status_code for one in answers]

    assert set(in_thread(lambda: asyncio.run(asked()))) == {200}
    assert {status for status, _, _ in tried(place, new_ids())} == {201}


@pytest.mark.parametrize(
    "how",
    [
        pytest.param("lost", marks=pytest.mark.slow),
        pytest.param("held", marks=pytest.mark.faults),
        pytest.param("dropped", marks=pytest.mark.faults),
    ],
)
def test_a_network_that_stands_still_is_reported_in_bounded_time_and_passes(
    postgres: EmbeddedPostgres, database: Database, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    """Bytes are taken and nothing comes; the same, and what was under way is lost; or no packet is even received."""
    monkeypatch.setattr(pool, "COMMAND_SECONDS", 1.5)
    monkeypatch.setattr(pool, "LOAN_SECONDS", 1.5)
    monkeypatch.setattr(health, "READY_SECONDS", 1.0)
    monkeypatch.setitem(pool._KERNEL, "TCP_USER_TIMEOUT", 1_500)
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        assert {status for status, _, _ in tried(place, new_ids())} == {201}
        ids = new_ids()
        if how == "dropped":
            with network.dropping():
                answers = tried(place, ids)
                assert not is_ready(world)
        else:
            network.hold()
            answers = tried(place, ids)
            asked = time.monotonic()
            assert not is_ready(world)
            assert time.monotonic() - asked < 4
            # What needs no database is answered meanwhile.
            assert world.client.get("/healthz").status_code == 200
            assert world.client.get("/v1/rulebooks").status_code == 200
            if how == "lost":
                network.lose()
            network.go_on()
        # Each gets 503, the last ones too, within what a statement and a connection are waited for: none waits in turn.
        assert {(status, again) for status, _, again in answers} == {(503, "2")}
        assert max(seconds for _, seconds, _ in answers) < 8, answers
        goes_on(place, seconds=15)
        # What was not answered is there once or not at all, and sent again it is there once.
        assert {status for status, _, _ in tried(place, ids)} <= {200, 201}
        assert set(ids) <= stored(place)


@pytest.mark.slow
def test_whoever_waits_behind_a_report_that_is_given_up_is_reported_with_it(
    postgres: EmbeddedPostgres, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found by trying: the first report was reported after one limit, those that came a moment later after two."""
    monkeypatch.setattr(pool, "COMMAND_SECONDS", 2.5)
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        assert {status for status, _, _ in tried(place, new_ids())} == {201}
        network.hold()
        with ThreadPoolExecutor(2) as two:
            first = two.submit(tried, place, new_ids()[:1])
            time.sleep(0.5)
            later = two.submit(tried, place, new_ids()[:8])
            answers = first.result() + later.result()
        network.go_on()
        assert {status for status, _, _ in answers} == {503}
        # One limit, and two seconds in which what was given up may still stop.
        assert max(seconds for _, seconds, _ in answers) < 2.5 + 2 + 1.5, answers


@pytest.mark.faults
def test_the_kernel_states_a_database_that_is_gone_long_before_a_statement_is_given_up(
    postgres: EmbeddedPostgres, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 5482: how long what was sent may stay unacknowledged before a connection is given up."""
    assert pool.COMMAND_SECONDS >= 20
    monkeypatch.setitem(pool._KERNEL, "TCP_USER_TIMEOUT", 1_500)
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        # As many as there are sessions to write with, so that none waits for a new connection.
        ids = new_ids()[:2]
        assert {status for status, _, _ in tried(place, ids)} == {201}
        with network.dropping():
            answers = tried(place, new_ids()[:2])
        assert {status for status, _, _ in answers} == {503}
        assert max(seconds for _, seconds, _ in answers) < 12, answers


@pytest.mark.faults
def test_a_network_that_ends_every_connection_costs_one_answer_each_at_most(
    postgres: EmbeddedPostgres, database: Database
) -> None:
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        for _ in range(2):
            assert {status for status, _, _ in tried(place, new_ids())} <= {201, 503}
            network.reset()
            # At once, with no time passed in which connections could be looked after.
            assert {status for status, _, _ in tried(place, new_ids())} <= {201, 503}
        goes_on(place, seconds=5)


@pytest.mark.faults
def test_what_is_cut_in_the_midst_of_a_message_is_not_answered_and_not_doubled(
    postgres: EmbeddedPostgres, database: Database
) -> None:
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        answered: set[str] = set()
        asked: list[str] = []
        for side in ("caller", "answerer"):
            network.cut_at = {side: 0.3}
            for _ in range(2):
                ids = new_ids()
                asked += ids
                answered |= {one for one, (status, _, _) in zip(ids, tried(place, ids), strict=True) if status == 201}
        assert network.cuts > 2
        network.cut_at = {}
        goes_on(place, seconds=5)
        assert answered <= stored(place)
        assert {status for status, _, _ in tried(place, asked[:AT_ONCE])} <= {200, 201}
        rows = world.database.owner("SELECT log_index FROM record.report WHERE utility_id = $1 ORDER BY log_index", place.code)
        assert [row["log_index"] for row in rows] == list(range(len(rows)))


@pytest.mark.faults
def test_a_slow_network_makes_answers_slow_and_nothing_else(postgres: EmbeddedPostgres, database: Database) -> None:
    with behind_a_network(postgres, database) as (world, network):
        place = world.place()
        network.delay = 0.15
        answers = tried(place, new_ids())
        assert {status for status, _, _ in answers} == {201}
        assert min(seconds for _, seconds, _ in answers) > 0.3


@pytest.mark.slow
def test_what_a_service_that_cannot_be_reached_has_locked_is_given_back(
    postgres: EmbeddedPostgres, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One service holds a utility's log when its network goes; another one, whose network is well, is held up for bounded time."""
    monkeypatch.setitem(pool.SESSION, "idle_in_transaction_session_timeout", "1500ms")
    monkeypatch.setattr(pool, "COMMAND_SECONDS", 3.0)
    with Network.before_postgres(postgres.socket_directory) as network, world_of(database) as world:
        place = world.place()

        async def held() -> list[tuple[int, float, str | None]]:
            far = await Pool.open(network.dsn(SERVICE, database.name), size=1)
            recording = ReportStore(far).recording(place.code)
            await recording.__aenter__()
            network.hold()
            answers = await asyncio.to_thread(tried, place, new_ids())
            with pytest.raises(ProblemError):
                await recording.__aexit__(None, None, None)
            await far.close()
            return answers

        answers = in_thread(lambda: asyncio.run(held()))
        assert {status for status, _, _ in answers} == {201}
        assert 1 < max(seconds for _, seconds, _ in answers) < 3


# From here on: the network between a client and the service.


@pytest.mark.slow
def test_an_answer_cut_in_its_midst_is_asked_for_again_and_nothing_is_doubled(world: World, place: Place) -> None:
    with Network.before_service(world.url) as network:
        network.cut_at = {"caller": 0.5}
        ids, keys = new_ids(), {str(uuid4()): place.report(remarks=str(n)) for n in range(AT_ONCE)}
        headers = bearer(place.keys["testing_company"])
        made: set[str] = set()
        tries = 0
        for method, path, document, more in [
            *(("PUT", f"/reports/{one}", place.report(), {}) for one in ids),
            *(("POST", "/reports", document, {"Idempotency-Key": key}) for key, document in keys.items()),
        ]:
            while True:
                tries += 1
                try:
                    answer = httpx.request(
                        method,
                        f"{network.url}{place.base}{path}",
                        json=document,
                        headers=headers | more,
                        timeout=10,
                        trust_env=False,
                    )
                except httpx.TransportError:
                    continue
                assert answer.status_code in (200, 201), answer.text
                made.add(answer.json()["report"]["id"])
                break
        assert tries > 1.3 * len(made)
        assert len(made) == 2 * AT_ONCE
        assert stored(place) == made


@pytest.mark.slow
def test_a_batch_cut_in_its_midst_is_sent_again_and_nothing_is_doubled(world: World, place: Place) -> None:
    with Network.before_service(world.url) as network:
        lines = {str(uuid4()): place.report(remarks=str(n)) for n in range(300)}
        body = "\n".join(json.dumps({"id": report_id, **document}) for report_id, document in lines.items()).encode()
        headers = bearer(place.keys["testing_company"]) | {"Content-Type": "application/x-ndjson"}
        cut: dict[str, int] = {"caller": 0, "answerer": 0}
        answered: dict[str, int] = {}
        for side in ("answerer", "caller", None):
            network.cut_at = {} if side is None else {side: 0.2}
            for _ in range(5):
                try:
                    with httpx.stream(
                        "POST",
                        f"{network.url}{place.base}/reports/batches",
                        content=body,
                        headers=headers,
                        timeout=30,
                        trust_env=False,
                    ) as answer:
                        for result in answer.iter_lines():
                            one = json.loads(result)
                            assert one["status"] in (200, 201) or side == "answerer", result
                            answered.setdefault(one.get("id", ""), one["status"])
                except (httpx.TransportError, ValueError):
                    assert side is not None
                    cut[side] += 1
        assert min(cut.values()) > 0
        assert set(lines) <= set(answered)
        assert stored(place) == set(lines)


@pytest.mark.slow
def test_a_body_that_comes_slowly_is_answered_while_it_keeps_coming(world: World, place: Place) -> None:
    with Network.before_service(world.url) as network:
        network.delay = 0.2
        address = ("127.0.0.1", network.port)
        report_id, body = str(uuid4()), json.dumps(place.report()).encode()
        head = f"PUT {place.base}/reports/{report_id} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {place.keys['testing_company']}\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
        with socket.create_connection(address, timeout=20) as connection:
            connection.sendall(head.encode())
            for start in range(0, len(body), 100):
                connection.sendall(body[start : start + 100])
                time.sleep(0.05)
            assert connection.recv(20).startswith(b"HTTP/1.1 201 ")
        assert report_id in stored(place)


# And both networks at random, under load.


def spoil(chance: random.Random, network: Network) -> str:
    """One fault of a network, which then goes on."""
    what = chance.choices(["slow", "still", "long still", "lost", "reset", "cut answers", "cut requests"], [3, 4, 1, 3, 4, 4, 4])[
        0
    ]
    match what:
        case "slow":
            network.delay = chance.uniform(0.02, 0.3)
            time.sleep(chance.uniform(0.5, 2))
            network.delay = 0.0
        case "still" | "long still" | "lost":
            network.hold()
            # The long ones outlast what a statement, a connection and a tester are waited for.
            time.sleep(chance.uniform(25, 40) if what == "long still" else chance.uniform(0.2, 3))
            if what == "lost":
                network.lose()
            network.go_on()
        case "reset":
            network.reset()
        case "cut answers" | "cut requests":
            network.cut_at = {"caller" if what == "cut answers" else "answerer": chance.uniform(0.02, 0.4)}
            time.sleep(chance.uniform(0.5, 2))
            network.cut_at = {}
    return what


@pytest.mark.faults
def test_the_record_holds_whatever_the_networks_do(postgres: EmbeddedPostgres, database: Database) -> None:
    """Two services, each with a network of its own to Postgres, and the testers reach each over one more."""
    with world_of(database) as world:
        place = world.place()
    chance = random.Random(20261125)  # noqa: S311 - the same every time
    done: Counter[str] = Counter()
    ports = free_ports(2)
    with ExitStack() as stack:
        inner = [stack.enter_context(Network.before_postgres(postgres.socket_directory)) for _ in ports]
        outer = [stack.enter_context(Network(("127.0.0.1", port))) for port in ports]
        services = Services([one.dsn(SERVICE, database.name) for one in inner], ports)
        stack.callback(services.stop)
        load = Load(place, [one.url for one in outer])
        began = time.monotonic()
        with load:
            while done.total() < FAULTS:
                time.sleep(chance.uniform(0.1, 1.2))
                where = chance.choice(["database", "service"])
                done[f"{spoil(chance, chance.choice(inner if where == 'database' else outer))} ({where})"] += 1
                services.revive()
                if sys.stderr.isatty():
                    sys.stderr.write(f"\r{done.total()} of {FAULTS} faults, {len(load.answered)} reports answered")
            for port in ports:
                until(lambda port=port: testers.is_ready(port), 60)
            # Both serve again, as if nothing had been.
            answered = len(load.answered)
            until(lambda: len(load.answered) > answered + 50, 60)
        seconds = time.monotonic() - began
        hold(load, database, working_in(database.dsn), more_than=FAULTS)
    cuts = sum(one.cuts for one in (*inner, *outer))
    sys.stderr.write(
        f"\n{dict(done)}, {cuts} messages cut, {len(load.answered)} answered, {len(load.given_up)} given up, {seconds:.0f} s\n"
    )
