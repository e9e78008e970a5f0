"""The goal itself: one rude caller leaves another address's reports under 250 ms at the 99th percentile, with one worker.

Before there were bounds by address, no report at all was answered within 30 seconds beside such a caller.
"""

from tests.benchmarks import measure_rude


def test_reports_are_answered_beside_a_rude_caller() -> None:
    assert measure_rude.measure(seconds=20)["rude_put_p99_ms"] < measure_rude.GOAL_MS
