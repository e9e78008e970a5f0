"""`cost`: looks for the slowest, the largest and the hungriest answer to a body within the limit, over every published call that takes one.

Hypothesis makes the bodies (`costly.py` says from what), with time, memory and size as its targets, call by call, until the minutes are
over. What cost most is shown beside a plain verdict of the same run, and its bodies are written down, from which the test takes the worst ten.
"""

import argparse
import random
import tempfile
import time
from pathlib import Path

import msgspec
from hypothesis import HealthCheck, Phase, given, seed, settings, strategies, target

from tests.fuzzing.costly import CALLS, CHANGES, Cost, Recipe, cost, kept, made, plain
from tests.mutation.kept import commit, keep
from tests.support.table import show

TURN = 60
"""So many bodies of a call are tried before the next call has its turn."""
WORST = 10


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of this command."""
    parser.add_argument("--minutes", type=float, default=60, help="for how long (default 60)")
    parser.add_argument("--seed", type=int, default=1, help="where chance begins (default 1)")
    parser.add_argument("--call", action="append", choices=CALLS, help="only this one; may be given again")
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "nonreturn-strength", help="where the worst are kept"
    )


def run(options: argparse.Namespace) -> int:
    """Search; 0 however much was found: what is too much the test of the worst ten says."""
    commit()
    until = time.monotonic() + options.minutes * 60
    unit = plain()
    found: dict[str, tuple[Recipe, Cost]] = {}
    tried = turn = 0
    while time.monotonic() < until:
        for call in options.call or CALLS:
            tried += _search(call, options.seed + turn, until, found)
            if time.monotonic() >= until:
                break
        turn += 1
        _write(options.folder, found)
    by_time = sorted(found.items(), key=lambda item: item[1][1].ms, reverse=True)
    rows = [[name, taken.ms, taken.ms / unit, taken.mb, taken.kb] for name, (_, taken) in by_time[: 3 * WORST]]
    show(f"Dearest answers; a plain verdict takes {unit:.2f} ms", ["call, most of", "ms", "× plain", "MB", "kB sent"], rows)
    print(f"{tried:,} bodies of {len(options.call or CALLS)} calls, seed {options.seed}.")
    keep(
        options.folder / "cost.json",
        seed=options.seed,
        bodies=tried,
        plain_ms=unit,
        worst=rows,
    )
    return 0


def _search(call: str, chance: int, until: float, found: dict[str, tuple[Recipe, Cost]]) -> int:
    changes = strategies.lists(
        strategies.tuples(strategies.integers(0, len(CHANGES) - 1), strategies.integers(0, 60), strategies.integers(0, 1000)),
        min_size=1,
        max_size=5,
    )
    tried = 0

    @seed(random.Random(f"{call} {chance}").getrandbits(32))  # noqa: S311 - chance that can be had again
    @settings(
        max_examples=TURN,
        database=None,
        deadline=None,
        phases=(Phase.generate, Phase.target),
        suppress_health_check=list(HealthCheck),
    )
    @given(first=strategies.integers(0, 5), changes=changes)
    def tries(first: int, changes: list[tuple[int, int, int]]) -> None:
        nonlocal tried
        if time.monotonic() >= until:
            return
        tried += 1
        recipe = Recipe(call=call, seed=first, changes=changes)
        taken = cost(call, made(recipe))
        target(taken.ms, label="ms")
        target(taken.mb, label="MB")
        target(taken.kb, label="kB")
        for measure in ("ms", "mb", "kb"):
            name = f"{call}, {measure}"
            if name not in found or getattr(taken, measure) > getattr(found[name][1], measure):
                found[name] = recipe, taken

    tries()
    return tried


def _write(folder: Path, found: dict[str, tuple[Recipe, Cost]]) -> None:
    """The bodies, those that took longest first, as one JSON object a line."""
    folder.mkdir(parents=True, exist_ok=True)
    ordered = sorted(found.values(), key=lambda each: each[1].ms, reverse=True)
    lines = [msgspec.json.encode(kept(recipe.call, made(recipe), taken)) for recipe, taken in ordered]
    (folder / "costly.jsonl").write_bytes(b"\n".join(lines) + b"\n")
