"""The protection matrix, computed at two leak sizes, against what is published of which failures leave which protection.

`small` is a fouling wire's leak, `wide_open` a check that is gone. A statement of a *fouled* check speaks of the small one.
"""

import pytest

from rules.operation import LEAK_SIZES, LeakSize, Mechanism, OperableKind, protected, protection_matrix

BOTH: tuple[Mechanism, ...] = ("backsiphonage", "backpressure")
SMALL: tuple[LeakSize, ...] = ("small",)

# (kind, failed parts, mechanisms, leak sizes, protected)
STATEMENTS: list[tuple[OperableKind, str, tuple[Mechanism, ...], tuple[LeakSize, ...], bool]] = [
    # RP, check 1 or check 2 fouled, relief valve working: protected from both, discharging. Trade articles on relief valves that
    # discharge intermittently. Published.
    ("rp", "check_1", BOTH, LEAK_SIZES, True),
    ("rp", "check_2", BOTH, LEAK_SIZES, True),
    # RP, both checks fouled, relief valve working: protected as long as there are backpressure and inlet pressure. The same. Published.
    ("rp", "check_1 check_2", ("backpressure",), SMALL, True),
    # RP, check 2 fouled, backsiphonage: the supply is protected, the building drains out of the relief valve. The same. Published.
    ("rp", "check_2", ("backsiphonage",), LEAK_SIZES, True),
    # One of two checks leaks: "the other prevents backflow". USC Foundation, Cross Talk, on relief valve discharge. Published.
    ("dc", "check_1", BOTH, LEAK_SIZES, True),
    ("dc", "check_2", BOTH, LEAK_SIZES, True),
    ("dual_check", "check_1", BOTH, LEAK_SIZES, True),
    ("rp", "relief_valve check_1", BOTH, LEAK_SIZES, True),
    ("rp", "relief_valve check_2", BOTH, LEAK_SIZES, True),
    # A PVB's or SVB's check fouled, its air inlet opens: protected from backsiphonage. Trade articles. Published.
    ("pvb", "check", ("backsiphonage",), SMALL, True),
    ("svb", "check", ("backsiphonage",), SMALL, True),
    # Its check tight, its air inlet stuck: the check alone prevents siphonage. Description of a PVB. Published.
    ("pvb", "air_inlet", ("backsiphonage",), LEAK_SIZES, True),
    ("svb", "air_inlet", ("backsiphonage",), LEAK_SIZES, True),
    # Both failed: none. Description of a spill-resistant vacuum breaker. Published.
    ("pvb", "check air_inlet", ("backsiphonage",), LEAK_SIZES, False),
    ("svb", "check air_inlet", ("backsiphonage",), LEAK_SIZES, False),
    # Vacuum breakers guard against backsiphonage only: NAC 445A.6625. Published.
    ("pvb", "", ("backpressure",), LEAK_SIZES, False),
    ("svb", "", ("backpressure",), LEAK_SIZES, False),
    # Nothing is left where every part has failed. Common practice, no source.
    ("dc", "check_1 check_2", BOTH, LEAK_SIZES, False),
    ("rp", "check_1 relief_valve check_2", BOTH, LEAK_SIZES, False),
]


@pytest.mark.parametrize(("kind", "failed", "mechanisms", "leaks", "expected"), STATEMENTS)
def test_the_matrix_says_what_is_published(
    kind: OperableKind,
    failed: str,
    mechanisms: tuple[Mechanism, ...],
    leaks: tuple[LeakSize, ...],
    expected: bool,  # noqa: FBT001 - a table of cases
) -> None:
    for mechanism in mechanisms:
        for leak in leaks:
            assert protected(kind, frozenset(failed.split()), mechanism, leak) == expected, (mechanism, leak)


def test_where_the_size_of_the_leak_decides_no_statement_is_claimed() -> None:
    """These rows differ by the leak's size, which a field test does not show. The verdict names its published statement or says unknown."""
    answers = {(row.kind, row.failed, row.mechanism, row.leak): row.protected for row in protection_matrix()}
    differ = {key[:3] for key, holds in answers.items() if key[3] == "small" and holds and not answers[(*key[:3], "wide_open")]}
    assert differ == {
        ("pvb", ("check",), "backsiphonage"),
        ("svb", ("check",), "backsiphonage"),
        *((kind, ("check_1", "check_2"), mechanism) for kind in ("rp", "rpda", "rpda_ii") for mechanism in BOTH),
        *(
            ("rpda_ii", failed, mechanism)
            for failed in (("check_1", "check"), ("check_1", "check_2", "check"))
            for mechanism in BOTH
        ),
    }
