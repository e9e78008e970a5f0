"""Requests that no honest client writes, on the wire: two lengths, two framings, lines that are none. RFC 9112, sections 3, 5, 6 and 11.

What counts is that no body is ever read as the next request: of one request sent there is one answer, or none.
"""

import http.client
import re
import socket
import time
from urllib.parse import urlsplit

import pytest

from service import wire
from tests.conftest import World

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
        "two-lengths", "list-of-lengths", "negative", "signed", "hexadecimal", "length-and-chunked", "chunked-and-length", "unknown-coding",
        "space-before-colon", "chunk-size-none", "chunk-size-negative", "folded-line", "space-in-name", "unknown-version", "nul-in-method",
        "nul-in-value",
    ],
)  # fmt: skip
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
    connection = http.client.HTTPConnection(str(address.hostname), address.port, timeout=5)
    for _ in range(3):
        connection.request("GET", "/healthz")
        assert connection.getresponse().read() == b'{"status":"alive"}'
        time.sleep(0.2)
    connection.close()
