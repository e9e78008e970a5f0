"""The rules by themselves (goal 3): what judging costs beside decoding, and that an operation and a selection are quick."""

import statistics
from functools import partial
from typing import Any

import msgspec

import rules
from tests.load import table
from tests.load.test_rules_speed import NOW, full_rp_tests, seconds

BULK = 20_000


def measure() -> dict[str, Any]:
    """Judging ÷ decoding for a full RP test with every finding, and how fast many are judged beside bare decoding."""
    documents = full_rp_tests(1_000)
    decoder = msgspec.json.Decoder(rules.Test)
    tests = [decoder.decode(one) for one in documents]

    def decode(some: slice) -> None:
        for one in documents[some]:
            decoder.decode(one)

    def judge(some: slice) -> None:
        for one in tests[some]:
            rules.judge(one, received_at=NOW)

    def whole(some: slice) -> None:
        for one in documents[some]:
            rules.judge(decoder.decode(one), received_at=NOW)

    whole(slice(None))
    # In small pieces by turns, so that whatever else the machine does falls on all alike.
    pieces = [slice(start, start + 50) for start in range(0, 1_000, 50)] * 15
    took = [tuple(seconds(partial(work, piece)) for work in (decode, judge, whole)) for piece in pieces]
    found = {
        "verdict_vs_decode": statistics.median(judged / decoded for decoded, judged, _ in took),
        "bulk_vs_decode": statistics.median(decoded / both for decoded, _, both in took),
    }
    rows = [
        [name, statistics.median(one[at] for one in took) / 50 * 1e6, statistics.median(one[at] / one[0] for one in took)]
        for at, name in enumerate(("decoding (limit)", "judging", "decoding and judging"))
    ]
    table.show("A full RP test: initial, repair, final, every finding", ["", "µs", "÷ decoding"], rows)
    return found
