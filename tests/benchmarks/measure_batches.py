"""NDJSON batches over HTTP (goal 2): lines a second on two connections beside asyncpg COPY of the same rows on two; memory at two sizes."""

import asyncio
import random
import re
import statistics
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

import msgspec
from msgspec.structs import replace

from service.record.reports.rows import ReportRow, StandingRow
from tests.benchmarks.peers import copy
from tests.benchmarks.stage import WORKERS, Server, Stage, serving, staged
from tests.support import fill, invented, table

_FRAME = re.compile(rb"\r\n[0-9a-f]+\r\n")
CONNECTIONS = 2
LINES = 3_000
"""Lines of a batch, and reports that a connection COPYs, in one turn."""
TIMES_LARGER = 5


def measure(*, rounds: int) -> dict[str, Any]:
    """Our rate ÷ COPY's, and the largest worker's memory while batches of two sizes are taken in."""
    source = random.Random(5)  # noqa: S311 - reproducible on purpose
    with staged() as stage:
        for n in range(CONNECTIONS):
            stage.fill(f"load-{n}", assemblies=10_000, years=1)
        ours, theirs = [], []
        with serving(["service", "serve", "--workers", str(WORKERS)], {"NONRETURN_DSN": stage.dsn}) as server:
            _post(stage, server, 500)
            for _ in range(rounds):
                turns = [
                    lambda: ours.append(_post(stage, server, LINES)),
                    lambda: theirs.append(copy.rate(stage.owner_dsn, _rows(stage))),
                ]
                source.shuffle(turns)
                for turn in turns:
                    turn()
            with _watched(server) as small:
                _post(stage, server, LINES)
            with _watched(server) as large:
                _post(stage, server, LINES * TIMES_LARGER)
    ratio = table.paired(ours, theirs)
    head = ["", "reports/s", "us ÷ it"]
    rows: list[list[object]] = [
        [f"asyncpg COPY, {CONNECTIONS} connections (limit)", statistics.median(theirs), ratio],
        [f"NDJSON over HTTP, {CONNECTIONS} connections", statistics.median(ours), 1.0],
    ]
    table.show("Batches", head, rows)
    sizes = [[f"{LINES:,} lines a batch", max(small)], [f"{LINES * TIMES_LARGER:,} lines a batch", max(large)]]
    table.show("Memory of the largest worker", ["", "MB"], sizes)
    return {"batch_vs_copy": ratio, "batch_peak_mb": max(large), "batch_peak_growth": max(large) / max(small)}


def _rows(stage: Stage) -> dict[str, list[tuple[ReportRow, StandingRow]]]:
    row, standing = fill.sample(stage.clock.now())
    numbers = random.Random(6)  # noqa: S311 - reproducible on purpose
    found = {}
    for code, count in stage.codes.items():
        ids = [invented.assembly_id(numbers.randrange(count)) for _ in range(LINES)]
        found[code] = [(replace(row, id=uuid4(), assembly_id=one), replace(standing, assembly_id=one)) for one in ids]
    return found


def _post(stage: Stage, server: Server, lines: int) -> float:
    """Lines a second, a batch a connection, each for a utility of its own."""
    source = random.Random(9)  # noqa: S311 - reproducible on purpose
    bodies = {
        code: b"\n".join(msgspec.json.encode({"id": str(uuid4()), **stage.report(code, source)}) for _ in range(lines))
        for code in stage.codes
    }

    async def all_of_them() -> float:
        begun = time.perf_counter()
        await asyncio.gather(*(_batch(stage, server.port, code, body, lines) for code, body in bodies.items()))
        return lines * len(bodies) / (time.perf_counter() - begun)

    return asyncio.run(all_of_them())


async def _batch(stage: Stage, port: int, code: str, body: bytes, lines: int) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(
        f"POST /v1/utilities/{code}/reports/batches HTTP/1.1\r\nHost: load\r\nAuthorization: Bearer {stage.key}\r\nConnection: close\r\n"
        f"Content-Type: application/x-ndjson\r\nContent-Length: {len(body)}\r\n\r\n".encode()
    )

    async def send() -> None:
        for start in range(0, len(body), 65_536):
            writer.write(body[start : start + 65_536])
            await writer.drain()

    sending = asyncio.create_task(send())
    pieces = []
    while piece := await reader.read(262_144):
        pieces.append(piece)
    await sending
    writer.close()
    # The answer's chunks are framed anywhere, so the frames go before anything is counted.
    result = _FRAME.sub(b"", b"".join(pieces))
    good = result.count(b',"status":201,')
    if good != lines:
        raise RuntimeError(f"{good} of {lines} lines were recorded; the answer ended with {result[-1000:]!r}")


@contextmanager
def _watched(server: Server) -> Iterator[list[float]]:
    """The memory of the server's largest process, looked at every 50 ms."""
    seen: list[float] = [server.memory()]
    over = threading.Event()

    def look() -> None:
        while not over.wait(0.05):
            seen.append(server.memory())

    watcher = threading.Thread(target=look)
    watcher.start()
    try:
        yield seen
    finally:
        over.set()
        watcher.join()
