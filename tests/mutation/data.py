"""`data`: how many of the numbers in `rules/data` a test other than a pin notices when they are changed by one step.

A step is 1 in the last digit that is written (of what is counted, one more or less), up or down by the seed's chance. The tests that hold a file or an answer to what it was
(its digest) would notice each; so they are left out, and what is left checks a number against something else. Runs as `mutation` does,
each with the tests that execute the line which reads its file.
"""

import argparse
import hashlib
import re
import tempfile
from collections import Counter, defaultdict
from decimal import Decimal
from pathlib import Path

import msgspec

from tests.mutation import explained, mutation
from tests.mutation.mutants import ROOT, modules, path_of
from tests.support.table import show

DATA = ROOT / "rules/data"
PINS = (
    *mutation.PINNED,
    "tests/rules/selection/test_data.py::test_a_table_is_as_it_was_reviewed",
    "tests/oracles/test_rulebooks.py::test_each_rulebook_is_pinned",
)
_SKIPPED = re.compile(
    r'"""(?:.|\n)*?"""|\'\'\'(?:.|\n)*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\w-]+(?=\s*=)|^\[\[?[\w.-]+\]\]?(?=\s*$)',
    re.MULTILINE,
)
_COUNTED = re.compile(r'\s*unit = "(?:tests|readings|letters|reports)"')
_NUMBER = re.compile(r"(?<![\w.:+-])-?\d+(?:\.\d+)?(?![\w.:-])")


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """One number of a file, and what becomes of it."""

    file: str
    start: int
    line: int
    before: str
    after: str

    @property
    def key(self) -> str:
        """What names it in the file of results."""
        digest = hashlib.sha256((DATA / self.file).read_bytes()).hexdigest()[:12]
        return f"{self.file}:{digest}:{self.start}:{self.after}"

    def text(self) -> str:
        """The file with that number changed."""
        text = (DATA / self.file).read_text()
        return text[: self.start] + self.after + text[self.start + len(self.before) :]


def arguments(made: argparse.ArgumentParser) -> None:
    """The options of this command."""
    made.add_argument("--file", action="append", help="only of this file of rules/data; may be given again")
    made.add_argument("--seed", type=int, default=1, help="which way each is changed (default 1)")
    made.add_argument("--jobs", type=int, default=1, help="how many are tried at once (default 1)")
    made.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "nonreturn-strength", help="where results are kept"
    )


def steps(file: str, seed: int) -> list[Step]:
    """One change of each number of that file."""
    text = (DATA / file).read_text()
    # What is no value keeps its place, in blanks.
    bare = _SKIPPED.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)
    made = []
    for found in _NUMBER.finditer(bare):
        counted = _COUNTED.match(text, found.end())
        step = Decimal(1).scaleb(0 if counted else -len(found[0].partition(".")[2]))
        up = hashlib.sha256(f"{seed}:{file}:{found.start()}".encode()).digest()[0] & 1
        after = str(Decimal(found[0]) + (step if up else -step))
        line = text.count("\n", 0, found.start()) + 1
        made.append(Step(file=file, start=found.start(), line=line, before=found[0], after=after))
    return made


def run(options: argparse.Namespace) -> int:
    """Try every number and print the table; 0 where each is noticed."""
    options.folder.mkdir(parents=True, exist_ok=True)
    baseline = mutation.recorded(options.folder)
    files = options.file or sorted(path.relative_to(DATA).as_posix() for path in DATA.rglob("*.toml"))
    chosen = [step for file in files for step in steps(file, options.seed)]
    results = options.folder / "data.ndjson"
    known = mutation.results_in(results)
    mutation.preload(baseline.loaded)
    with results.open("a") as result:
        mutation.try_all(
            [one for one in chosen if one.key not in known],
            lambda one: _try_one(one, tests_for(one.file, baseline)),
            known,
            result,
            options.jobs,
        )
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for one in chosen:
        counts[one.file][known[one.key]] += 1
        if known[one.key] not in mutation.KILLED:
            line = (DATA / one.file).read_text().splitlines()[one.line - 1].strip()
            result = f"{one.file}: {line} | {one.before} → {one.after}"
            because = next((group.because for group in explained.listed("data") if group.holds(result)), None)
            counts[one.file]["explained"] += because is not None
            print(f"{result}\n    line {one.line}; {because or 'NOT EXPLAINED'}")
    total = sum(counts.values(), Counter())
    show(
        "Numbers of rules/data changed by one step",
        ["file", "numbers", "noticed", "not noticed", "of them explained"],
        [
            [
                file,
                sum(count[how] for how in mutation.TRIED),
                sum(count[how] for how in mutation.KILLED),
                count["survived"],
                count["explained"],
            ]
            for file, count in [*counts.items(), ("all", total)]
        ],
    )
    return int(total["survived"] > total["explained"] or total["broken"] > 0)


def tests_for(file: str, baseline: mutation.Baseline) -> list[str]:
    """The tests that read the file, the quickest first, without the pins."""
    names = {
        name
        for module in modules()
        for number, line in enumerate(path_of(module).read_text().splitlines(), start=1)
        if f'read("{file}"' in line or (f'read(f"{file.partition("/")[0]}/' in line and "/" in file)
        for name in baseline.lines[module].get(number, [])
    }
    return sorted((name for name in names if name and not name.startswith(PINS)), key=baseline.seconds.__getitem__)


def _try_one(step: Step, names: list[str]) -> int:
    changed, text, plain = DATA / step.file, step.text().encode(), Path.read_bytes
    read = False

    def read_bytes(path: Path) -> bytes:
        nonlocal read
        if path == changed:
            read = True
            return text
        return plain(path)

    Path.read_bytes = read_bytes  # type: ignore[assignment,method-assign]
    code = mutation.tested(names)
    if not read:
        raise LookupError(f"{step.file} was never read.")
    return code
