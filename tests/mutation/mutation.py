"""`mutation`: how many small changes to `rules/` the tests of the rules notice.

First the tests run once as they are, so that it is known which test executes which line, and for how long. Then each mutant is tried in
a process forked from this one, which has already imported everything but the rules: it runs only the tests that execute the changed
lines, the quickest first, and stops at the first that fails. Lines that run while a module is imported concern every test.

A mutant is *killed* where a test fails, where the rules cannot be imported any more, or where it takes far longer than it should (mutmut
counts a test run that fails and one out of time the same; it makes none that cannot be imported). Which mutants are tried is decided by the seed
alone, so that a larger sample holds the smaller one and results already in the file are not asked for again.
"""

import argparse
import gc
import hashlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import io
import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import coverage
import hypothesis
import msgspec
import pytest
from scipy.stats import binomtest

from tests.mutation.explained import listed, reported_of
from tests.mutation.mutants import ROOT, Mutant, modules, mutants_of, path_of, text_of
from tests.support.table import show

TRIED = {"killed", "slow", "survived"}
KILLED = {"killed", "slow"}
ALLOWED_S = 10
"""Processor seconds a mutant may take beyond five times what its tests take."""
MEMORY = 6 << 30


class Baseline(msgspec.Struct, kw_only=True):
    """What the tests do as they are: seconds of each test, and the tests that execute each line of each module."""

    digests: dict[str, str]
    """Of each file of tests, and under "" of all else that the tests depend on."""
    seconds: dict[str, float]
    lines: dict[str, dict[int, list[str]]]
    loaded: list[str]


def arguments(made: argparse.ArgumentParser) -> None:
    """The options of this command."""
    made.add_argument("--size", type=int, default=300, help="how many mutants are tried (default 300)")
    made.add_argument("--all", action="store_true", help="try every one")
    made.add_argument("--seed", type=int, default=1, help="which ones are tried (default 1)")
    made.add_argument("--module", action="append", help="only of this module (rules.…); may be given again")
    made.add_argument("--again", action="store_true", help="try again those that survived before")
    made.add_argument("--unpinned", action="store_true", help="without the pinned answers (in a folder of its own)")
    made.add_argument("--jobs", type=int, default=1, help="how many are tried at once (default 1)")
    made.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "nonreturn-strength", help="where results are kept"
    )


def run(options: argparse.Namespace) -> int:
    """Try a sample and print the table; 0 where at least 90 % were killed."""
    if "rules" in sys.modules:
        raise SystemExit("The rules are imported already, so no mutant of them would be seen.")
    options.folder.mkdir(parents=True, exist_ok=True)
    baseline = without_pins(made) if (made := recorded(options.folder)) and options.unpinned else made
    chosen = _chosen(options)
    results = options.folder / "mutation.ndjson"
    known = results_in(results)
    if options.again:
        known = {key: outcome for key, outcome in known.items() if outcome != "survived"}
    waiting = [mutant for mutant in chosen if mutant.key not in known]
    preload(baseline.loaded)
    with results.open("a") as result:
        try_all(waiting, lambda mutant: _try_one(mutant, baseline), known, result, options.jobs)
    return _report(chosen, known)


def _chosen(options: argparse.Namespace) -> list[Mutant]:
    found = [mutant for module in options.module or modules() for mutant in mutants_of(module)]
    by_chance = sorted(found, key=lambda one: hashlib.sha256(f"{options.seed}:{one.module}:{one.number}".encode()).digest())
    print(f"{len(found)} mutants can be made.", file=sys.stderr)
    return by_chance if options.all else by_chance[: options.size]


def results_in(results: Path) -> dict[str, str]:
    """The outcomes that a file of results holds, by key."""
    if not results.exists():
        return {}
    return {one["key"]: one["outcome"] for one in map(json.loads, results.read_text().splitlines())}


# The tests as they are.


def _test_files() -> list[str]:
    """The tests of the rules that need nothing of the service."""
    found = sorted([*(ROOT / "tests/rules").rglob("test_*.py"), *(ROOT / "tests/oracles").rglob("test_*.py")])
    of_the_service = ("from service", "import service", "from tests.support")
    return [str(path.relative_to(ROOT)) for path in found if not any(word in path.read_text() for word in of_the_service)]


def _digests() -> dict[str, str]:
    tests = _test_files()
    paths = (
        path for folder in ("rules", "tests/rules", "tests/oracles") for path in (ROOT / folder).rglob("*") if path.is_file()
    )
    others = sorted(str(path.relative_to(ROOT)) for path in paths if "__pycache__" not in path.parts)
    others = [name for name in others if name not in tests and not Path(name).name.startswith("test_")]
    common = hashlib.sha256(b"".join(name.encode() + (ROOT / name).read_bytes() for name in others)).hexdigest()
    return {"": common} | {name: hashlib.sha256((ROOT / name).read_bytes()).hexdigest() for name in tests}


