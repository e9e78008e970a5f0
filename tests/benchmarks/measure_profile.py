"""Where a report's time goes, as times of the processor, so that waiting counts for nothing; read them as shares.

A line of a batch: in the service, in Postgres, and for COPY. The two statements, by how many reports share one. The steps in Python.
"""

import asyncio
import datetime as dt
import random
import statistics
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any
from uuid import UUID, uuid4

import msgspec
import psutil

from service.auth.access import Principal
from service.db.pool import Pool
from service.http import documents as decoding
from service.record.reports.batches_api import BatchLine
from service.record.reports.group import Group
from service.record.reports.judging import Judged, judge
from service.record.reports.rows import StandingRow
from service.record.reports.schemas import Submission
from service.record.reports.store import ReportSession
from tests.benchmarks.measure_batches import CONNECTIONS, LINES, _post, _rows
from tests.benchmarks.peers import copy
from tests.benchmarks.stage import WORKERS, Stage, serving, staged
from tests.support import fill, table

TOGETHER = (1, 4, 64, 256)
REPORTS = 4_096
"""So many reports are written for each size of group, but no more than 300 groups."""


def measure(*, rounds: int) -> dict[str, Any]:
    """Print the tables; nothing of it is a ratio to be quoted."""
    with staged() as stage:
        for n in range(CONNECTIONS):
            stage.fill(f"load-{n}", assemblies=10_000, years=1)
        _show_batches(stage, rounds)
        rows = []
        for together in TOGETHER:
            gather, record = asyncio.run(_statements(stage, together))
            rows.append([f"{together} together", gather, record])
        table.show("Postgres, µs of processor a report, by how many share the two statements", ["", "gather", "record"], rows)
        _show_steps(stage)
    return {}


def _spent(pid: int) -> float:
    """The processor time of a process and its children so far, those that have ended too, in seconds."""
    root = psutil.Process(pid)
    times = root.cpu_times()
    total = times.user + times.system + times.children_user + times.children_system
    for one in root.children(recursive=True):
        with suppress(psutil.NoSuchProcess):
            times = one.cpu_times()
            total += times.user + times.system
    return float(total)


def _show_batches(stage: Stage, rounds: int) -> None:
    lines = LINES * CONNECTIONS
    with serving(["service", "serve", "--workers", str(WORKERS)], {"NONRETURN_DSN": stage.dsn}) as server:
        _post(stage, server, 500)
        copied = [_rows(stage) for _ in range(rounds)]
        turns: dict[str, Callable[[int], float]] = {
            "NDJSON over HTTP": lambda _: _post(stage, server, LINES),
            "asyncpg COPY": lambda n: copy.rate(stage.owner_dsn, copied[n]),
        }
        seen: dict[str, list[list[float]]] = {name: [] for name in turns}
        for n in range(rounds):
            for name, act in turns.items():
                before = [_spent(pid) for pid in (server.process.pid, stage.postgres.pid)]
                rate = act(n)
                after = [_spent(pid) for pid in (server.process.pid, stage.postgres.pid)]
                seen[name].append([rate, *((now - then) / lines * 1e6 for now, then in zip(after, before, strict=True))])
    rows: list[list[object]] = [[name, *map(statistics.median, zip(*some, strict=True))] for name, some in seen.items()]
    table.show("A line of a batch, µs of processor", ["", "lines/s", "service", "Postgres"], rows)


def _submissions(stage: Stage, count: int, source: random.Random) -> list[Submission]:
    who = Principal(key_id=uuid4(), organisation_id=uuid4(), kind="operator", rights=frozenset(), utilities=frozenset())
    now = stage.clock.now()
    lines = [msgspec.json.encode({"id": str(uuid4()), **stage.report("load-0", source)}) for _ in range(count)]
    listed = [decoding.decode(BatchLine, line) for line in lines]
    return [Submission(id=one.id, facts=one, principal=who, received_at=now) for one in listed if isinstance(one.id, UUID)]


async def _statements(stage: Stage, together: int) -> tuple[float, float]:
    """µs of processor a report that reading and writing take in the session's own process."""
    source, utility = random.Random(together), fill.utility_of("load-0", stage.clock.now())  # noqa: S311 - reproducible on purpose
    pool = await Pool.open(stage.dsn, size=1, repeating=True)
    groups = min(300, REPORTS // together)
    reading = writing = 0.0
    async with pool.lend("load-0") as connection:
        session, process = ReportSession(connection, "load-0"), psutil.Process(connection.get_server_pid())

        def spent() -> float:
            times = process.cpu_times()
            return float(times.user + times.system)

        for n in range(groups + 3):
            some = _submissions(stage, together, source)
            at = spent()
            gathered = await session.gather(some)
            read = spent()
            judged = [judge(utility, one, known) for one, known in zip(some, gathered.facts, strict=True)]
            group = _worked_out(utility, stage.clock.now(), judged)
            begun = spent()
            await session.record(group.rows, [], list(group.standings.values()), seen=gathered.changes)
            if n >= 3:
                reading, writing = reading + read - at, writing + spent() - begun
    await pool.close()
    return reading / groups / together * 1e6, writing / groups / together * 1e6


def _worked_out(utility: Any, now: dt.datetime, judged: Sequence[Judged]) -> Group:
    group = Group(utility, now, [], [])
    for one in judged:
        group.know(one)
    for one in judged:
        group.add(one)
    group.finish()
    return group


def _show_steps(stage: Stage) -> None:
    """µs of processor a line for each step in Python, over a group."""
    now, source = stage.clock.now(), random.Random(1)  # noqa: S311 - reproducible on purpose
    utility, many = fill.utility_of("load-0", now), 256
    lines = [msgspec.json.encode({"id": str(uuid4()), **stage.report("load-0", source)}) for _ in range(many)]
    some = _submissions(stage, many, source)

    async def facts() -> Any:
        pool = await Pool.open(stage.dsn, size=1, repeating=True)
        async with pool.lend("load-0") as connection:
            gathered = await ReportSession(connection, "load-0").gather(some)
        await pool.close()
        return gathered.facts

    known = asyncio.run(facts())
    judged = [judge(utility, one, result) for one, result in zip(some, known, strict=True)]
    standings: list[StandingRow] = list(_worked_out(utility, now, judged).standings.values())
    steps: dict[str, Callable[[], object]] = {
        "reading the line": lambda: [decoding.decode(BatchLine, line) for line in lines],
        "judging, and the row with its hashes": lambda: [
            judge(utility, one, result) for one, result in zip(some, known, strict=True)
        ],
        "standing, answer, and what the next report rests on": lambda: _worked_out(utility, now, judged),
    }
    rows = []
    for name, act in steps.items():
        times = []
        for _ in range(9):
            at = time.process_time()
            act()
            times.append(time.process_time() - at)
        rows.append([name, sorted(times)[4] / many * 1e6])
    table.show(f"Python, µs of processor a line ({len(standings)} assemblies)", ["", "µs"], rows)
