"""A relief valve that discharges is no promise: overwhelmed, it is reported as what it is."""

import msgspec

from rules.operation import OperationRequest, operate


def test_a_relief_valve_overwhelmed_by_a_pump_discharges_and_still_lets_water_pass_to_the_supply() -> None:
    # Physics, no source: the second check gone altogether, the first leaking, 80 psi behind an assembly that the main feeds at 40.
    ask = {
        "kind": "rp",
        "units": {"pressure": "psi", "length": "in", "flow": "gpm"},
        "conditions": {"check_1": "leaking", "check_2": "stuck_open"},
        "steps": [
            {"supply_pressure": 60, "downstream": "outlet_open", "outlet_elevation": -12, "demand_flow": 5},
            {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80},
        ],
    }
    result = operate(msgspec.convert(ask, OperationRequest, strict=False)).steps[1]
    assert result.components["relief_valve"] == "open"
    assert result.pressures["zone"] > result.pressures["inlet"]
    assert result.non_potable_reaches_supply
    assert result.protection == "lost"
    assert not any("nothing runs from it to the supply" in sentence for sentence in result.because)