def recorded(folder: Path) -> Baseline:
    """The tests as they are; only files of tests that changed since the last time run again."""
    file, digests = folder / "baseline.json", _digests()
    kept = Baseline(digests={}, seconds={}, lines={module: {} for module in modules()}, loaded=[])
    if file.exists():
        found = msgspec.json.decode(file.read_bytes(), type=Baseline)
        kept = found if found.digests[""] == digests[""] else kept
    changed = [name for name, digest in digests.items() if name and kept.digests.get(name) != digest]
    if not changed:
        return kept
    print(f"{len(changed)} files of tests run once as they are …", file=sys.stderr)
    if _in_fork(lambda: _record(file, kept, changed)) != 0:
        raise SystemExit("The tests fail as they are; repair them first (NONRETURN_STRENGTH_SHOW=1 shows them).")
    return msgspec.json.decode(file.read_bytes(), type=Baseline)


def _record(file: Path, kept: Baseline, changed: list[str]) -> int:
    before = set(sys.modules)
    measured = coverage.Coverage(data_file=None, source_pkgs=["rules"])
    measured.start()
    timer = _Timer(measured)
    code = _pytest(changed, [timer])
    measured.stop()
    data = measured.get_data()
    old = {name for name in kept.seconds if name.partition("::")[0] not in changed}
    lines = {
        module: {line: [*filter(old.__contains__, names)] for line, names in found.items()}
        for module, found in kept.lines.items()
    }
    for module, found in lines.items():
        for line, names in data.contexts_by_lineno(str(path_of(module))).items():
            found[line] = [*found.get(line, []), *names]
    loaded = {name for name in sys.modules if name not in before and name.partition(".")[0] not in {"rules", "service", "tests"}}
    made = Baseline(
        digests=_digests(),
        seconds={name: kept.seconds[name] for name in old} | timer.seconds,
        lines=lines,
        loaded=sorted({*kept.loaded, *loaded}),
    )
    if code == 0:
        file.write_bytes(msgspec.json.encode(made))
    return code


PINNED = ("tests/rules/pinned/",)


def without_pins(whole: Baseline) -> Baseline:
    """What is left without the tests that only hold answers to what they were."""
    kept = {name: seconds for name, seconds in whole.seconds.items() if not name.startswith(PINNED)}
    lines = {
        module: {line: [name for name in names if not name or name in kept] for line, names in found.items()}
        for module, found in whole.lines.items()
    }
    return msgspec.structs.replace(whole, seconds=kept, lines=lines)


class _Timer:
    """Shows coverage which test runs, and how much processor time each takes."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self.measured = measured
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterable[None]:
        # What an earlier test left in a cache would hide which lines this one depends on.
        for name, module in list(sys.modules.items()):
            if name.startswith("rules"):
                for kept in vars(module).values():
                    if hasattr(kept, "cache_clear"):
                        kept.cache_clear()
        self.measured.switch_context(item.nodeid)
        started = time.process_time()
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = time.process_time() - started
            self.measured.switch_context("")


def _pytest(files: Sequence[str], plugins: list[object]) -> int:
    """Pytest's exit code for those files: without the service's fixtures, and with the same examples every time."""
    hypothesis.settings.register_profile(
        "strength", derandomize=True, database=None, deadline=None, phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate]
    )
    hypothesis.settings.load_profile("strength")
    result = io.StringIO()
    sys.stdout = sys.stderr = result
    code = pytest.main(
        [
            "-x",
            "-q",
            "--noconftest",
            "-p",
            "no:randomly",
            "-p",
            "no:cov",
            "-m",
            "not slow",
            # Else pytest takes rules/operation/practice_test.py for a test and loads it itself, unchanged.
            "-o",
            "python_files=test_*.py",
            "-W",
            "ignore::pytest.PytestAssertRewriteWarning",
            *files,
        ],
        plugins=plugins,
    )
    sys.stdout, sys.stderr = sys.__stdout__, sys.__stderr__
    if os.environ.get("NONRETURN_STRENGTH_SHOW"):
        print(result.getvalue())
    return int(code)


# One mutant.


class _Chosen:
    """Keeps only the tests asked for, in that order."""

    def __init__(self, names: Sequence[str]) -> None:
        self.order = {name: at for at, name in enumerate(names)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted((one for one in items if one.nodeid in self.order), key=lambda one: self.order[one.nodeid])

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        # One failure is enough; what pytest does at its end only takes time.
        if report.failed and not os.environ.get("NONRETURN_STRENGTH_SHOW"):
            os._exit(1)


class _Changed(importlib.machinery.SourceFileLoader):
    text = ""
    used = False

    def get_code(self, fullname: str) -> CodeType:
        _Changed.used = True
        return compile(self.text, self.get_filename(fullname), "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, mutant: Mutant, text: str) -> None:
        self.mutant = mutant
        self.text = text

    def find_spec(self, fullname: str, _path: object, _target: ModuleType | None = None) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.mutant.module:
            return None
        loader = _Changed(fullname, str(self.mutant.path))
        loader.text = self.text
        return importlib.util.spec_from_file_location(fullname, self.mutant.path, loader=loader)


def tests_for(mutant: Mutant, baseline: Baseline) -> list[str]:
    """The tests that can notice a mutant, the quickest first; those of its lines before those it concerns only through an import."""
    lines = baseline.lines[mutant.module]
    touching = {name for line in range(mutant.first_line, mutant.last_line + 1) for name in lines.get(line, [])}
    near = {name for names in lines.values() for name in names}
    groups = [touching - {""}]
    if "" in touching or not touching:
        groups += [near - touching, set(baseline.seconds) - near]
    return [name for group in groups for name in sorted(group - {""}, key=lambda one: baseline.seconds.get(one, 0.0))]


def tested(names: Sequence[str]) -> int:
    """Pytest's exit code for those tests, in that order, until one fails."""
    return _pytest(sorted({name.partition("::")[0] for name in names}), [_Chosen(names)])


