"""One rude caller without a key does not hurt the others: connections, computing and memory are bounded by address.

`sh deploy/measure rude` measures the whole of it; here each bound is tried by itself. 127.0.0.2 and the like are the rude caller's.
"""

import asyncio
import http.client
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from rules import operation, selection
from service.auth.rates import Allowances
from service.http import callers, edge, wire
from service.http.aside import Aside
from service.http.callers import Proxies, grouped, parse_networks
from service.imports.run import Importer, Source
from service.problems import ProblemError, problem
from service.receipts import page as receipt
from service.settings import Settings
from tests.support.databases import Database
from tests.support.world import World, phase, world_in

TEST = {
    "rulebook": "us-common",
    "performed_at": "2026-05-14T09:20:00-07:00",
    "assembly": {"kind": "pvb", "hazard": "health"},
    "units": {"pressure": "psi"},
    "initial_test": phase(),
}
OPERATION = {
    "kind": "pvb",
    "units": {"pressure": "psi"},
    "steps": [{"supply_pressure": 20 + number, "downstream": "outlets_closed"} for number in range(100)],
}


@contextmanager
def connected(world: World, source: str = "127.0.0.1") -> Iterator[socket.socket]:
    """A connection from that loopback address."""
    address = urlsplit(world.url)
    with socket.create_connection((address.hostname, address.port), timeout=5, source_address=(source, 0)) as made:
        yield made


def asked(
    world: World, method: str, path: str, source: str, document: Any = None, **headers: str
) -> tuple[int, dict[str, str], bytes]:
    """The answer to one request from that loopback address: its status, headers and body."""
    address = urlsplit(world.url)
    with closing(
        http.client.HTTPConnection(str(address.hostname), address.port, timeout=30, source_address=(source, 0))
    ) as connection:
        body = None if document is None else json.dumps(document)
        connection.request(method, path, body, {"Content-Type": "application/json"} | headers)
        answer = connection.getresponse()
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()


def test_an_address_that_has_had_its_share_waits_and_nobody_else_does(database: Database) -> None:
    with world_in(database, open_rate=0.006) as world:
        place = world.place()
        statuses: list[int] = []
        for _ in range(60):
            status, headers, body = asked(world, "POST", "/v1/rules/operation", "127.0.0.2", OPERATION)
            statuses.append(status)
            if status == 429:
                break
        assert statuses[0] == 200
        assert statuses[-1] == 429
        assert int(headers["retry-after"]) >= 1
        assert headers["content-type"] == "application/problem+json"
        assert json.loads(body)["type"] == "/problems/too-many-requests"
        # Whoever watches the service may have the same address; refused, it would restart what only is busy.
        assert asked(world, "GET", "/healthz", "127.0.0.2")[0] == 200
        # Another address, and a caller with a key from the same one, have allowances of their own.
        assert asked(world, "POST", "/v1/rules/verdict", "127.0.0.3", TEST)[0] == 200
        key = {"Authorization": f"Bearer {place.keys['utility']}"}
        place.get("/premises").raise_for_status()
        assert asked(world, "GET", f"{place.base}/premises", "127.0.0.2", **key)[0] == 200
        # A key that is none has no allowance of its own: trying keys is slowed down to what the address earns.
        begun = time.monotonic()
        for _ in range(30):
            assert asked(world, "GET", f"{place.base}/premises", "127.0.0.2", Authorization="Bearer nonreturn_0_x")[0] in (
                401,
                429,
            )
        assert time.monotonic() - begun > 30 * edge.REQUEST_SECONDS / 0.006 * 0.8


