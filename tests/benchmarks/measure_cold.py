"""How soon the demo serves (goal 5): with fresh data, and started again on the data that is there."""

import os
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from tests.benchmarks.stage import REPOSITORY
from tests.support import table


def measure(*, rounds: int) -> dict[str, Any]:
    """Seconds from the command to serving."""
    # As building the environment does.
    subprocess.run([sys.executable, "-m", "compileall", "-q", "rules", "service", "migrations"], cwd=REPOSITORY, check=True)
    fresh, again = [], []
    for _ in range(rounds):
        with TemporaryDirectory(prefix="nonreturn-cold-", ignore_cleanup_errors=True) as folder:
            fresh.append(_start(Path(folder)))
            again.append(_start(Path(folder)))
    found = {"cold_start_s": statistics.median(fresh), "second_start_s": statistics.median(again)}
    table.show(
        "Start of the demo, environment already built",
        ["", "seconds"],
        [["fresh data", found["cold_start_s"]], ["again", found["second_start_s"]]],
    )
    return found


def _start(folder: Path) -> float:
    ready = folder / "ready.json"
    ready.unlink(missing_ok=True)
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "demo", "--port", "0", "--data", str(folder / "postgres"), "--ready", str(ready)],
        cwd=REPOSITORY,
        env=os.environ,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        while not ready.exists():
            if process.poll() is not None or time.perf_counter() - begun > 120:
                raise RuntimeError("The demo did not start.")
            time.sleep(0.005)
        return time.perf_counter() - begun
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)
