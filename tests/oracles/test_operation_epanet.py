"""The hydraulic model against EPANET, an independent engine, run through wntr.

The network: a supply reservoir, the check, the body, the outlet, a reservoir at the outlet's elevation (or at the backpressure), and a
one-way pipe from a reservoir at atmosphere to the body for the air inlet. A failed check is an ordinary pipe of the same conductance,
an air inlet stuck closed is left out. Both models lose with the square of the flow, so that pressures must agree within 2 % or
0.05 psi; what EPANET cannot have is set aside here and said: springs (loadings are 0), the opening point of the air inlet (0), and
trapped pressure (each case is one steady state after rest).
"""

import math
import warnings
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec import UNSET

from rules.operation import OperationRequest, StepResult, operate
from rules.operation.physics import conductance, water_head

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # wntr's own imports warn of their own future
    import wntr

FOOT = 0.3048
GPM = 6.30901964e-5  # m³/s
SEEN = 0.01  # gpm: flows below this are EPANET's residual, not a flow
BORE = 0.0254
AIR = math.sqrt(998.2 / 1.225)  # air passes so much faster than water at the same small difference of pressure


def pipe(network: Any, name: str, start: str, end: str, k: float, *, one_way: bool = False) -> None:
    """A pipe of conductance `k` [gpm/√psi], all of it a minor loss: K = (A / A_eff)², h = K v² / 2g."""
    psi = water_head() ** -1 * FOOT  # m of water in one psi
    effective = k * GPM / math.sqrt(2 * 9.80665 * psi)
    network.add_pipe(
        name,
        start,
        end,
        length=0.001,
        diameter=BORE,
        roughness=150,
        minor_loss=(math.pi * BORE**2 / 4 / effective) ** 2,
        check_valve=one_way,
    )


def solve(network: Any, folder: Path) -> tuple[Any, Any]:
    """Pressures [psi] at the nodes (all at elevation 0) and flows [gpm] in the links."""
    network.options.hydraulic.accuracy = 1e-7
    network.options.hydraulic.trials = 500
    network.options.time.duration = 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        results = wntr.sim.EpanetSimulator(network).run_sim(file_prefix=str(folder / "case"))
    heads, flows = results.node["head"].iloc[0], results.link["flowrate"].iloc[0]
    return (lambda node: float(heads[node]) / FOOT * water_head()), (lambda link: float(flows[link]) / GPM)


def network_of(supply: float, downstream: float) -> Any:
    network = wntr.network.WaterNetworkModel()
    network.add_reservoir("supply", base_head=supply / water_head() * FOOT)
    network.add_reservoir("customer", base_head=downstream / water_head() * FOOT)
    for node in ("middle", "outlet"):
        network.add_junction(node, base_demand=0.0, elevation=0.0)
    return network


def ours(kind: str, supply: float, conditions: dict[str, str], **downstream: Any) -> StepResult:
    loadings = {"pvb": {"check": 0, "air_inlet": 0}, "dc": {"check_1": 0, "check_2": 0}}[kind]
    facts = {
        "kind": kind,
        "units": {"pressure": "psi", "length": "in", "flow": "gpm"},
        "conditions": conditions,
        "loadings": loadings,
        "steps": [{"supply_pressure": supply, **downstream}],
    }
    return operate(msgspec.convert(facts, OperationRequest)).steps[0]


def near(one: float, other: float) -> bool:
    return abs(one - other) <= max(0.05, 0.02 * abs(other))


CHECK = {"sound": "check", "leaking": "leak", "stuck_open": "check"}
PVB = [
    (supply, inches, check, inlet)
    for supply in (-12.0, -8.0, -3.0, 20.0, 120.0)
    for inches in (-36.0, -12.0, 24.0)
    for check, inlet in (
        ("sound", "sound"),
        ("leaking", "sound"),
        ("stuck_open", "sound"),
        ("sound", "stuck_closed"),
        ("leaking", "stuck_closed"),
    )
]