def test_the_connections_of_one_address_are_bounded(database: Database) -> None:
    with world_in(database, connections_of_address=3) as world:
        with connected(world, "127.0.0.2") as a, connected(world, "127.0.0.2") as b, connected(world, "127.0.0.2") as c:
            for taken in (a, b, c):
                taken.sendall(b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n")
                assert b" 200 " in taken.recv(1000)
            assert ended(world, "127.0.0.2")
            assert asked(world, "GET", "/healthz", "127.0.0.3")[0] == 200
        eventually(lambda: not ended(world, "127.0.0.2"))


def test_connections_are_bounded_in_all(database: Database) -> None:
    with world_in(database, connections=6) as world:
        held = [
            socket.create_connection((urlsplit(world.url).hostname, urlsplit(world.url).port), source_address=(f"127.0.0.{n}", 0))
            for n in range(2, 8)
        ]
        try:
            eventually(lambda: ended(world, "127.0.0.9"))
        finally:
            for connection in held:
                connection.close()
        eventually(lambda: not ended(world, "127.0.0.9"))


def test_who_opens_connections_faster_than_anyone_needs_is_cut_off(database: Database) -> None:
    with world_in(database, new_connections_of_address=5.0) as world:
        allowed = round(5 * wire.NEW_SAVED_SECONDS)
        first = [ended(world, "127.0.0.2") for _ in range(allowed + 10)]
        assert not any(first[:allowed])
        assert sum(first) >= 5
        assert not ended(world, "127.0.0.3")


def ended(world: World, source: str) -> bool:
    """Whether a new connection from there is ended without an answer."""
    try:
        with connected(world, source) as connection:
            connection.sendall(b"GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            return connection.recv(1000) == b""
    except ConnectionError:
        return True


def eventually(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 5
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_a_head_is_waited_for_ten_seconds() -> None:
    assert wire.HEAD_SECONDS == 10


def test_blank_lines_keep_no_connection_open(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by trying: after an answer they ended the count of idle seconds, and began no other."""
    monkeypatch.setattr(wire, "HEAD_SECONDS", 0.3)
    with connected(world) as connection:
        connection.sendall(b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n")
        answer = b""
        while b"alive" not in answer:
            answer += connection.recv(1000)
        connection.sendall(b"\r\n")
        assert connection.recv(1000) == b""


@pytest.mark.parametrize(
    ("place", "asks"),
    [
        ((operation, "operate"), ("/v1/rules/operation", OPERATION, "application/json")),
        ((operation, "draw_operation"), ("/v1/rules/operation", OPERATION, "image/svg+xml")),
        (
            (operation, "practice_test"),
            ("/v1/rules/practice-test", {"kind": "pvb", "units": {"pressure": "psi"}, "line_pressure": 60}, "application/json"),
        ),
        ((operation, "draw_verdict"), ("/v1/rules/verdict", TEST, "image/svg+xml")),
        (
            (selection, "select"),
            (
                "/v1/rules/selection",
                {
                    "rulebook": "us-wa",
                    "hazard": "health",
                    "backpressure_possible": False,
                    "continuous_pressure": False,
                    "purpose": "premises_isolation",
                },
                "application/json",
            ),
        ),
        ((receipt, "receipt"), ("/receipts", None, "text/html")),
    ],
    ids=["operation", "drawing", "practice-test", "drawn-verdict", "selection", "receipt-page"],
)
def test_what_takes_long_to_compute_keeps_nobody_waiting(
    world: World, monkeypatch: pytest.MonkeyPatch, place: tuple[Any, str], asks: tuple[str, Any, str]
) -> None:
    path, document, accept = asks
    begun, done = threading.Event(), threading.Event()

    def slowly(*_: object, **__: object) -> Any:
        begun.set()
        done.wait(5)
        raise problem("flows_do_not_rise")

    monkeypatch.setattr(*place, slowly)

    def answered() -> httpx.Response:
        if document is None:
            return httpx.post(world.url + path, data={"receipt": "a.b.c"}, timeout=30, trust_env=False)
        return httpx.post(world.url + path, json=document, headers={"Accept": accept}, timeout=30, trust_env=False)

    with ThreadPoolExecutor(1) as other:
        slow = other.submit(answered)
        try:
            assert begun.wait(5)
            assert httpx.get(world.url + "/healthz", timeout=2, trust_env=False).status_code == 200
        finally:
            done.set()
        assert slow.result().status_code == 422


def test_what_waits_to_be_computed_is_bounded_for_each_address_and_in_all(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, done = threading.Semaphore(0), threading.Event()

    def slowly(*_: object) -> Any:
        begun.release()
        done.wait(10)
        raise problem("flows_do_not_rise")

    monkeypatch.setattr(operation, "operate", slowly)

    def asks(source: str) -> tuple[int, dict[str, str], bytes]:
        return asked(world, "POST", "/v1/rules/operation", source, OPERATION)

    with ThreadPoolExecutor(32) as others:
        waiting = [others.submit(asks, f"127.0.0.{2 + number % 2}") for number in range(12)]
        assert begun.acquire(timeout=5)
        # Four of each address are kept; the others are answered at once.
        eventually(lambda: sum(one.done() for one in waiting) == 4)
        refused = [one.result() for one in waiting if one.done()]
        assert {status for status, _, _ in refused} == {503}
        assert {headers["retry-after"] for _, headers, _ in refused} == {"1"}
        # A third address has its own turn.
        third = others.submit(asks, "127.0.0.4")
        time.sleep(0.2)
        assert not third.done()
        done.set()
        assert {one.result()[0] for one in [*waiting, third]} == {503, 422}
        assert third.result()[0] == 422


async def test_an_executor_counts_what_it_does_and_takes_no_more() -> None:
    aside = Aside("test", most=2, most_of_caller=1)
    who = callers.Caller("127.0.0.2")
    token = callers.caller.set(who)
    assert await aside.run("a", sum, range(300_000)) == sum(range(300_000))
    assert who.seconds > 0
    callers.caller.reset(token)
    let_go = threading.Event()
    try:
        first = asyncio.create_task(aside.run("a", let_go.wait, 5))
        await asyncio.sleep(0)
        with pytest.raises(ProblemError, match="waiting"):
            await aside.run("a", sum, range(3))
        second = asyncio.create_task(aside.run("b", let_go.wait, 5))
        await asyncio.sleep(0)
        with pytest.raises(ProblemError, match="waiting"):
            await aside.run("c", sum, range(3))
    finally:
        let_go.set()
    assert await first
    assert await second
    assert await aside.run("a", sum, range(3)) == 3
    aside.close()


def test_an_allowance_is_earned_evenly_and_given_back_where_it_was_not_used() -> None:
    allowances = Allowances(0.1, saved=10)
    allowances.charge("a", 0.9, 100.0)
    assert allowances.wait("a", 0.05, 100.0) == 0
    assert allowances.wait("a", 0.2, 100.0) == pytest.approx(1.0)
    allowances.charge("a", -0.9, 100.0)
    assert allowances.wait("a", 1.0, 100.0) == 0
    assert allowances.wait("b", 1.0, 100.0) == 0
    # Never more than is saved, however long it is.
    assert allowances.wait("a", 1.1, 1e9) == pytest.approx(1.0)


def test_many_addresses_fill_no_memory() -> None:
    allowances = Allowances(0.1, saved=10)
    for number in range(50_000):
        allowances.charge(f"10.0.{number >> 8}.{number & 255}", 1.0, number / 1000)
    assert len(allowances) == 10_000
    # The last seen are remembered.
    assert allowances.wait(f"10.0.{49_999 >> 8}.{49_999 & 255}", 0.1, 50.0) > 0


@pytest.mark.parametrize(
    ("address", "counted"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::1", "2001:db8:1:2::/64"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("fe80::1%eth0", "fe80::/64"),
        ("unknown", "unknown"),
        ("_" + "x" * 500, "_" + "x" * 63),
    ],
)
def test_an_ipv6_address_counts_as_its_64(address: str, counted: str) -> None:
    assert grouped(address) == counted


BEHIND = Proxies(parse_networks("10.0.0.0/8, 2001:db8:f::/48"))


@pytest.mark.parametrize(
    ("peer", "headers", "address"),
    [
        # From anyone else, nothing is believed.
        ("192.0.2.9", {"X-Forwarded-For": "198.51.100.1"}, "192.0.2.9"),
        ("192.0.2.9", {"Forwarded": "for=198.51.100.1"}, "192.0.2.9"),
        ("10.0.0.1", {}, "10.0.0.1"),
        ("10.0.0.1", {"X-Forwarded-For": "198.51.100.1"}, "198.51.100.1"),
        # What came before the proxy's own word is the caller's.
        ("10.0.0.1", {"X-Forwarded-For": "203.0.113.5, 198.51.100.1"}, "198.51.100.1"),
        ("10.0.0.1", {"X-Forwarded-For": "203.0.113.5, 198.51.100.1, 10.0.0.2"}, "198.51.100.1"),
        ("10.0.0.1", {"X-Forwarded-For": "10.0.0.3, 10.0.0.2"}, "10.0.0.3"),
        ("10.0.0.1", {"X-Forwarded-For": "198.51.100.1:4711"}, "198.51.100.1"),
        ("10.0.0.1", {"X-Forwarded-For": "[2001:db8::1]:80"}, "2001:db8::/64"),
        # RFC 7239, section 4 and 6: the examples of the standard.
        ("10.0.0.1", {"Forwarded": 'for="_gazonk"'}, "_gazonk"),
        ("10.0.0.1", {"Forwarded": 'For="[2001:db8:cafe::17]:4711"'}, "2001:db8:cafe::/64"),
        ("10.0.0.1", {"Forwarded": "for=192.0.2.60;proto=http;by=203.0.113.43"}, "192.0.2.60"),
        ("10.0.0.1", {"Forwarded": "for=192.0.2.43, for=198.51.100.17"}, "198.51.100.17"),
        ("10.0.0.1", {"Forwarded": "by=203.0.113.43"}, "unknown"),
        ("2001:db8:f::1", {"Forwarded": "for=192.0.2.60"}, "192.0.2.60"),
        # One of the two may have been passed on as it came: where they differ, neither is believed.
        ("10.0.0.1", {"Forwarded": "for=192.0.2.60", "X-Forwarded-For": "198.51.100.1"}, "10.0.0.1"),
        ("10.0.0.1", {"Forwarded": "for=198.51.100.1", "X-Forwarded-For": "198.51.100.1"}, "198.51.100.1"),
    ],
)
def test_only_a_trusted_proxy_says_who_calls(peer: str, headers: dict[str, str], address: str) -> None:
    assert BEHIND.address(peer, [(name.lower().encode(), value.encode()) for name, value in headers.items()]) == address


def test_behind_a_proxy_each_caller_has_an_allowance(database: Database) -> None:
    with world_in(database, open_rate=0.006, trusted_proxies=parse_networks("127.0.0.2"), connections_of_address=1) as world:

        def through(caller: str) -> int:
            return asked(world, "POST", "/v1/rules/operation", "127.0.0.2", OPERATION, Forwarded=f"for={caller}")[0]

        statuses: list[int] = []
        while 429 not in statuses and len(statuses) < 60:
            statuses.append(through("192.0.2.1"))
        assert statuses[-1] == 429
        assert through("192.0.2.2") == 200
        # The proxy's own connections are everybody's.
        with connected(world, "127.0.0.2"), connected(world, "127.0.0.2"):
            assert through("192.0.2.3") == 200


def test_settings_of_proxies_are_networks() -> None:
    found = Settings.from_environment({"NONRETURN_TRUSTED_PROXIES": "10.0.0.0/8 127.0.0.1,2001:db8::/32"})
    assert [str(network) for network in found.trusted_proxies] == ["10.0.0.0/8", "127.0.0.1/32", "2001:db8::/32"]
    with pytest.raises(ValueError, match="proxy"):
        Settings.from_environment({"NONRETURN_TRUSTED_PROXIES": "proxy"})


def test_unit_files_bound_files_and_memory(repository: Path) -> None:
    unit = (repository / "deploy/systemd/nonreturn.service").read_text()
    assert "LimitNOFILE=" in unit
    assert "MemoryMax=" in unit
    compose = (repository / "deploy/compose.yaml").read_text()
    assert "mem_limit:" in compose
    assert "nofile:" in compose


def test_imports_papers_and_computing_have_threads_of_their_own(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names are looked up in the loop's own threads: a webhook waits for no file and no paper."""
    ran: dict[str, str] = {}
    opened = Importer._opened

    def noticed(self: Importer, source: Source) -> Any:
        ran["import"] = threading.current_thread().name
        return opened(self, source)

    def operated(*_: object) -> Any:
        ran["operation"] = threading.current_thread().name
        raise problem("flows_do_not_rise")

    monkeypatch.setattr(Importer, "_opened", noticed)
    monkeypatch.setattr(operation, "operate", operated)
    place = world.place()
    key = {"Authorization": f"Bearer {place.keys['utility']}", "Content-Type": "text/csv"}
    world.client.post(f"{place.base}/imports", content=b"Serial No,Type\nS-1,PVB\n", headers=key)
    world.client.post("/v1/rules/operation", json=OPERATION)
    assert {name: thread.partition("_")[0] for name, thread in ran.items()} == {"import": "imports", "operation": "open"}
