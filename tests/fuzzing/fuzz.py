"""`fuzz`: hands the parsers of the service a million inputs, most of them broken, and counts what comes of it.

Inputs are made from small good ones: a JSON document loses, doubles or changes members, bytes are flipped, moved and cut. With atheris
(Linux) an input that reaches code not reached before is kept and changed further; without it, or with `--plain`, kept are those that
end in an outcome not seen before. A crash, an answer that does not hold, or an input that takes seconds is a finding: it is reported once
for each place in the code, and its input is kept. The same seed gives the same inputs where nothing else differs. What was run is written
down beside the findings: inputs per target, seed, commit.
"""

import argparse
import contextlib
import faulthandler
import importlib
import json
import os
import random
import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.mutation.kept import commit, keep
from tests.support.table import show

try:
    import atheris
except ImportError:
    # Its wheels are for Linux; elsewhere chance goes without a guide.
    atheris = None

WORST_S = 5
MEMORY_MB = 4096
_LONGEST = 20_000
_ODD: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    1.0,
    0.5,
    -0.0,
    1e308,
    -1e308,
    1e-320,
    2**53 + 1,
    2**63,
    10**400,
    "",
    "\0",
    "1",
    "é",
    "\ud7ff",
    "𝒳",
    "psi",
    "in",
    "kPa",
    "2024-02-29",
    "2023-02-29",
    "0001-01-01",
    "9999-12-31",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-12:00",
    "2026-05-14T09:20:00-07:00",
    "2026-05-14T09:20:00",
    "check",
    "check_1",
    "check_2",
    "relief_valve",
    "air_inlet",
    "bypass",
    "rp",
    "rpda",
    "dc",
    "dcda",
    "pvb",
    "svb",
    "avb",
    "air_gap",
    "us-wa",
    "us-ut",
    "eu",
    "ca-bc",
    "health",
    "severe",
    "non_health",
    "leaking",
    "not_checked",
    [],
    {},
    [[]],
    {"units": {}},
    {"pressure": "bar"},
    "x" * 5_000,
    "&<>\"'",
    "\u202e",
    "stuck_open",
    "stuck_closed",
    "sound",
    0.1,
    2,
    3,
    14.7,
    62,
    150.5,
)


def arguments(made: argparse.ArgumentParser) -> None:
    """The options of this command."""
    made.add_argument("--inputs", type=int, default=1_000_000, help="how many in all (default 1000000)")
    made.add_argument("--seed", type=int, default=1, help="where chance begins (default 1)")
    made.add_argument("--target", action="append", help="only this one; may be given again")
    made.add_argument("--plain", action="store_true", help="without atheris")
    made.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "nonreturn-strength", help="where findings are kept"
    )


