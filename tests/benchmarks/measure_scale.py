"""How cost grows with the record (goal 4): the same calls asked of utilities of different sizes in turn, over HTTP, one connection.

Each size is a database of its own with a service of its own, all in one Postgres with its settings as they come, so that tables and indexes are
as large as reported. Turns are short and shuffled, and a ratio is the median over the rounds, so that whatever else the machine does falls on all.
"""

import asyncio
import random
import statistics
from argparse import Namespace
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

import asyncpg
from msgspec import Struct
from msgspec.structs import replace

from tests.benchmarks import growth_plot
from tests.benchmarks.calls import CALLS, Town, path
from tests.benchmarks.stage import Server, Stage, hosted, serving
from tests.benchmarks.traffic import drive
from tests.support import table

CODE = "town"
YEARS = 5
SIZES = (10_000, 50_000, 200_000)
FULL = (*SIZES, 1_000_000)
SUMMARY = 100_000
ROUNDS = 5
SECONDS, WARM = 0.15, 0.03


class _Served(Struct, frozen=True, kw_only=True):
    """A utility of one size, and the service in front of it."""

    stage: Stage
    server: Server
    town: Town


def _town(stage: Stage, assemblies: int) -> Town:
    async def counted() -> Any:
        connection = await asyncpg.connect(stage.owner_dsn)
        try:
            return await connection.fetchrow("SELECT changes, reports FROM record.utility_log WHERE utility_id = $1", CODE)
        finally:
            await connection.close()

    changes, reports = asyncio.run(counted())
    return Town(code=CODE, assemblies=assemblies, changes=changes, reports=reports, today=stage.clock.now().date())


def _served(stack: ExitStack, stages: dict[int, Stage]) -> dict[int, _Served]:
    return {
        size: _Served(
            stage=stage,
            server=stack.enter_context(serving(["service", "serve"], {"NONRETURN_DSN": stage.dsn})),
            town=_town(stage, size),
        )
        for size, stage in stages.items()
    }


def _staged(postgres: Any, sizes: tuple[int, ...]) -> dict[int, Stage]:
    stages = {}
    for size in sizes:
        stages[size] = Stage(postgres, f"of_{size}")
        stages[size].fill(CODE, assemblies=size, years=YEARS)
    return stages


def _following(one: _Served, name: str, source: random.Random) -> Callable[[], bytes]:
    def next_one() -> bytes:
        return (
            f"GET {path(name, one.town, source)} HTTP/1.1\r\nHost: load\r\nAuthorization: Bearer {one.stage.key}\r\n\r\n".encode()
        )

    return next_one


def _p50(one: _Served, name: str, source: random.Random, seconds: float = SECONDS, warm: float = WARM) -> float:
    run = drive(one.server.port, connections=1, seconds=seconds, following=_following(one, name, source), warm=warm)
    if run.wrong:
        raise RuntimeError(f"wrong answers to {name}, such as {run.first_wrong[:1000]!r}")
    return run.p50


def growth(options: Namespace) -> dict[str, Any]:
    """Time in the largest utility ÷ time in the one of 10 000 assemblies, for each call."""
    sizes = FULL if options.full else SIZES
    source = random.Random(3)  # noqa: S311 - reproducible on purpose
    times: dict[str, dict[int, list[float]]] = {name: {size: [] for size in sizes} for name in CALLS}
    with hosted(options.keep) as postgres, ExitStack() as stack:
        served = _served(stack, _staged(postgres, sizes))
        for round_ in range(1 + ROUNDS):
            for name in source.sample(sorted(CALLS), len(CALLS)):
                for size in source.sample(sizes, len(sizes)):
                    found = _p50(served[size], name, source)
                    # The first round only brings into memory what is asked about.
                    times[name][size] += [found] if round_ else []
    least = sizes[0]
    grown = {name: {size: table.paired(some[size], some[least]) for size in sizes} for name, some in times.items()}
    rows = [
        [CALLS[name].title, *(statistics.median(times[name][size]) for size in sizes), *(grown[name][size] for size in sizes[1:])]
        for name in CALLS
    ]
    head = ["one connection, p50 ms", *(f"{size:,}" for size in sizes), *(f"× at {size:,}" for size in sizes[1:])]
    table.show("How cost grows with the assemblies of a utility, five reports each", head, rows)
    if options.plot is not None:
        growth_plot.publish(options.plot, sizes, {CALLS[name].title: grown[name] for name in CALLS}, table.markdown(head, rows))
    return {f"{name}_growth": some[sizes[-1]] for name, some in grown.items()}


def summary(options: Namespace) -> dict[str, Any]:
    """Milliseconds for the summary of the running year of a utility of 100 k assemblies with 500 k reports; beside it, once, of the year before.

    Of a past year, who was overdue at its end is worked out again from what was known then, which takes longer.
    """
    source = random.Random(3)  # noqa: S311 - reproducible on purpose
    with hosted(options.keep) as postgres, ExitStack() as stack:
        one = _served(stack, _staged(postgres, (SUMMARY,)))[SUMMARY]
        before = replace(one, town=replace(one.town, today=one.town.today.replace(year=one.town.today.year - 1, day=1)))
        past = _p50(before, "summary", source, seconds=0, warm=0)
        found = statistics.median(_p50(one, "summary", source, seconds=2, warm=0.3) for _ in range(ROUNDS))
    rows = [["running year, p50 of one connection", found], ["the year before, asked once", past]]
    table.show("Yearly summary, 100,000 assemblies and 500,000 reports", ["", "ms"], rows)
    return {"summary_ms": found, "summary_past_ms": past}
