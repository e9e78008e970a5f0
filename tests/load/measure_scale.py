"""How cost grows with the record (goal 4): the same calls asked of a small utility and of a large one by turns, over HTTP."""

import random
import statistics
from collections.abc import Callable
from typing import Any

from tests.load import table
from tests.load.fill import assembly_id
from tests.load.stage import Server, Stage, serving, staged
from tests.load.traffic import drive

SMALL = (10_000, 5)
LARGE = (200_000, 5)
FULL = (1_000_000, 5)
ROUNDS = 5


def _get(stage: Stage, path: str) -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: load\r\nAuthorization: Bearer {stage.key}\r\n\r\n".encode()


def _standing(stage: Stage, code: str) -> Callable[[], bytes]:
    source = random.Random(3)  # noqa: S311 - reproducible on purpose
    return lambda: _get(stage, f"/v1/utilities/{code}/assemblies/{assembly_id(source.randrange(stage.codes[code]))}/standing")


def _p50(server: Server, following: Callable[[], bytes], seconds: float) -> float:
    run = drive(server.port, connections=1, seconds=seconds, following=following, warm=0.3)
    if run.wrong:
        raise RuntimeError(f"wrong answers, such as {run.first_wrong[:1000]!r}")
    return run.p50


def growth(*, full: bool) -> dict[str, Any]:
    """Time in the large utility ÷ time in the small one, for each call."""
    large = FULL if full else LARGE
    with staged() as stage:
        stage.fill("small", assemblies=SMALL[0], years=SMALL[1])
        stage.fill("large", assemblies=large[0], years=large[1])
        calls: dict[str, Callable[[str], Callable[[], bytes]]] = {
            "standing": lambda code: _standing(stage, code),
            "overdue": lambda code: lambda: _get(stage, f"/v1/utilities/{code}/standings?status=overdue&sort=due_on&limit=100"),
            "failed": lambda code: lambda: _get(stage, f"/v1/utilities/{code}/standings?status=failed&limit=100"),
            "feed": lambda code: lambda: _get(stage, f"/v1/utilities/{code}/changes?after=1000&limit=100"),
        }
        with serving(["service", "serve"], {"NONRETURN_DSN": stage.dsn}) as server:
            times: dict[str, list[tuple[float, float]]] = {name: [] for name in calls}
            for _ in range(ROUNDS):
                for name, call in calls.items():
                    times[name].append((_p50(server, call("small"), 1), _p50(server, call("large"), 1)))
    ratios = {name: table.paired([large for _, large in some], [small for small, _ in some]) for name, some in times.items()}
    rows = [
        [name, statistics.median(one for one, _ in some), statistics.median(one for _, one in some), ratios[name]]
        for name, some in times.items()
    ]
    head = ["one connection, p50 ms", f"{SMALL[0]:,} assemblies", f"{large[0]:,} assemblies", "large ÷ small"]
    table.show("How cost grows", head, rows)
    return {f"{name}_growth": ratio for name, ratio in ratios.items()}


def summary() -> dict[str, Any]:
    """Milliseconds for the yearly summary of a utility of 100 k assemblies with 500 k reports."""
    with staged() as stage:
        stage.fill("large", assemblies=100_000, years=5)
        year = stage.clock.now().year - 1
        with serving(["service", "serve"], {"NONRETURN_DSN": stage.dsn}) as server:
            path = f"/v1/utilities/large/summaries/{year}"
            found = statistics.median(_p50(server, lambda: _get(stage, path), 2) for _ in range(ROUNDS))
    table.show("Yearly summary, 100,000 assemblies and 500,000 reports", ["", "ms"], [["one connection, p50", found]])
    return {"summary_ms": found}
