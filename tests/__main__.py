"""`python -m tests [--quick]`: all tests, in two processes at once; each line is told with the number of its half.

Tests wait for disks, clocks and one another's answers half of their time, and a machine has more than one processor. Each half has a
Postgres and a service of its own. Whatever fails, fails the whole; the whole (without `--quick`) holds the branches of `rules` that both
halves went through together.
"""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

FIRST = ("tests/api", "tests/browser")
HALVES = ([*FIRST], ["tests", *(f"--ignore={folder}" for folder in FIRST)])
"""What each runs; the second is whatever the first is not, so that nothing is left out. They take about as long."""

REPOSITORY = Path(__file__).parent.parent


def begin(number: int, *, quick: bool) -> subprocess.Popen[str]:
    """One half, begun."""
    kinds = "not load and not faults" + (" and not slow" if quick else "")
    # What counts is what both went through.
    covering = [] if quick else ["--cov", "--cov-report=", "--cov-fail-under=0"]
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "pytest", *HALVES[number], "-m", kinds, *covering],
        cwd=REPOSITORY, env=os.environ | {"COVERAGE_FILE": f".coverage.half-{number + 1}"},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
    )  # fmt: skip


def tell(number: int, half: subprocess.Popen[str]) -> None:
    """Print what it says as it says it."""
    assert half.stdout is not None
    for line in half.stdout:
        print(f"{number + 1}| {line}", end="", flush=True)


def main() -> int:
    """Run both; 0 where all is well."""
    quick = "--quick" in sys.argv[1:]
    # Where this was begun in the background Ctrl-C is ignored, and would be by what is begun here.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    halves = [begin(number, quick=quick) for number in range(len(HALVES))]
    # Ctrl-C reaches them by itself; being told to stop does not.
    signal.signal(signal.SIGTERM, lambda *_: [half.send_signal(signal.SIGINT) for half in halves])
    tellers = [threading.Thread(target=tell, args=one) for one in enumerate(halves)]
    for one in tellers:
        one.start()
    try:
        for one in tellers:
            one.join()
    except KeyboardInterrupt:
        for one in tellers:
            one.join()
    failed = [number + 1 for number, half in enumerate(halves) if half.wait() != 0]
    if failed:
        print(f"Failed: {' and '.join(f'half {number}' for number in failed)}; what, is said above.", file=sys.stderr)
        return 1
    if quick:
        return 0
    coverage = [sys.executable, "-m", "coverage"]
    subprocess.run([*coverage, "combine", "--quiet", *(f".coverage.half-{number + 1}" for number in range(len(HALVES)))], cwd=REPOSITORY, check=True)  # fmt: skip
    return subprocess.run([*coverage, "report"], cwd=REPOSITORY, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
