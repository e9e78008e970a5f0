"""Air-gap geometry at its edges: WAC 246-290-010 [published], and EN 1717 family A [memory].

At least 2 effective diameters and at least 1 in; near a wall (one within 3 diameters, or two intersecting within 4) at least 3
diameters and at least 1½ in. Lengths are converted by `pint`, which knows nothing of this project.
"""

import datetime as dt
import math
from typing import Any

import pint
import pytest

from rules.quantities import Units
from rules.selection import AirGap, Installation, PlacementFinding, PlacementRequest, place

ON = dt.date(2026, 6, 1)


def judge(unit: Any = "in", rulebook: str = "us-common", kind: str = "air_gap", **gap: Any) -> PlacementFinding:
    result = Installation(air_gap=AirGap(**gap), subject_to_submergence=False)
    answer = place(PlacementRequest(rulebook=rulebook, kind=kind, units=Units(length=unit), installation=result), on=ON)
    return answer.findings[0]


# vertical distance, effective diameter, walls near, distance to the wall, least distance required, outcome
EDGES = {
    "two diameters exactly": (2.0, 1.0, 0, None, 2.0, "met"),
    "a hair under two diameters": (math.nextafter(2.0, 0), 1.0, 0, None, 2.0, "not_met"),
    "one inch exactly, for a small outlet": (1.0, 0.25, 0, None, 1.0, "met"),
    "under one inch, though four diameters": (0.99, 0.25, 0, None, 1.0, "not_met"),
    "half an inch: two diameters are one inch": (1.0, 0.5, 0, None, 1.0, "met"),
    "one wall at 3 diameters is near": (2.9, 1.0, 1, 3.0, 3.0, "not_met"),
    "one wall at 3 diameters, three diameters high": (3.0, 1.0, 1, 3.0, 3.0, "met"),
    "one wall beyond 3 diameters is not near": (2.0, 1.0, 1, 3.01, 2.0, "met"),
    "two walls at 4 diameters are near": (2.9, 1.0, 2, 4.0, 3.0, "not_met"),
    "two walls at 3.5 diameters, three diameters high": (3.0, 1.0, 2, 3.5, 3.0, "met"),
    "two walls beyond 4 diameters are not near": (2.0, 1.0, 2, 4.01, 2.0, "met"),
    "one wall at 3.5 diameters is not near, two would be": (2.0, 1.0, 1, 3.5, 2.0, "met"),
    "near a wall, one and a half inches exactly": (1.5, 0.25, 1, 0.5, 1.5, "met"),
    "near a wall, under one and a half inches": (1.49, 0.25, 1, 0.5, 1.5, "not_met"),
    "three times 0.7 in, where doubles would say 2.0999…": (2.1, 0.7, 1, 0.0, 2.1, "met"),
}


@pytest.mark.parametrize("name", EDGES)
def test_an_air_gap_at_its_edge(name: str) -> None:
    vertical, diameter, walls, distance, least, outcome = EDGES[name]
    wall: dict[str, Any] = {} if distance is None else {"wall_distance": distance}
    finding = judge(vertical_distance=vertical, effective_diameter=diameter, near_walls=walls, **wall)
    assert (finding.outcome, finding.at_least) == (outcome, least)
    assert finding.source.provenance == "published"
    assert "246-290-010" in finding.source.clause


@pytest.mark.parametrize("unit", ["mm", "ft", "m"])
@pytest.mark.parametrize(("walls", "inches"), [(0, 1.0), (2, 1.5)])
def test_the_least_distance_in_other_units_is_that_of_an_independent_converter(unit: str, walls: int, inches: float) -> None:
    inch = pint.UnitRegistry().Quantity(1, "inch").to({"in": "inch", "ft": "foot"}.get(unit, unit)).magnitude
    asked: dict[str, Any] = {"effective_diameter": 0.25 * inch, "near_walls": walls, "wall_distance": 0.0}
    finding = judge(unit, vertical_distance=inches * inch * 1.001, **asked)
    assert finding.outcome == "met"
    assert finding.at_least == pytest.approx(inches * inch, rel=1e-12)
    # What the answer shows as the least passes when it is typed back.
    assert judge(unit, vertical_distance=finding.at_least, **asked).outcome == "met"


@pytest.mark.parametrize("kind", ["AA", "AB", "AF", "AG"])
@pytest.mark.parametrize(
    ("vertical", "diameter", "outcome"),
    [(20.0, 8.0, "met"), (19.9, 8.0, "not_met"), (50.0, 25.0, "met"), (49.9, 25.0, "not_met")],
)
def test_en_1717_s_air_gaps_are_two_diameters_and_20_mm(kind: str, vertical: float, diameter: float, outcome: str) -> None:
    # EN 1717:2000, Annex A, family A, with EN 13076, 13077, 14622, 14623: from memory. Nothing was read of walls.
    finding = judge("mm", "eu-en1717", kind, vertical_distance=vertical, effective_diameter=diameter, near_walls=0)
    assert (finding.outcome, finding.source.provenance) == (outcome, "from_memory")


def test_where_sources_on_en_1717_differ_the_second_is_shown_beside_the_first() -> None:
    # One trade article reads EN 1717 as three diameters without a least distance [published].
    result = Installation(
        air_gap=AirGap(vertical_distance=60.0, effective_diameter=25.0, near_walls=0), subject_to_submergence=False
    )
    answer = place(PlacementRequest(rulebook="eu-en1717", kind="AA", units=Units(length="mm"), installation=result), on=ON)
    found = {finding.rule: (finding.outcome, finding.advisory, finding.source.provenance) for finding in answer.findings}
    assert found["en_1717.air_gap"] == ("met", False, "from_memory")
    assert found["en_1717.air_gap.three_diameters"] == ("not_met", True, "published")
    assert answer.outcome == "met"
