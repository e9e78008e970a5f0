"""One durable report through the whole path (goal 1): the service, its peers, and pgbench as the limit, on one database in turn.

Two settings, since they favour different designs: all reports for one utility, whose log is numbered under a lock, so that whoever commits
each report by itself waits for every commit before it; and reports for many utilities, where that lock is hardly waited for and few
reports come together.
"""

import random
import statistics
from contextlib import ExitStack
from typing import Any

from tests.benchmarks.peers import pgbench
from tests.benchmarks.stage import WORKERS, Server, Stage, serving, staged
from tests.benchmarks.traffic import Run, drive
from tests.support import fill, table

PEERS = {
    "orm": "FastAPI + Pydantic + SQLAlchemy ORM",
    "fastapi_asyncpg": "FastAPI + Pydantic + asyncpg",
    "litestar_asyncpg": "Litestar + asyncpg pool",
}
US, LIMIT = "us", "pgbench"
NAMES = {**PEERS, US: "the service", LIMIT: "pgbench, one statement (limit)"}
CONNECTIONS = (16, 64)
ASSEMBLIES = 20_000
MANY = 16


def measure(*, rounds: int, seconds: float) -> dict[str, Any]:
    """The ratios, by their names in the answer."""
    found: dict[str, Any] = {}
    for utilities in (1, MANY):
        with staged() as stage, ExitStack() as running:
            for n in range(utilities):
                stage.fill(f"load-{n}", assemblies=ASSEMBLIES // utilities, years=2)
            servers = {
                US: running.enter_context(serving(["service", "serve", "--workers", str(WORKERS)], {"NONRETURN_DSN": stage.dsn}))
            }
            for name in PEERS:
                arguments = ["uvicorn", f"tests.benchmarks.peers.{name}:app", "--workers", str(WORKERS), "--no-access-log"]
                servers[name] = running.enter_context(serving(arguments, {"NONRETURN_DSN": stage.dsn}))
            runs = _by_turns(stage, servers, rounds, seconds)
            memory = servers[US].memory()
        found |= _reported(runs, utilities, memory)
    return found


def _by_turns(stage: Stage, servers: dict[str, Server], rounds: int, seconds: float) -> dict[tuple[str, int], list[Run]]:
    source = random.Random(7)  # noqa: S311 - reproducible on purpose
    runs: dict[tuple[str, int], list[Run]] = {(name, connections): [] for name in NAMES for connections in CONNECTIONS}
    requests = stage.puts(4_000, 1).__next__
    scripts = {code: pgbench.script(code, count, *fill.sample(stage.clock.now())) for code, count in stage.codes.items()}
    for server in servers.values():
        drive(server.port, connections=8, seconds=1, following=requests)
    for _ in range(rounds):
        turns = list(runs)
        source.shuffle(turns)
        for name, connections in turns:
            if name == LIMIT:
                rate = pgbench.rate(
                    stage.postgres.programs, stage.postgres.socket_directory, scripts, connections=connections, seconds=seconds
                )
                run = Run(rate=rate, p50=0, p99=0, wrong=0)
            else:
                run = drive(servers[name].port, connections=connections, seconds=seconds, following=requests)
            if run.wrong:
                raise RuntimeError(f"{NAMES[name]}: {run.wrong} wrong answers, such as {run.first_wrong[:2000]!r}")
            runs[name, connections].append(run)
    return runs


def _reported(runs: dict[tuple[str, int], list[Run]], utilities: int, memory: float) -> dict[str, Any]:
    def ours(connections: int, other: str) -> float:
        return table.paired([one.rate for one in runs[US, connections]], [one.rate for one in runs[other, connections]])

    rows: list[list[object]] = []
    for name, label in NAMES.items():
        row: list[object] = [label]
        for connections in CONNECTIONS:
            some = runs[name, connections]
            row.append(statistics.median(one.rate for one in some))
            times = (
                ""
                if name == LIMIT
                else f"{statistics.median(one.p50 for one in some):.1f} / {statistics.median(one.p99 for one in some):.1f}"
            )
            row += [times, ours(connections, name)]
        rows.append(row)
    head = ["", *(one for c in CONNECTIONS for one in (f"{c} conn: reports/s", "p50 / p99 ms", "us ÷ it"))]
    table.show(
        f"One durable report each, {WORKERS} workers, closed loop, {utilities} {'utility' if utilities == 1 else 'utilities'}",
        head,
        rows,
    )
    few, many = CONNECTIONS
    ends = "" if utilities == 1 else "_many_utilities"
    spread = statistics.median(one.p99 / one.p50 for one in runs[US, many])
    return {
        f"report_vs_orm_peer{ends}": ours(many, "orm"),
        f"report_vs_orm_peer_16{ends}": ours(few, "orm"),
        f"report_vs_asyncpg_peer{ends}": ours(many, "fastapi_asyncpg"),
        f"report_vs_litestar_peer{ends}": ours(many, "litestar_asyncpg"),
        f"report_vs_pgbench{ends}": ours(many, LIMIT),
        f"report_p99_over_p50{ends}": spread,
        "worker_mb": memory,
    }
