"""How fast the rules are, as ratios in one run: machines are shared and noisy, so no absolute figure is asserted for a verdict.

The documents vary as a gauge read to 0.1 psi varies, so that nothing rests on one document judged again and again.
"""

import datetime as dt
import json
import random
import statistics
import time
from collections.abc import Callable, Iterator
from functools import partial
from itertools import count, islice
from typing import Any

import msgspec
import pytest

import rules
from rules import operation, selection

pytestmark = pytest.mark.slow

NOW = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)


def full_rp_tests(count: int) -> list[bytes]:
    """Full RP tests (initial, repairs, final), each with readings of its own."""
    return list(islice(endless_rp_tests(), count))


def endless_rp_tests(testers: int = 1, days: int = 1, tests_a_day: int = 1) -> Iterator[bytes]:
    """Full RP tests without end: so many testers, each with a gauge of its own, over so many days in order, then from the first day again."""
    source = random.Random(1)  # noqa: S311 - reproducible on purpose
    first = dt.date(2026, 5, 14)

    def phase(relief: float) -> dict[str, object]:
        return {
            "shutoffs": {"inlet": "tight", "outlet": "tight"},
            "readings": [
                {"component": "relief_valve", "opened": True, "opened_at": relief},
                {"component": "check_1", "closed_tight": True, "held_at": round(source.uniform(5.5, 9.0), 1)},
                {"component": "check_2", "closed_tight": True, "held_at": round(source.uniform(1.2, 3.0), 1)},
            ],
        }

    for number in count():
        tester = source.randrange(testers)
        performed_on = first - dt.timedelta(days=days - 1 - number // tests_a_day % days)
        yield json.dumps(
            {
                "rulebook": "us-wa",
                "performed_at": f"{performed_on}T09:20:00-07:00",
                "assembly": {"kind": "rp", "size": 1.0, "hazard": "health"},
                "units": {"pressure": "psi", "length": "in"},
                "line_pressure": source.randrange(45, 95),
                "gauge": {
                    "accuracy": 0.2,
                    "resolution": 0.1,
                    "calibrated_on": f"{first - dt.timedelta(days=days + 121 + tester)}",
                    "height_above_assembly": 0,
                },
                "tester": {
                    "certificate": f"T-{1 + tester}",
                    "kinds": ["rp", "dc", "pvb", "svb"],
                    "valid_from": "2025-03-01",
                    "valid_until": "2028-02-29",
                },
                "initial_test": phase(round(source.uniform(0.5, 1.9), 1)),
                "repairs": [{"component": "relief_valve", "part": "disc", "action": "replaced"}],
                "final_test": phase(round(source.uniform(2.0, 3.5), 1)),
                "declared": "pass",
            }
        ).encode()


def seconds(work: Callable[[], object]) -> float:
    """How long one run keeps a processor: the rules wait for nothing, and what else the machine does is not theirs."""
    start = time.process_time()
    work()
    return time.process_time() - start


def test_a_verdict_with_every_finding_costs_at_most_three_times_its_decoding() -> None:
    documents = full_rp_tests(1_000)
    decoder = msgspec.json.Decoder(rules.Test)
    tests = [decoder.decode(one) for one in documents]

    def decode(some: slice) -> None:
        for one in documents[some]:
            decoder.decode(one)

    def judge(some: slice) -> None:
        for one in tests[some]:
            rules.judge(one, received_at=NOW)

    judge(slice(None))
    # In small pieces in turn, so that whatever else the machine does falls on both alike.
    pieces = [slice(start, start + 50) for start in range(0, 1_000, 50)] * 15
    ratios = [seconds(partial(judge, piece)) / seconds(partial(decode, piece)) for piece in pieces]
    ratio = statistics.median(ratios)
    assert ratio <= 3, f"judging ÷ decoding: {ratio:.2f}"


@pytest.mark.benchmark(min_rounds=20)
def test_an_operation_of_ten_steps_takes_under_five_milliseconds(benchmark: Any) -> None:
    ask = msgspec.convert(
        {
            "kind": "rp",
            "units": {"pressure": "psi", "length": "in", "flow": "gpm"},
            "conditions": {"check_1": "leaking"},
            "steps": [
                {"supply_pressure": pressure, "downstream": "outlet_open", "outlet_elevation": -12, "demand_flow": 5}
                for pressure in (60, 40, 20, 10, 5, 0, -4, -8, 30, 60)
            ],
        },
        operation.OperationRequest,
        strict=False,
    )
    benchmark(operation.operate, ask)
    assert benchmark.stats.stats.median < 0.005


@pytest.mark.benchmark(min_rounds=20)
def test_a_selection_takes_under_a_millisecond(benchmark: Any) -> None:
    ask = msgspec.convert(
        {
            "rulebook": "us-wa",
            "hazard": "health",
            "backpressure_possible": False,
            "continuous_pressure": True,
            "purpose": "point_of_use",
        },
        selection.SelectionRequest,
    )
    benchmark(selection.select, ask, on=dt.date(2026, 6, 1))
    assert benchmark.stats.stats.median < 0.001
