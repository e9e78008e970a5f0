"""The rules by themselves (goal 3): what judging costs beside decoding, for one test and for a hundred thousand different ones."""

import statistics
from functools import partial
from itertools import islice
from typing import Any

import msgspec

import rules
from tests.benchmarks.test_rules_speed import NOW, endless_rp_tests, full_rp_tests, seconds
from tests.support import table

BULK = 100_000
AT_ONCE = 250
DECODER = msgspec.json.Decoder(rules.Test)


def measure() -> dict[str, Any]:
    """Judging ÷ decoding for a full RP test with every finding, and how fast many are judged beside bare decoding."""
    documents = full_rp_tests(1_000)
    tests = [DECODER.decode(one) for one in documents]

    def judge(some: slice) -> None:
        for one in tests[some]:
            rules.judge(one, received_at=NOW)

    judge(slice(None))
    # In small pieces in turn, so that whatever else the machine does falls on all alike.
    pieces = [slice(start, start + 50) for start in range(0, 1_000, 50)] * 15
    took = [(seconds(partial(_decode, documents[piece])), seconds(partial(judge, piece))) for piece in pieces]
    bulk = _bulk()
    found = {
        "verdict_vs_decode": statistics.median(judged / decoded for decoded, judged in took),
        "bulk_vs_decode": statistics.median(decoded / both for decoded, both in bulk),
    }
    rows = [
        ["decoding one (limit)", statistics.median(decoded for decoded, _ in took) / 50 * 1e6, 1.0],
        ["judging it", statistics.median(judged for _, judged in took) / 50 * 1e6, found["verdict_vs_decode"]],
        [f"decoding {BULK:,} different ones (limit)", sum(decoded for decoded, _ in bulk) / BULK * 1e6, 1.0],
        ["decoding and judging them", sum(both for _, both in bulk) / BULK * 1e6, 1 / found["bulk_vs_decode"]],
    ]
    table.show("A full RP test: initial, repair, final, every finding", ["", "µs a test", "÷ decoding"], rows)
    return found


def _bulk() -> list[tuple[float, float]]:
    """What each piece of the many took to be decoded, and to be decoded and judged; no two alike, of a hundred testers and four months."""
    documents = endless_rp_tests(testers=100, days=125, tests_a_day=BULK // 125)
    different: set[int] = set()
    took: list[tuple[float, float]] = []
    while len(different) < BULK:
        # A few thousand at a time, so that memory stays the same however many there are.
        some = [one for one in islice(documents, 5_000) if hash(one) not in different][: BULK - len(different)]
        different.update(map(hash, some))
        for start in range(0, len(some), AT_ONCE):
            piece = some[start : start + AT_ONCE]
            # In turn first, so that neither is always the one that finds the documents at hand.
            works = [_decode, _judge] if len(took) % 2 else [_judge, _decode]
            spent = {work: seconds(partial(work, piece)) for work in works}
            took.append((spent[_decode], spent[_judge]))
    return took


def _decode(documents: list[bytes]) -> None:
    for one in documents:
        DECODER.decode(one)


def _judge(documents: list[bytes]) -> None:
    for one in documents:
        rules.judge(DECODER.decode(one), received_at=NOW)
