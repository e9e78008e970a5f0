"""Drawings: well-formed, the same content in words, nothing that a user wrote taken for markup."""

import datetime as dt
import re
from typing import Any
from xml.etree import ElementTree as ET

import msgspec
import pytest

from rules import Test, judge
from rules.operation import OPERABLE_KINDS, OperationRequest, Scene, draw, draw_operation, draw_verdict, operate
from rules.operation.kinds import parts_of

SVG = "{http://www.w3.org/2000/svg}"
STEPS: list[dict[str, Any]] = [
    {"label": "flowing", "supply_pressure": 62, "downstream": "outlet_open", "outlet_elevation": -12, "demand_flow": 10},
    {"supply_pressure": -8, "downstream": "outlet_open", "outlet_elevation": -12},
    {"supply_pressure": 62, "inlet_shutoff": "closed", "downstream": "outlets_closed"},
    {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80},
    {"supply_pressure": 1.8, "downstream": "outlets_closed"},
]


def operation(kind: str, steps: list[dict[str, Any]] = STEPS, **ask: Any) -> ET.Element:
    facts = {"kind": kind, "units": {"pressure": "psi", "length": "in", "flow": "gpm"}, "steps": steps, **ask}
    asked = msgspec.convert(facts, OperationRequest)
    return ET.fromstring(draw_operation(asked, operate(asked)))  # noqa: S314 - our own drawing


def words(drawing: ET.Element) -> str:
    return " ".join(one.text or "" for one in drawing.iter(f"{SVG}text"))


def reported_of(drawing: ET.Element) -> str:
    return drawing.findtext(f"{SVG}desc") or ""


@pytest.mark.parametrize("kind", OPERABLE_KINDS)
def test_every_kind_is_drawn_with_its_parts_named_and_a_text_alternative(kind: Any) -> None:
    for status in ("sound", "leaking"):
        drawing = operation(kind, conditions=dict.fromkeys(parts_of(kind), status))
        assert drawing.get("role") == "img"
        assert drawing.get("aria-labelledby") == "title desc"
        assert "flowing" in (drawing.findtext(f"{SVG}title") or "")
        for part in parts_of(kind):
            assert part.replace("_1", "").replace("_2", "").replace("_", " ") in words(drawing)
            assert (f"{part.rpartition('_')[0]}" in reported_of(drawing).replace(" ", "_")) or part == "check"
        assert len([one for one in drawing if one.tag == f"{SVG}g"]) == len(STEPS)


def test_a_type_ii_detector_is_drawn_with_its_bypass_check_round_check_2() -> None:
    drawing = operation("dcda_ii", conditions={"check": "leaking"})
    assert "bypass check: open" in words(drawing)
    assert "✗ leaks" in words(drawing)
    assert "The bypass check has failed: leaks." in reported_of(drawing)


def test_a_failed_part_is_hatched_and_named() -> None:
    drawing = operation("pvb", conditions={"check": "leaking", "air_inlet": "stuck_closed"})
    marks = [one for one in drawing.iter(f"{SVG}rect") if one.get("class") == "mark"]
    assert len(marks) == 2 * len(STEPS)
    assert "✗ leaks" in words(drawing)
    assert "✗ stuck closed" in words(drawing)
    assert "The air inlet has failed: stuck closed." in reported_of(drawing)
    assert not [one for one in operation("pvb").iter(f"{SVG}rect") if one.get("class") == "mark"]


def test_pressures_flow_and_its_direction_are_reported_in_figures() -> None:
    drawing = operation("pvb", conditions={"check": "leaking", "air_inlet": "stuck_closed"})
    assert "62 psi" in words(drawing)
    assert "−8 psi" in words(drawing)
    assert "10 gpm from the supply" in words(drawing)
    assert "gpm towards the supply" in words(drawing)
    assert "From downstream towards the supply" in reported_of(drawing)
    assert "Water from downstream reaches the supply. Protection: lost." in words(drawing)
    assert "Nothing flows past the inlet." in reported_of(drawing)


def test_what_is_discharged_and_drawn_in_is_shown() -> None:
    assert "discharging" in words(operation("rp", conditions={"check_1": "leaking"}))
    assert "drawing air" in words(operation("rp", conditions={"check_1": "leaking"}))
    assert "discharging" in words(operation("pvb", STEPS[-1:]))
    assert "drawing air" in words(operation("pvb", conditions={"check": "leaking"}))


