"""The authorities' tables and the hydraulics, each checking the other: the tables know no physics, the matrix reads no table.

The tables are published law (each row names its own source); the matrix is computed.
"""

import datetime as dt
from itertools import product
from typing import Any

import msgspec
import pytest

from rules.errors import RulesError
from rules.load import rulebook_ids
from rules.operation import OPERABLE_KINDS, protected, protection_matrix, withstands
from rules.selection.document import SelectionRequest
from rules.selection.selection import select

ON = dt.date(2026, 5, 14)
ASKS = list(
    product(
        rulebook_ids(), ("severe", "health", "non_health"), (True, False), (True, False), ("premises_isolation", "point_of_use")
    )
)


def chosen(rulebook: str, hazard: str, backpressure: bool, continuous: bool, purpose: str) -> tuple[str, ...]:  # noqa: FBT001 - the ask's own members
    ask: dict[str, Any] = {
        "rulebook": rulebook,
        "hazard": hazard,
        "backpressure_possible": backpressure,
        "continuous_pressure": continuous,
        "purpose": purpose,
    }
    try:
        return select(msgspec.convert(ask, SelectionRequest), on=ON).recommended
    except RulesError:
        return ()


@pytest.mark.parametrize("ask", ASKS, ids=lambda ask: "-".join(map(str, ask)))
def test_no_table_admits_a_kind_that_does_not_withstand_what_can_happen(ask: Any) -> None:
    backpressure = ask[2]
    for kind in set(chosen(*ask)) & set(OPERABLE_KINDS):
        assert withstands(kind, "backsiphonage"), kind
        assert withstands(kind, "backpressure") or not backpressure, kind


def test_the_tables_admit_something_so_that_the_check_above_checks_something() -> None:
    admitted = [(ask, kind) for ask in ASKS for kind in chosen(*ask) if kind in OPERABLE_KINDS]
    assert len({kind for _, kind in admitted}) >= 6
    assert any(ask[2] for ask, _ in admitted)


def test_what_the_tables_admit_for_health_hazards_and_continuous_pressure_survives_any_one_failure() -> None:
    # An assembly between a health hazard and the main must not hang on one part alone.
    for ask in ASKS:
        if ask[1] != "non_health" and ask[3]:
            for kind in set(chosen(*ask)) & set(OPERABLE_KINDS) - {"air_gap"}:
                singles = {row.failed for row in protection_matrix() if row.kind == kind and len(row.failed) == 1}
                assert singles
                for failed in singles:
                    assert protected(kind, frozenset(failed), "backsiphonage", "small"), (kind, failed)