@pytest.mark.parametrize(("supply", "inches", "check", "inlet"), PVB)
def test_a_pressure_vacuum_breaker(supply: float, inches: float, check: str, inlet: str, tmp_path: Path) -> None:
    head = inches / 12 * water_head()
    network = network_of(supply, head)
    pipe(network, "check", "supply", "middle", conductance(CHECK[check]), one_way=check == "sound")
    pipe(network, "body", "middle", "outlet", conductance("body"))
    pipe(network, "hose", "outlet", "customer", conductance("outlet"))
    network.add_reservoir("air", base_head=0.0)
    if inlet == "sound":
        pipe(network, "inlet", "air", "middle", conductance("air_inlet") * AIR, one_way=True)
    pressure, flow = solve(network, tmp_path)
    result = ours("pvb", supply, {"check": check, "air_inlet": inlet}, downstream="outlet_open", outlet_elevation=inches)

    drawing_air = inlet == "sound" and flow("inlet") > SEEN
    if drawing_air and check != "sound" and supply < 0:
        # Difference: EPANET's only fluid is water, so that water runs to its supply where ours is sent air, which runs far faster and so
        # leaves a deeper vacuum in the body. What that comes to is held against `fluids` in test_operation_water.
        assert result.components["air_inlet"] == "open"
        assert result.pressures["body"] < pressure("middle")
        assert result.air_drawn > flow("inlet")
        assert not result.non_potable_reaches_supply or check == "stuck_open"
        return

    # The same water reaches the supply, or does not.
    assert result.non_potable_reaches_supply == (flow("check") < -SEEN and flow("hose") < -SEEN)
    if check == "leaking" and supply > 0:
        # Difference: a pipe of a leak's size stays so; our fouled check is lifted off by the flow and opens fully. Direction agrees.
        assert result.flow is not UNSET
        assert result.flow > SEEN
        assert flow("check") > SEEN
        return
    if drawing_air:
        # Difference: EPANET's only fluid is water, so that "air" runs on through the body to the outlet for ever. Our piping drains and
        # then stands in air, and the flow that EPANET still has in the hose is that drained water. The pressures hardly notice, because
        # the air inlet loses next to nothing.
        assert result.components["air_inlet"] == "open"
        # A body whose outlet is below it draws a little air in EPANET until it is drained; where nothing leaves towards the supply
        # ours then stands still.
        assert result.air_drawn == pytest.approx(max(0.0, -flow("check")) + min(0.0, flow("hose")), rel=0.02, abs=2 * SEEN)
    else:
        assert result.flow == pytest.approx(flow("check"), rel=0.02, abs=SEEN)
        if inlet == "sound" and pressure("middle") > SEEN:
            assert result.components["air_inlet"] == "closed"
    if check == "sound":
        assert result.components["check"] == ("open" if flow("check") > SEEN else "closed")
    assert near(result.pressures["body"], pressure("middle"))
    assert near(result.pressures["outlet"], pressure("outlet"))


DC = [
    (supply, downstream, first, second)
    for supply in (-12.0, -8.0, 20.0, 60.0, 120.0)
    for downstream in ({"outlet_elevation": -12.0}, {"outlet_elevation": 120.0}, {"backpressure": 80.0})
    for first, second in (
        ("sound", "sound"),
        ("stuck_open", "sound"),
        ("sound", "stuck_open"),
        ("stuck_open", "stuck_open"),
        ("leaking", "leaking"),
    )
]


@pytest.mark.parametrize(("supply", "downstream", "first", "second"), DC)
def test_a_double_check(supply: float, downstream: dict[str, float], first: str, second: str, tmp_path: Path) -> None:
    pushed = "backpressure" in downstream
    source = downstream.get("backpressure", downstream.get("outlet_elevation", 0.0) / 12 * water_head())
    network = network_of(supply, source)
    pipe(network, "check_1", "supply", "middle", conductance(CHECK[first]), one_way=first == "sound")
    pipe(network, "check_2", "middle", "outlet", conductance(CHECK[second]), one_way=second == "sound")
    pipe(network, "hose", "outlet", "customer", conductance("outlet_widest" if pushed else "outlet"))
    pressure, flow = solve(network, tmp_path)
    result = ours(
        "dc", supply, {"check_1": first, "check_2": second}, downstream="backpressure" if pushed else "outlet_open", **downstream
    )

    assert result.non_potable_reaches_supply == (flow("check_1") < -SEEN and flow("hose") < -SEEN)
    if first == "leaking" and flow("check_1") > SEEN:
        # Difference: as with the vacuum breaker, our fouled checks are lifted further by forward flow.
        assert result.flow >= flow("check_1")
        return
    assert result.flow == pytest.approx(flow("check_1"), rel=0.02, abs=SEEN)
    part: Any
    for part, status in (("check_1", first), ("check_2", second)):
        if status == "sound":
            assert result.components[part] == ("open" if flow(part) > SEEN else "closed")
    assert near(result.pressures["outlet"], pressure("outlet"))
    if abs(flow("check_1")) > SEEN or {first, second} != {"sound"}:
        # Difference: between two closed checks EPANET's zone hangs on nothing and its pressure means nothing; ours keeps what it had.
        assert near(result.pressures["zone"], pressure("middle"))


@pytest.mark.parametrize("supply", [-12.0, -8.0, -1.0, 20.0, 60.0, 120.0])
def test_an_air_gap(supply: float, tmp_path: Path) -> None:
    # What falls through open air falls one way: a one-way pipe to a reservoir at atmosphere. The customer's side hangs on that vessel.
    network = wntr.network.WaterNetworkModel()
    network.add_reservoir("supply", base_head=supply / water_head() * FOOT)
    network.add_junction("mouth", base_demand=0.0, elevation=0.0)
    network.add_reservoir("vessel", base_head=0.0)
    pipe(network, "gap", "supply", "mouth", conductance("outlet"), one_way=True)
    pipe(network, "fall", "mouth", "vessel", 1000.0)
    pressure, flow = solve(network, tmp_path)
    result = operate(
        msgspec.convert(
            {
                "kind": "air_gap",
                "units": {"pressure": "psi", "flow": "gpm"},
                "steps": [{"supply_pressure": supply, "downstream": "outlet_open"}],
            },
            OperationRequest,
        )
    ).steps[0]
    assert not result.non_potable_reaches_supply
    assert flow("gap") > -SEEN
    assert result.flow == pytest.approx(flow("gap"), rel=0.02, abs=SEEN)
    assert near(result.pressures["outlet"], pressure("mouth"))


def test_there_are_at_least_sixty_cases() -> None:
    assert len(PVB) + len(DC) + 6 >= 60
