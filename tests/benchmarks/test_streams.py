"""What streams in must not gather in memory: an import of 100 000 rows, and a batch of 200 000 lines whose sender reads last.

The server is a process of its own; its largest resident memory is watched while it works. Each is tried small first: a server that held
what it is sent would grow tenfold with it. `python -m pytest -m load -s tests/benchmarks/test_streams.py` prints what was measured.
"""

import http.client
import json
import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

import pytest

from service.auth.access import RIGHTS_OF, mint
from tests.benchmarks.stage import Server, Stage, serving, staged

ROWS = 100_000
LINES = 200_000
TIMES_SMALLER = 10
# How much more memory the large turn may take than the small one, MB: what caches and the allocator add, and no file's worth.
MAY_GROW = 48.0


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    """A database with a utility of 20 000 assemblies."""
    with staged() as made:
        made.fill("load-0", assemblies=20_000, years=0)
        yield made


@pytest.fixture(scope="module")
def server(stage: Stage) -> Iterator[Server]:
    """One server process."""
    with serving(["service", "serve"], {"NONRETURN_DSN": stage.dsn, "NONRETURN_RATE": "0"}) as started:
        yield started


@contextmanager
def watched(server: Server) -> Iterator[list[float]]:
    """The server's memory, MB, looked at twenty times a second."""
    seen: list[float] = [server.memory()]
    done = threading.Event()

    def watch() -> None:
        while not done.wait(0.05):
            seen.append(server.memory())

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield seen
    finally:
        done.set()
        thread.join()


def sheet(first: int, rows: int) -> Iterator[bytes]:
    """CSV in pieces: premises, an assembly and a test a row."""
    yield (
        b"Account,Name,Address,Connection,Serial,Type,Hazard,Purpose,Size (in),Test date,Reason,Tester cert,Gauge,Line pressure (psi),"
        b"SOV 1,SOV 2,CV (psi),AI (psi),AI opened fully\n"
    )
    source = random.Random(first)  # noqa: S311 - reproducible on purpose
    for start in range(first, first + rows, 500):
        yield b"".join(
            f"C-{n},Place {n},{n} Sluice Lane,irrigation,IM-{n},PVB,health,isolation,1,2026-0{1 + n % 9}-{1 + n % 28:02}T{8 + n % 9:02}:00-07:00,annual,"
            f"T-load,G-load,{source.randrange(50, 80)},tight,tight,{source.uniform(1.2, 2.4):.1f},{source.uniform(1.2, 2.4):.1f},Y\n".encode()
            for n in range(start, min(start + 500, first + rows))
        )


def ask(server: Server, path: str, key: str, body: Iterator[bytes], headers: dict[str, str]) -> Iterator[bytes]:
    """The lines of the answer; everything is sent before any of it is read."""
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=3600)
    connection.request("POST", path, body=body, headers={"Authorization": f"Bearer {key}", **headers}, encode_chunked=True)
    answer = connection.getresponse()
    assert answer.status == 200, answer.read()
    yield from answer
    connection.close()


def load(server: Server, key: str, first: int, rows: int) -> dict[str, Any]:
    headers = {"Content-Type": "text/csv", "Accept": "application/x-ndjson", "Transfer-Encoding": "chunked"}
    last = b""
    for last in ask(server, "/v1/utilities/load-0/imports?dry_run=false", key, sheet(first, rows), headers):
        assert not last.startswith(b'{"problem"'), last
    return dict(json.loads(last)["run"])