def run(options: argparse.Namespace) -> int:
    """Fuzz every target in a process of its own; 0 where nothing was found."""
    commit()
    guided = not options.plain and atheris is not None
    with (
        atheris.instrument_imports(include=["rules", "service"], enable_loader_override=False)
        if guided
        else contextlib.nullcontext()
    ):
        targets = importlib.import_module("tests.fuzzing.targets").TARGETS
    chosen = {name: targets[name] for name in options.target or targets}
    shares = sum(target.share for target in chosen.values())
    rows, reported_of, found = [], {}, 0
    for name, target in chosen.items():
        folder = options.folder / "fuzz" / name
        folder.mkdir(parents=True, exist_ok=True)
        count = -(-options.inputs * target.share // shares)
        answered = folder / "stated.json"
        answered.unlink(missing_ok=True)
        child = os.fork()
        if not child:
            _one(target, count, options.seed, folder, guided=guided)
        _, status = os.waitpid(child, 0)
        if not answered.exists():
            print(
                f"{name}: ended by itself with {os.waitstatus_to_exitcode(status)} (hang, memory, or a crash of the interpreter)"
            )
            found += 1
            continue
        result = json.loads(answered.read_text())
        for place, trace in result["findings"].items():
            print(f"{name}: {place}\n{trace}")
        found += len(result["findings"])
        reported_of[name] = {**result, "findings": sorted(result["findings"])}
        rows.append(
            [
                name,
                result["inputs"],
                result["taken"],
                result["refused"],
                len(result["findings"]),
                result["inputs"] / result["seconds"],
                result["worst"] * 1000,
            ]
        )
    how = "guided by coverage" if guided else "plainly"
    title = f"Fuzzed {how}, seed {options.seed}, commit {commit()} (findings in {options.folder / 'fuzz'})"
    show(title, ["target", "inputs", "taken", "refused", "findings", "inputs/s", "slowest, ms"], rows)
    inputs = sum(one["inputs"] for one in reported_of.values())
    print(f"{inputs:,} inputs, {found} findings.")
    keep(options.folder / "fuzz.json", seed=options.seed, how=how, inputs=inputs, findings=found, targets=reported_of)
    return min(found, 1)


class Trial:
    """Hands inputs to one target until so many were, and keeps count."""

    def __init__(self, target: Any, count: int, folder: Path) -> None:
        self.target = target
        self.count = count
        self.folder = folder
        self.inputs = self.taken = self.refused = 0
        self.worst = 0.0
        self.findings: dict[str, str] = {}
        self.outcomes: set[str] = set()
        self.started = time.monotonic()

    def __call__(self, data: bytes) -> bool:
        """Try one; whether its outcome is a new one."""
        if self.inputs >= self.count:
            self.end()
        self.inputs += 1
        started = time.process_time()
        outcome = "taken"
        try:
            self.target.does(data)
            self.taken += 1
        except self.target.refusals as error:
            self.refused += 1
            outcome = str(error)[:40]
        except Exception as error:  # noqa: BLE001 - whatever it is, it is what was looked for
            outcome = self._found(error, data)
        self.worst = max(self.worst, spent := time.process_time() - started)
        if spent > WORST_S:
            self._kept(f"took more than {WORST_S} s", f"{spent:.1f} s", data)
        new = outcome not in self.outcomes
        self.outcomes.add(outcome)
        return new

    def _found(self, error: Exception, data: bytes) -> str:
        last = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}"
        self._kept(place, "".join(traceback.format_exception(error)[-6:]), data)
        return place

    def _kept(self, place: str, trace: str, data: bytes) -> None:
        if place not in self.findings:
            self.findings[place] = trace
            (self.folder / f"finding-{len(self.findings)}").write_bytes(data)

    def end(self) -> None:
        """Report what came of it, and end this process."""
        facts = {
            "inputs": self.inputs,
            "taken": self.taken,
            "refused": self.refused,
            "findings": self.findings,
            "worst": self.worst,
            "seconds": time.monotonic() - self.started,
        }
        (self.folder / "stated.json").write_text(json.dumps(facts))
        os._exit(0)


def _one(target: Any, count: int, seed: int, folder: Path, *, guided: bool) -> None:
    # A hang in the midst of one input is reported with its place; a process that eats memory ends.
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MB << 20, MEMORY_MB << 20)) if not guided else None
    trial = Trial(target, count, folder)
    source = random.Random(seed)  # noqa: S311 - chance that can be had again
    for data in target.seeds:
        trial(data)
    if not guided:
        _plainly(trial, target, source)
    corpus = folder / "seeds"
    corpus.mkdir(exist_ok=True)
    for at, data in enumerate(target.seeds):
        (corpus / str(at)).write_bytes(data)

    def mutated(data: bytes, most: int, chance: int) -> bytes:
        chosen = random.Random(chance)  # noqa: S311
        # What is far from good is refused early; so some begin again from a good one.
        data = chosen.choice(target.seeds) if chosen.random() < 0.3 else data
        if target.json and chosen.random() < 0.8 and (made := changed_json(data, chosen)) is not None:
            return made[:most]
        return bytes(atheris.Mutate(data, min(most, len(data) + 200)))

    quiet = os.open(folder / "log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(quiet, 2)
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-seed={seed}",
            f"-max_len={_LONGEST}",
            "-timeout=60",
            f"-rss_limit_mb={MEMORY_MB}",
            f"-artifact_prefix={folder}/",
            "-verbosity=0",
        ],
        lambda data: trial(data) and None,
        custom_mutator=mutated,
    )
    atheris.Fuzz()


