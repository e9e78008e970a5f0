"""A rude caller: one address without a key that keeps connections busy with any body, and opens new ones, as fast as it is let.

It runs in a process of its own, from a loopback address of its own, and is bounded in count and in time.
"""

import asyncio
import json
import socket
import sys
from collections import Counter
from contextlib import suppress

import uvloop

ADDRESS = "127.0.0.2"
BUSY = 64
NEW_PER_SECOND = 2_000
_AT_ONCE = 400
"""So many new connections are being made at a time; one that is not let in within a second is given up."""


def post(path: str, body: bytes, media_type: str = "application/json", more: str = "") -> bytes:
    """A request with that body."""
    head = f"POST {path} HTTP/1.1\r\nHost: rude\r\nContent-Type: {media_type}\r\nContent-Length: {len(body)}\r\n{more}\r\n"
    return head.encode() + body


def bodies() -> dict[str, bytes]:
    """What was found to cost most, and what anyone may ask: requests by name."""
    steps = [
        {
            "label": "x" * 200,
            "supply_pressure": 60 + number % 7 * 10,
            "downstream": ("outlet_open", "backpressure")[number % 2],
            "backpressure": 100,
            "outlet_elevation": -12,
            "demand_flow": 5,
        }
        for number in range(200)
    ]
    operation = json.dumps({"kind": "rp", "units": {"pressure": "psi", "length": "ft", "flow": "gpm"}, "steps": steps}).encode()
    long_name = json.dumps({"n" * 120_000: ["\0"] * 14_000}, separators=(",", ":")).encode()
    nested = json.dumps({"initial_test": [{"a": {"a": {}}}] * 13_000}, separators=(",", ":")).encode()
    test = json.dumps(
        {
            "rulebook": "us-common",
            "performed_at": "2026-05-14T09:20:00-07:00",
            "assembly": {"kind": "pvb", "hazard": "health"},
            "units": {"pressure": "psi"},
            "initial_test": {"readings": [{"component": "check", "closed_tight": True, "held_at": 1.2}]},
        }
    ).encode()
    svg = "Accept: image/svg+xml\r\n"
    return {
        "a long name": post("/v1/rules/verdict", long_name),
        "nested objects": post("/v1/rules/verdict", nested),
        "a test": post("/v1/rules/verdict", test),
        "a drawn test": post("/v1/rules/verdict", test, more=svg),
        "an operation": post("/v1/rules/operation", operation),
        "a drawn operation": post("/v1/rules/operation", operation, more=svg),
        "no JSON": post("/v1/rules/selection", b"[" * 200_000),
        "a key that is none": post(
            "/v1/utilities/load-0/reports", test, more="Authorization: Bearer nonreturn_" + "0" * 32 + "_x\r\n"
        ),
        "a receipt": post("/receipts", b"receipt=" + b"a.b." * 60_000, "application/x-www-form-urlencoded"),
        "a page": b"GET /docs HTTP/1.1\r\nHost: rude\r\n\r\n",
        "the contract": b"GET /openapi.json HTTP/1.1\r\nHost: rude\r\n\r\n",
        "nothing there": b"GET /nothing HTTP/1.1\r\nHost: rude\r\n\r\n",
        "half a head": b"POST /v1/rules/verdict HTTP/1.1\r\nHost: rude\r\nX-Slow: ",
    }


async def _busy(port: int, requests: list[bytes], first: int, until: float, seen: Counter[str]) -> None:
    """One connection after another, each sending its next request when the last was answered."""
    loop = asyncio.get_running_loop()
    turn = first
    while loop.time() < until:
        try:
            reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(ADDRESS, 0))
        except OSError:
            seen["busy: not let in"] += 1
            await asyncio.sleep(0.05)
            continue
        with suppress(OSError, asyncio.IncompleteReadError, TimeoutError, ValueError, IndexError):
            while loop.time() < until:
                writer.write(requests[turn % len(requests)])
                turn += 1
                async with asyncio.timeout(15):
                    head = await reader.readuntil(b"\r\n\r\n")
                    seen[f"busy: {head[9:12].decode()}"] += 1
                    length = head.lower().partition(b"content-length:")[2].split(b"\r\n")[0]
                    await reader.readexactly(int(length))
        writer.close()
        # Whoever is cut off at once tries again, but does not spin.
        await asyncio.sleep(0.01)


async def _new(port: int, requests: list[bytes], until: float, seen: Counter[str]) -> None:
    """New connections at an even rate, each with a request that is not waited for."""
    loop = asyncio.get_running_loop()
    begun, opened, pending = loop.time(), 0, set[asyncio.Task[None]]()

    async def one(turn: int) -> None:
        with socket.socket() as connection:
            connection.settimeout(0)
            try:
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                connection.bind((ADDRESS, 0))
                async with asyncio.timeout(1):
                    await loop.sock_connect(connection, ("127.0.0.1", port))
                    seen["new: connected"] += 1
                    connection.send(requests[turn % len(requests)])
                    await loop.sock_recv(connection, 1000)
            except (OSError, TimeoutError):
                seen["new: cut off"] += 1

    while (now := loop.time()) < until:
        due = int((now - begun) * NEW_PER_SECOND)
        while opened < due and len(pending) < _AT_ONCE:
            task = asyncio.create_task(one(opened))
            pending.add(task)
            task.add_done_callback(pending.discard)
            opened += 1
        # Those that could not be begun in time are not made up for.
        begun = now if opened < due else begun
        opened = 0 if opened < due else opened
        seen["new: begun"] += 0
        await asyncio.sleep(0.002)
    for task in pending:
        task.cancel()


async def _attack(port: int, seconds: float) -> Counter[str]:
    seen: Counter[str] = Counter()
    requests = list(bodies().values())
    until = asyncio.get_running_loop().time() + seconds
    await asyncio.gather(*(_busy(port, requests, first, until, seen) for first in range(BUSY)), _new(port, requests, until, seen))
    return seen


if __name__ == "__main__":
    print(json.dumps(uvloop.run(_attack(int(sys.argv[1]), float(sys.argv[2])))))
