"""Requests that no honest client writes, on the wire: two lengths, two framings, lines that are none. RFC 9112, sections 3, 5, 6 and 11.

What counts is that no body is ever read as the next request: of one request sent there is one answer, or none.
"""

import http.client
import re
import socket
import time
from contextlib import suppress
from urllib.parse import urlsplit

import pytest

from service.http import wire
from tests.support.world import World

SMUGGLED = b"GET /v1/rulebooks HTTP/1.1\r\nHost: x\r\n\r\n"


def answers(world: World, sent: bytes, seconds: float = 1.0) -> list[int]:
    """The statuses of all answers to these bytes, until the service closes or is silent."""
    address = urlsplit(world.url)
    got = b""
    with socket.create_connection((address.hostname, address.port), timeout=seconds) as connection:
        connection.sendall(sent)
        try:
            while more := connection.recv(65_536):
                got += more
        except TimeoutError:
            pass
        except ConnectionResetError:
            pass
    return [int(status) for status in re.findall(rb"HTTP/1\.1 (\d{3}) ", got)]


def post(*headers: bytes, body: bytes = b"") -> bytes:
    return b"\r\n".join([b"POST /v1/rules/verdict HTTP/1.1", b"Host: x", b"Content-Type: application/json", *headers, b"", body])


def test_an_honest_request_gets_its_answer_and_the_next_one_its_own(world: World) -> None:
    assert answers(world, post(b"Content-Length: 2", body=b"{}") + SMUGGLED) == [400, 200]


@pytest.mark.parametrize(
    "sent",
    [
        post(b"Content-Length: 2", b"Content-Length: 44", body=b"{}" + SMUGGLED),
        post(b"Content-Length: 4, 2", body=b"{}" + SMUGGLED),
        post(b"Content-Length: -1", body=SMUGGLED),
        post(b"Content-Length: +2", body=b"{}" + SMUGGLED),
        post(b"Content-Length: 0x2", body=b"{}" + SMUGGLED),
        post(b"Content-Length: 2", b"Transfer-Encoding: chunked", body=b"0\r\n\r\n" + SMUGGLED),
        post(b"Transfer-Encoding: chunked", b"Content-Length: 4", body=b"0\r\n\r\n" + SMUGGLED),
        post(b"Transfer-Encoding: xchunked", b"Content-Length: 2", body=b"{}" + SMUGGLED),
        post(b"Transfer-Encoding : chunked", body=b"0\r\n\r\n" + SMUGGLED),
        post(b"Transfer-Encoding: chunked", body=b"zz\r\n{}\r\n0\r\n\r\n" + SMUGGLED),
        post(b"Transfer-Encoding: chunked", body=b"-2\r\n{}\r\n0\r\n\r\n" + SMUGGLED),
        b"GET /healthz HTTP/1.1\r\nHost: x\r\nX: 1\r\n GET /v1/rulebooks HTTP/1.1\r\n\r\n",
        b"GET /healthz HTTP/1.1\r\nHost: x\r\nBad Header: 1\r\n\r\n",
        b"GET /healthz HTTP/9.9\r\nHost: x\r\n\r\n",
        b"G\x00T /healthz HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET /healthz HTTP/1.1\r\nHost: x\r\nX: a\x00b\r\n\r\n",
    ],
    ids=[
        "two-lengths",
        "list-of-lengths",
        "negative",
        "signed",
        "hexadecimal",
        "length-and-chunked",
        "chunked-and-length",
        "unknown-coding",
        "space-before-colon",
        "chunk-size-none",
        "chunk-size-negative",
        "folded-line",
        "space-in-name",
        "unknown-version",
        "nul-in-method",
        "nul-in-value",
    ],
)
def test_what_is_framed_in_two_ways_is_answered_once_at_most(world: World, sent: bytes) -> None:
    got = answers(world, sent)
    assert len(got) <= 1, got
    assert world.client.get("/healthz").status_code == 200


@pytest.mark.parametrize("piece", [b"X-A: " + b"y" * 1000 + b"\r\n", b"y" * 1000], ids=["headers", "one-header"])
def test_endless_headers_are_given_up(world: World, piece: bytes) -> None:
    address = urlsplit(world.url)
    sent, got = 0, b""
    with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
        connection.sendall(b"GET /healthz HTTP/1.1\r\nHost: x\r\nX-0: ")
        try:
            while sent < 8_000_000:
                sent += connection.send(piece)
            got = connection.recv(1000)
        except (BrokenPipeError, ConnectionResetError):
            pass
    # What the service has taken is bounded; the rest is what lay between the two.
    assert sent < 8_000_000
    assert b" 200 " not in got
    assert world.client.get("/healthz").status_code == 200