def _plainly(trial: Trial, target: Any, source: random.Random) -> None:
    faulthandler.dump_traceback_later(600, exit=True)
    kept = list(target.seeds)
    while True:
        data = source.choice(target.seeds if source.random() < 0.3 else kept)
        # Bytes changed at random are mostly no JSON any more; half of all documents stay what they are, so that more is reached than the decoder.
        broken = 0.3 if source.random() < 0.5 else 0
        for _ in range(source.randrange(1, 4)):
            made = changed_json(data, source) if target.json and source.random() >= broken else None
            data = changed_bytes(data, source, kept) if made is None else made
        if trial(data[:_LONGEST]) and len(kept) < 2_000:
            kept.append(data[:_LONGEST])
        if not trial.inputs % 1000:
            faulthandler.dump_traceback_later(600, exit=True)


def changed_json(data: bytes, source: random.Random) -> bytes | None:
    """The document with a change or a few in its members; None where it is no JSON. What stands before the first brace stays."""
    start = data.find(b"{")
    try:
        document = json.loads(data[start:]) if start >= 0 else None
    except (ValueError, RecursionError):
        return None
    places: list[tuple[Any, Any]] = []

    def look(value: Any) -> None:
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            places.append((value, key))
            if isinstance(inner, dict | list):
                look(inner)

    if not isinstance(document, dict):
        return None
    look(document)
    for _ in range(source.choice((1, 1, 1, 2, 4))):
        if not places:
            break
        source.choice(_CHANGES)(source, *source.choice(places), places)
    try:
        return data[:start] + json.dumps(document, ensure_ascii=source.random() < 0.5).encode("utf-8", "surrogatepass")
    except (ValueError, RecursionError):
        return None


def _replace(source: random.Random, holder: Any, key: Any, _places: Any) -> None:
    with contextlib.suppress(LookupError):
        holder[key] = source.choice(_ODD)


def _swap(source: random.Random, holder: Any, key: Any, places: Any) -> None:
    other, at = source.choice(places)
    with contextlib.suppress(LookupError):
        # A copy: a document that holds itself is none.
        holder[key] = json.loads(json.dumps(other[at]))


def _nudge(source: random.Random, holder: Any, key: Any, _places: Any) -> None:
    with contextlib.suppress(LookupError, OverflowError):
        if isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            holder[key] = source.choice(
                (round(holder[key] + source.gauss(0, 1), 1), -holder[key], holder[key] * 1.0, source.uniform(-100, 100))
            )
        else:
            holder[key] = source.choice(_ODD)


def _drop(_source: random.Random, holder: Any, key: Any, _places: Any) -> None:
    with contextlib.suppress(LookupError):
        del holder[key]


def _add(source: random.Random, holder: Any, key: Any, places: Any) -> None:
    _, name = source.choice(places)
    with contextlib.suppress(LookupError):
        if isinstance(holder, list):
            holder.append(json.loads(json.dumps(holder[key])))
        else:
            holder[str(name)] = source.choice(_ODD)


_CHANGES: tuple[Callable[..., None], ...] = (_replace, _swap, _nudge, _nudge, _nudge, _drop, _add)


def changed_bytes(data: bytes, source: random.Random, others: list[bytes]) -> bytes:
    """The bytes with some put in, taken out, flipped, or taken from another input."""
    at = source.randrange(len(data) + 1)
    to = min(len(data), at + source.choice((1, 1, 2, 4, 16, 64)))
    match source.randrange(6):
        case 0:
            return data[:at] + source.randbytes(to - at) + data[to:]
        case 1:
            return data[:at] + data[to:]
        case 2:
            return data[:at] + data[at:to] * source.choice((2, 2, 3, 50)) + data[to:]
        case 3:
            other = source.choice(others)
            return data[:at] + other[source.randrange(len(other) + 1) :]
        case 4:
            put = source.choice(
                (
                    b"\0",
                    b"\xff",
                    b'"',
                    b",",
                    b"\n",
                    b"{",
                    b"[",
                    b"9" * 20,
                    b"1e999",
                    b"=",
                    b"%",
                    "１".encode(),
                    b"\xef\xbb\xbf",
                    b"'",
                    b";",
                    b"-",
                )
            )
            return data[:at] + put + data[at:]
        case _:
            return data[:at] + bytes(byte ^ (1 << source.randrange(8)) for byte in data[at:to]) + data[to:]