def test_labels_are_escaped_and_wrapped() -> None:
    drawing = operation("dc", [{**STEPS[0], "label": '</text><script>alert("x")</script> & ' + "long " * 30}])
    assert not list(drawing.iter(f"{SVG}script"))
    assert "<script>" in words(drawing)
    heads = [one for one in drawing.iter(f"{SVG}text") if one.get("class") == "head"]
    assert len(heads) > 1
    assert all(len(one.text or "") <= 72 for one in heads)


def test_a_drawing_without_units_of_flow_shows_none() -> None:
    asked = msgspec.convert(
        {"kind": "rp", "units": {"pressure": "bar"}, "steps": [{"supply_pressure": 4, "downstream": "outlet_open"}]},
        OperationRequest,
    )
    drawing = ET.fromstring(draw_operation(asked, operate(asked)))  # noqa: S314 - our own drawing
    assert "from the supply" not in words(drawing)
    assert "4 bar" in words(drawing)


def test_a_scene_may_say_as_little_as_it_knows() -> None:
    drawing = ET.fromstring(draw(Scene(kind="rp", heading="")))  # noqa: S314 - our own drawing
    assert "relief valve" in words(drawing)
    assert drawing.findtext(f"{SVG}title") == ""
    assert "air gap" in words(ET.fromstring(draw(Scene(kind="air_gap", heading=""))))  # noqa: S314 - our own drawing


@pytest.mark.parametrize(
    ("flow", "discharge", "towards_customer"),
    # What goes in goes on to the customer or out at the relief valve: conservation of mass. A billionth is rounding, not flow.
    [
        (None, 0.0, []),
        (0.0, 0.0, []),
        (10.0, 0.0, [True] * 3),
        (10.0, 5.0, [True] * 3),
        (5.0, 5.0, [True] * 2),
        (0.5, 0.5, [True] * 2),
        (5.000000005, 5.0, [True] * 2),
        (-10.0, 0.0, [False] * 3),
    ],
)
def test_water_is_drawn_running_where_it_runs(flow: float | None, discharge: float, towards_customer: list[bool]) -> None:
    drawing = ET.fromstring(draw(Scene(kind="rp", heading="", flow=flow, flow_unit="gpm", discharge=discharge)))  # noqa: S314 - our own drawing
    shafts = [
        re.fullmatch(r"M(\d+) (\d+)L(\d+) \2", one.get("d") or "")
        for one in drawing.iter(f"{SVG}path")
        if one.get("class") == "wall"
    ]
    lengths = [int(one[3]) - int(one[1]) for one in shafts if one is not None]
    assert [one > 0 for one in lengths if abs(one) == 50] == towards_customer


def verdict_on(kind: str, final: bool) -> Any:  # noqa: FBT001 - a test's own helper
    good: list[dict[str, Any]] = [
        {"component": "check_1", "closed_tight": True, "held_at": 1.8, "line": line} for line in ("main", "bypass")
    ] + [{"component": "check_2", "closed_tight": True, "held_at": 1.6, "line": line} for line in ("main", "bypass")]
    bad = [*good[:3], {"component": "check_2", "closed_tight": False, "line": "bypass"}]
    if kind == "dc":
        good, bad = [{**one, "line": "main"} for one in good[::2]], [{**good[0], "held_at": 0.4}, {**good[2]}]
    test = {
        "rulebook": "us-wa",
        "performed_at": "2026-05-14T09:20:00-07:00",
        "assembly": {"kind": kind, "hazard": "non_health"},
        "units": {"pressure": "psi"},
        "initial_test": {"readings": bad},
        **({"final_test": {"readings": good}} if final else {}),
    }
    return judge(msgspec.convert(test, Test), received_at=dt.datetime(2026, 5, 15, tzinfo=dt.UTC))


def test_a_verdict_is_drawn_line_by_line_with_what_failed() -> None:
    drawing = ET.fromstring(draw_verdict("dcda", verdict_on("dcda", final=False)))  # noqa: S314 - our own drawing
    assert "main line" in words(drawing)
    assert "bypass line" in words(drawing)
    assert words(drawing).count("✗ leaks") == 1
    assert "Test: fail. Protection: degraded." in words(drawing)
    weak = ET.fromstring(draw_verdict("dc", verdict_on("dc", final=False)))  # noqa: S314 - our own drawing
    assert "✗ holds too little" in words(weak)


def test_a_verdict_is_drawn_as_its_last_test_left_the_assembly() -> None:
    drawing = ET.fromstring(draw_verdict("dc", verdict_on("dc", final=True)))  # noqa: S314 - our own drawing
    assert "✗" not in words(drawing)
    assert "Test: pass. Protection: full." in words(drawing)