def test_who_connects_and_says_nothing_is_not_waited_for(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "HEAD_SECONDS", 0.3)
    address = urlsplit(world.url)
    for begun in (b"", b"GET /healthz HT", b"GET /healthz HTTP/1.1\r\nHost: x\r\nX-Sl"):
        with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
            connection.sendall(begun)
            assert connection.recv(1000) == b""
    # A whole request and the next one after it have their own times.
    kept = http.client.HTTPConnection(str(address.hostname), address.port, timeout=5)
    for _ in range(3):
        kept.request("GET", "/healthz")
        assert kept.getresponse().read() == b'{"status":"alive"}'
        time.sleep(0.2)
    kept.close()


@pytest.mark.parametrize(
    "hosts",
    [[], ["a.example", "b.example"], ["a b"], ["a/b"], ["a@b"], ["[::1"], ["a:b"]],
    ids=["none", "two", "space", "path", "user", "bracket", "port"],
)
def test_a_request_that_names_no_host_or_two_or_none_that_can_be_is_refused(world: World, hosts: list[str]) -> None:
    """RFC 9112, 3.2: such a request is answered 400; whoever stands before us may have taken the other host for the one meant."""
    head = "".join(f"Host: {one}\r\n" for one in hosts)
    assert answers(world, f"GET /v1/rulebooks HTTP/1.1\r\n{head}Connection: close\r\n\r\n".encode()) == [400]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8600", "[::1]:8600", "water.example", "a_b.example", ""])
def test_hosts_as_they_are_written_are_taken(world: World, host: str) -> None:
    assert answers(world, f"GET /healthz HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode()) == [200]
    # HTTP/1.0 knew no such header.
    assert answers(world, b"GET /healthz HTTP/1.0\r\n\r\n") == [200]


@pytest.mark.parametrize("coding", [b"gzip, chunked", b"deflate,chunked"])
def test_a_transfer_coding_that_is_not_undone_is_refused(world: World, coding: bytes) -> None:
    assert answers(world, post(b"Transfer-Encoding: " + coding, b"Connection: close", body=b"2\r\n{}\r\n0\r\n\r\n")) == [415]


@pytest.mark.parametrize(
    "path",
    ["/v1/utilities/a/reports", "/v1/utilities/a/imports", "/v1/utilities/a/reports/batches", "/healthz", "/v1/receipts/verify"],
)
def test_who_is_refused_cannot_go_on_sending_for_ever(world: World, path: str) -> None:
    """Found by trying: a body without an end was taken, gigabytes of it, from senders without a key."""
    address = urlsplit(world.url)
    sent, chunk = 0, b"10000\r\n" + b"x" * 65_536 + b"\r\n"
    with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
        connection.sendall(
            f"POST {path} HTTP/1.1\r\nHost: x\r\nContent-Type: text/csv\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
        )
        with suppress(ConnectionError):
            while sent < 100_000_000:
                connection.sendall(chunk)
                sent += len(chunk)
    assert sent < 50_000_000


def test_who_sends_first_and_reads_then_finds_its_refusal(world: World) -> None:
    """As long as the body is not beyond all measure, and even if there is another request behind it."""
    address = urlsplit(world.url)
    body = b"x" * 1_000_000
    head = b"POST /v1/utilities/a/reports HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n" % len(body)
    with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
        connection.sendall(head + body + SMUGGLED)
        got = b""
        while got.count(b"HTTP/1.1 ") < 2:
            got += connection.recv(65_536)
    assert [int(status) for status in re.findall(rb"HTTP/1\.1 (\d{3}) ", got)] == [401, 200]


def test_a_body_whose_answer_is_given_is_not_waited_for(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "LATE_SECONDS", 0.5)
    address = urlsplit(world.url)
    with socket.create_connection((address.hostname, address.port), timeout=5) as connection:
        connection.sendall(b"POST /v1/utilities/a/reports HTTP/1.1\r\nHost: x\r\nContent-Length: 900\r\n\r\n")
        assert b" 401 " in connection.recv(65_536)
        began = time.monotonic()
        with suppress(ConnectionError):
            while time.monotonic() - began < 5:
                connection.sendall(b"x")
                time.sleep(0.1)
        assert time.monotonic() - began < 3
