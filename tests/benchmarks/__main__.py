"""`sh deploy/measure [NAME…] [--json FILE]`: how fast it is, each measurement with its peer, its limit and us, from one interleaved run."""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.benchmarks import (
    measure_batches,
    measure_cold,
    measure_imports,
    measure_profile,
    measure_reports,
    measure_rude,
    measure_rules,
    measure_scale,
)

KEYS = (
    "report_vs_orm_peer",
    "report_vs_asyncpg_peer",
    "report_vs_pgbench",
    "report_p99_over_p50",
    "batch_vs_copy",
    "batch_peak_mb",
    "import_vs_copy",
    "import_peak_mb",
    "verdict_vs_decode",
    "standing_growth",
    "overdue_growth",
    "summary_ms",
    "cold_start_s",
    "worker_mb",
    "rude_put_p99_ms",
)
"""What the answer always holds, null where it was not measured."""

Measurement = Callable[[argparse.Namespace], dict[str, Any]]
MEASUREMENTS: dict[str, tuple[str, Measurement]] = {
    "verdict": ("judging a full RP test against decoding it; an operation, a selection", lambda _: measure_rules.measure()),
    "report": (
        "one durable report: peers, pgbench and us",
        lambda options: measure_reports.measure(rounds=options.rounds, seconds=options.seconds),
    ),
    "batch": (
        "NDJSON batches against asyncpg COPY of the same rows",
        lambda options: measure_batches.measure(rounds=options.rounds),
    ),
    "import": (
        "an import of past tests over HTTP against asyncpg COPY of the same rows",
        lambda options: measure_imports.measure(rounds=options.rounds, tests=options.tests),
    ),
    "rude": (
        "reports of one address while another, without a key, does its worst; one worker",
        lambda options: measure_rude.measure(seconds=max(20.0, 5 * options.seconds)),
    ),
    "profile": ("where a report's time goes", lambda options: measure_profile.measure(rounds=options.rounds)),
    "scale": (
        "every list, standing, summary and feed, at 10 k, 50 k and 200 k assemblies, five reports each (--full: and at 1 M)",
        measure_scale.growth,
    ),
    "summary": ("the yearly summary of 100 k assemblies with 500 k reports", measure_scale.summary),
    "cold": ("start of the demo, with fresh data and again", lambda options: measure_cold.measure(rounds=options.rounds)),
}


def parser() -> argparse.ArgumentParser:
    """The command line."""
    names = "\n".join(f"  {name:8} {what}" for name, (what, _) in MEASUREMENTS.items())
    made = argparse.ArgumentParser(
        prog="sh deploy/measure",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description=f"{__doc__}\n\nmeasurements (all, if none is named):\n{names}",
    )
    made.add_argument("names", nargs="*", metavar="NAME", choices=[[], *MEASUREMENTS], help="what to measure")
    made.add_argument("--json", type=Path, metavar="FILE", help="file that gets the ratios as one object")
    made.add_argument("--rounds", type=int, default=3, help="shuffled repeats, of which the median is stated (default 3)")
    made.add_argument("--seconds", type=float, default=3.0, help="how long each turn loads a server (default 3)")
    made.add_argument("--tests", type=int, default=measure_imports.TESTS, help="import: how many past tests (default 12,000)")
    made.add_argument(
        "--full", action="store_true", help="scale: 1 M assemblies and 5 M reports too (needs about 30 GB and an hour)"
    )
    made.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="scale, summary: where what was filled is kept, and found the next time"
    )
    made.add_argument("--plot", type=Path, metavar="FOLDER", help="scale: folder that gets growth.md and growth.svg")
    return made


def main() -> int:
    """Measure what was asked for; 0 where everything could be measured."""
    options = parser().parse_args()
    found: dict[str, Any] = dict.fromkeys(KEYS)
    failed = 0
    for name in options.names or MEASUREMENTS:
        print(f"== {name}: {MEASUREMENTS[name][0]}", file=sys.stderr, flush=True)
        try:
            found |= MEASUREMENTS[name][1](options)
        except Exception as error:  # noqa: BLE001 - the others are measured all the same
            failed += 1
            print(f"{name} could not be measured: {error!r}", file=sys.stderr, flush=True)
        if options.json is not None:
            options.json.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(found, indent=1))
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