def _try_one(mutant: Mutant, baseline: Baseline) -> int:
    names = tests_for(mutant, baseline)
    seconds = int(ALLOWED_S + 5 * sum(baseline.seconds.get(name, 0.0) for name in names))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    sys.meta_path.insert(0, _Finder(mutant, text_of(mutant)))
    code = tested(names)
    if not _Changed.used:
        raise LookupError(f"{mutant.key} was never imported, so nothing was tried.")
    return code


def _in_fork(work: Callable[[], int]) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(_fork(work), 0)[1])


def _fork(work: Callable[[], int]) -> int:
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    code = 70
    try:
        code = work()
    except BaseException as error:  # noqa: BLE001 - the process ends here, whatever it was
        print(f"{type(error).__name__}: {error}", file=sys.__stderr__)
    finally:
        os._exit(code)


def preload(names: Iterable[str]) -> None:
    """Import what the tests need besides the rules, once for all processes."""
    for name in names:
        with suppress(Exception):
            importlib.import_module(name)
    # What is here now is never looked through again by a forked process.
    gc.collect()
    gc.freeze()


def _outcome(status: int) -> str:
    code = os.waitstatus_to_exitcode(status)
    if code in {-signal.SIGXCPU, -signal.SIGKILL}:
        return "slow"
    # Pytest: 0 all passed, 1 some failed, 2 not even collected, 5 no test at all.
    return {0: "survived", 5: "survived", 70: "broken"}.get(code, "killed")


def try_all(waiting: Sequence[Any], trial: Callable[[Any], int], known: dict[str, str], result: Any, jobs: int) -> None:
    """Try each in a process of its own, and state its outcome in `known` and as a line of `stated`."""
    running: dict[int, Any] = {}
    left = list(reversed(waiting))
    done = 0
    while left or running:
        while left and len(running) < jobs:
            mutant = left.pop()
            running[_fork(lambda mutant=mutant: trial(mutant))] = mutant  # type: ignore[misc]
        child, status = os.wait()
        mutant = running.pop(child)
        known[mutant.key] = _outcome(status)
        result.write(json.dumps(msgspec.to_builtins(mutant) | {"key": mutant.key, "outcome": known[mutant.key]}) + "\n")
        result.flush()
        done += 1
        print(f"\r{done} of {len(waiting)}: {Counter(known.values())}   ", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


# What came of it.


def interval(killed: int, tried: int) -> str:
    """The share killed, in percent, with its 95 % interval (Wilson's)."""
    if not tried:
        return "–"
    low, high = binomtest(killed, tried).proportion_ci(method="wilson")
    return f"{100 * killed / tried:.1f} ({100 * low:.1f}–{100 * high:.1f})"


def _report(chosen: list[Mutant], known: dict[str, str]) -> int:
    groups = listed()
    of_module: dict[str, Counter[str]] = defaultdict(Counter)
    for mutant in chosen:
        outcome = known[mutant.key]
        of_module[mutant.module][outcome] += 1
        if outcome == "survived":
            result = reported_of(mutant)
            because = next((one.because for one in groups if one.holds(result)), None)
            of_module[mutant.module]["explained"] += because is not None
            print(f"{result}\n    line {mutant.first_line}; {because or 'NOT EXPLAINED'}")
    rows = [_row(module, count) for module, count in sorted(of_module.items())]
    total = sum(of_module.values(), Counter())
    show(
        "Mutants of the rules, killed by the tests of the rules",
        ["module", "tried", "killed", "of them by time", "survived", "of them explained", "killed, % (95 %)"],
        [*rows, _row("all", total)],
    )
    return 0 if sum(total[one] for one in KILLED) >= 0.9 * sum(total[one] for one in TRIED) and not total["broken"] else 1


def _row(name: str, count: Counter[str]) -> list[object]:
    killed, tried = sum(count[one] for one in KILLED), sum(count[one] for one in TRIED)
    return [name, tried, killed, count["slow"], count["survived"], count["explained"], interval(killed, tried)]