async def _key(stage: Stage) -> str:
    organisation, key_id, now = stage.clock.new_id(), stage.clock.new_id(), stage.clock.now()
    key, secret_hash = mint(key_id)
    await stage.execute("INSERT INTO access.organisation VALUES ($1, 'utility', 'Water', $2)", organisation, now)
    await stage.execute("INSERT INTO access.utility_grant VALUES ('load-0', $1, now())", organisation)
    await stage.execute(
        "INSERT INTO access.key (key_id, organisation_id, label, secret_hash, rights, created_at) VALUES ($1, $2, 'load', $3, $4, $5)",
        key_id,
        organisation,
        secret_hash,
        sorted(RIGHTS_OF["utility"]),
        now,
    )
    await stage.execute(
        "INSERT INTO record.tester (utility_id, id, version, created_at, changed_at, name, certificates) VALUES ('load-0', $1, 1, now(), now(), 'T', $2)",
        stage.clock.new_id(),
        '[{"certificate": "T-load", "kinds": ["pvb"], "valid_from": "2025-01-01", "valid_until": "2028-01-01"}]',
    )
    await stage.execute(
        "INSERT INTO record.gauge (utility_id, id, version, created_at, changed_at, serial_number, units, accuracy, resolution, calibrations) "
        "VALUES ('load-0', $1, 1, now(), now(), 'G-load', '{\"pressure\": \"psi\"}', 0.2, 0.1, '[{\"calibrated_on\": \"2025-12-01\"}]')",
        stage.clock.new_id(),
    )
    return key


async def test_an_import_of_100_000_rows_is_taken_in_flat_memory_and_again_changes_nothing(stage: Stage, server: Server) -> None:
    key = await _key(stage)
    with watched(server) as small:
        load(server, key, 1_000_000, ROWS // TIMES_SMALLER)
    start = time.perf_counter()
    with watched(server) as large:
        run = load(server, key, 0, ROWS)
    seconds = time.perf_counter() - start
    for thing in ("premises", "assemblies", "reports"):
        assert run["counts"][thing] == {"new": ROWS, "changed": 0, "same": 0, "bad": 0}
    start = time.perf_counter()
    again = load(server, key, 0, ROWS)
    assert again["counts"]["reports"] == {"new": 0, "changed": 0, "same": ROWS, "bad": 0}
    print(
        f"\nimport: {ROWS / seconds:.0f} rows/s written, {ROWS / (time.perf_counter() - start):.0f} rows/s found the same; "
        f"largest memory {max(small):.0f} MB with {ROWS // TIMES_SMALLER} rows, {max(large):.0f} MB with {ROWS}"
    )
    assert max(large) - max(small) < MAY_GROW
    assert seconds < 3600


def lines(stage: Stage, first: int, count: int) -> Iterator[bytes]:
    """NDJSON in pieces; the same numbers make the same lines under the same ids."""
    for start in range(first, first + count, 200):
        pieces = []
        for n in range(start, min(start + 200, first + count)):
            source = random.Random(n)  # noqa: S311 - reproducible on purpose
            report = stage.report("load-0", source) | {"id": str(UUID(int=source.getrandbits(128), version=4))}
            report["performed_at"] = f"2026-0{1 + n % 9}-{1 + n % 28:02}T{8 + n % 9:02}:{n % 60:02}:00Z"
            pieces.append(json.dumps(report).encode() + b"\n")
        yield b"".join(pieces)


def batch(stage: Stage, server: Server, first: int, count: int, status: int) -> None:
    headers = {"Content-Type": "application/x-ndjson", "Transfer-Encoding": "chunked"}
    result = 0
    for result, line in enumerate(
        ask(server, "/v1/utilities/load-0/reports/batches", stage.key, lines(stage, first, count), headers), start=1
    ):
        assert line.startswith(f'{{"line":{result},"status":{status},'.encode()), line
    assert result == count


def test_a_batch_of_200_000_lines_is_taken_in_flat_memory_and_sent_again_changes_nothing(stage: Stage, server: Server) -> None:
    with watched(server) as small:
        batch(stage, server, 1_000_000, LINES // TIMES_SMALLER, 201)
    start = time.perf_counter()
    with watched(server) as large:
        batch(stage, server, 0, LINES, 201)
    seconds = time.perf_counter() - start
    with watched(server) as again:
        batch(stage, server, 0, LINES // TIMES_SMALLER, 200)
    print(
        f"\nbatch: {LINES / seconds:.0f} lines/s; largest memory {max(small):.0f} MB with {LINES // TIMES_SMALLER} lines, {max(large):.0f} MB with {LINES}, "
        f"{max(again):.0f} MB sent again"
    )
    assert max(large) - max(small) < MAY_GROW
    assert max(again) - max(small) < MAY_GROW
