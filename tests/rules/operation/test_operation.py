"""What an assembly does, from physics alone, against the operating facts of the trade (common practice, no source, unless stated)."""

import re
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import DocumentError
from rules.operation import OperationRequest, operate
from rules.operation.air import sea_level
from rules.operation.kinds import parts_of
from rules.operation.physics import water_head
from tests.rules.refusals import whole

UNITS = {"pressure": "psi", "length": "in", "flow": "gpm"}
STATIC = {"supply_pressure": 62, "downstream": "outlets_closed"}
FLOWING = {"supply_pressure": 62, "downstream": "outlet_open", "outlet_elevation": -12, "demand_flow": 10}
SIPHON = {"supply_pressure": -8, "downstream": "outlet_open", "outlet_elevation": -12}
TRAPPED = {"supply_pressure": -8, "downstream": "outlets_closed"}


def run(kind: str, *steps: dict[str, Any], units: dict[str, str] | None = None, **ask: Any) -> Any:
    return operate(msgspec.convert({"kind": kind, "units": units or UNITS, "steps": list(steps), **ask}, OperationRequest))


def last(kind: str, *steps: dict[str, Any], **ask: Any) -> Any:
    return run(kind, *steps, **ask).steps[-1]


def said(step: Any) -> str:
    return " ".join(step.because)


def test_dry_and_never_pressurised_the_check_is_closed_and_the_air_inlet_open() -> None:
    step = last("pvb", {"supply_pressure": 0, "downstream": "outlet_open", "demand_flow": 0})
    assert step.components == {"check": "closed", "air_inlet": "open"}
    assert step.pressures == {"inlet": 0, "body": 0, "outlet": 0}
    assert step.flow == 0


def test_static_the_body_stands_below_the_inlet_by_the_spring_and_holds_the_air_inlet_shut() -> None:
    step = last("pvb", STATIC, loadings={"check": 1.7})
    assert step.components == {"check": "closed", "air_inlet": "closed"}
    assert step.pressures["body"] == pytest.approx(60.3)
    assert step.flow == 0


def test_flowing_the_outlet_is_below_the_inlet_by_the_spring_and_a_loss_that_grows_with_flow() -> None:
    losses = []
    for demand in (1, 5, 10, 20):
        step = last("pvb", {**FLOWING, "demand_flow": demand})
        assert step.components == {"check": "open", "air_inlet": "closed"}
        assert step.flow == pytest.approx(demand)
        losses.append(62 - step.pressures["outlet"])
    assert losses == sorted(losses)
    # Beyond the 1.5 psi of the spring, the loss grows with the square of the flow, as it does in any fitting.
    assert (losses[3] - 1.5) / (losses[2] - 1.5) == pytest.approx(4, rel=0.02)


def test_a_sound_vacuum_breaker_breaks_the_siphon() -> None:
    step = last("pvb", FLOWING, SIPHON)
    assert step.components == {"check": "closed", "air_inlet": "open"}
    assert not step.non_potable_reaches_supply
    assert (step.protection, step.flow) == ("full", 0)


def test_with_the_inlet_shut_and_the_outlet_open_the_body_drains() -> None:
    step = last("svb", FLOWING, {**FLOWING, "inlet_shutoff": "closed"})
    assert step.components == {"check": "closed", "air_inlet": "open"}
    assert step.pressures["body"] == 0
    assert "cut off" in said(step)


def test_trapped_water_holds_the_air_inlet_shut_even_with_the_main_at_vacuum_until_its_pressure_is_lost() -> None:
    held, let_go = run("pvb", STATIC, TRAPPED, SIPHON).steps[1:]
    assert held.components["air_inlet"] == "closed"
    assert held.pressures == {"inlet": -8, "body": 60.5, "outlet": 60.5}
    assert "water trapped downstream" in said(held)
    assert let_go.components["air_inlet"] == "open"


def test_a_fouled_check_lets_the_trapped_pressure_go_and_the_air_inlet_opens() -> None:
    step = last("pvb", STATIC, TRAPPED, conditions={"check": "leaking"})
    assert step.components["air_inlet"] == "open"
    assert "has fallen from 62 psi" in said(step)
    assert not step.non_potable_reaches_supply


def test_the_air_inlet_saves_a_fouled_check() -> None:
    # Protected from backsiphonage, its check fouled: published in trade articles on vacuum breakers.
    step = last("pvb", FLOWING, SIPHON, conditions={"check": "leaking"})
    assert step.components["air_inlet"] == "open"
    assert step.air_drawn > 0
    assert (step.flow, step.non_potable_reaches_supply, step.protection) == (0, False, "degraded")


def test_air_through_a_fouled_check_is_compressible_and_choked() -> None:
    # By hand, NACA Report 1135, equations 43 to 61, remembered: choked below p/p0 = (2 / 2.4)^3.5 = 0.528. Upstream stands the atmosphere,
    # downstream 14.7 - 8 = 6.7 psi: 0.456, so choked. Then the free air is A sqrt(p / rho) * 0.6847
    # = 1.613e-5 m2 (0.025 in2) * sqrt(101325 / 1.225) * 0.6847 = 3.176e-3 m3/s = 50.3 gpm. Water would be 2.69.
    step = last("pvb", FLOWING, SIPHON, conditions={"check": "leaking"})
    assert step.air_drawn == pytest.approx(50.3, rel=0.005)
    assert "50.16 gpm of free air" in said(step)
    # The air inlet, 0.2 in2, passes that with 0.05 psi: k = A sqrt(2 / rho) = 217 gpm of air per root psi; (50.2 / 217)^2 = 0.0535 psi,
    # and at 27.7 in to the psi it lifts water 1.48 in.
    assert step.pressures["body"] == -0.054
    assert "lifts water at most 1.5 in" in said(step)
    # Choked: as good as full vacuum draws no more.
    deepest = last("pvb", FLOWING, {**SIPHON, "supply_pressure": -14.3}, conditions={"check": "leaking"})
    assert deepest.air_drawn == pytest.approx(step.air_drawn, rel=1e-6)
    # A gentle vacuum draws less; there air does as an incompressible fluid of its density does, within 2 %: 0.950 * sqrt(0.5 * 998.2 / 1.225).
    gentle = last("pvb", FLOWING, {**SIPHON, "supply_pressure": -0.5}, conditions={"check": "leaking"})
    assert gentle.air_drawn == pytest.approx(19.2, rel=0.03)


def test_a_check_wide_open_passes_more_air_than_the_air_inlet_can_replace() -> None:
    # The vacuum left in the body then lifts water some 11 ft: height of 12 in does not help. Physics; no statement read.
    step = last("pvb", FLOWING, SIPHON, conditions={"check": "stuck_open"})
    assert step.components["air_inlet"] == "open"
    assert step.pressures["body"] < -4
    assert (step.non_potable_reaches_supply, step.protection) == (True, "lost")
    assert "enough vacuum to lift water" in said(step)
    high = last("pvb", FLOWING, {**SIPHON, "outlet_elevation": -16 * 12}, conditions={"check": "stuck_open"})
    assert not high.non_potable_reaches_supply


def test_at_altitude_the_atmosphere_and_so_the_vacuum_are_less() -> None:
    # US Standard Atmosphere 1976, table I, remembered: 12.11 psi at 5 000 ft (tests/oracles compares with `fluids`).
    high: dict[str, Any] = {"site_elevation": 5_000 * 12}
    step = last(
        "pvb", FLOWING, {**SIPHON, "supply_pressure": -12.1}, conditions={"check": "leaking", "air_inlet": "stuck_closed"}, **high
    )
    assert step.pressures["inlet"] > -12.228
    assert step.non_potable_reaches_supply
    # What would still be lifted at sea level is not lifted there: 12.23 psi less vapour pressure lift some 27.4 ft.
    for feet, reaches in ((27, True), (28, False)):
        deep = {**SIPHON, "supply_pressure": -12.2, "outlet_elevation": -12 * feet}
        step = last("pvb", FLOWING, deep, conditions={"check": "leaking", "air_inlet": "stuck_closed"}, **high)
        assert step.non_potable_reaches_supply == reaches
    # Choked, the free air is as much by volume as at sea level but for the colder air: sqrt(278.2 / 288.15).
    low, up = (last("pvb", FLOWING, SIPHON, conditions={"check": "leaking"}, **site).air_drawn for site in ({}, high))
    assert up / low == pytest.approx((278.244 / 288.15) ** 0.5, rel=0.002)
    assert any("60000 in above sea level" in line for line in run("pvb", STATIC, **high).assumptions)


@pytest.mark.parametrize(
    ("elevation", "supply", "taken"), [(0, -14.7, True), (0, -14.71, False), (60_000, -12.23, True), (60_000, -12.3, False)]
)
def test_no_gauge_pressure_is_below_full_vacuum(elevation: float, supply: float, taken: bool) -> None:  # noqa: FBT001 - a table of cases
    step = {**SIPHON, "supply_pressure": supply, "outlet_elevation": -12 * 100}
    if taken:
        pressures = last("pvb", FLOWING, step, site_elevation=elevation).pressures
        lowest = -14.69595 if elevation == 0 else -12.229
        assert all(pressure > lowest for pressure in pressures.values()), pressures
        return
    with pytest.raises(DocumentError) as refused:
        run("pvb", step, site_elevation=elevation)
    assert whole(refused.value).pointer == "/steps/0/supply_pressure"
    assert "full vacuum" in str(refused.value)


def test_an_open_outlet_is_atmospheric_also_where_it_draws_nothing() -> None:
    # With the supply gone, nothing keeps pressure behind an open outlet: the air inlet opens. Physics.
    idle = {**FLOWING, "demand_flow": 0}
    for gone in ({**idle, "inlet_shutoff": "closed"}, {**idle, "supply_pressure": 0}, {**idle, "supply_pressure": -8}):
        step = last("pvb", STATIC, idle, gone)
        assert step.components == {"check": "closed", "air_inlet": "open"}
        assert (step.pressures["body"], step.pressures["outlet"]) == (0, 0)
    # With the supply sound it is what an ever smaller demand comes to.
    small = last("pvb", {**FLOWING, "demand_flow": 0.001})
    assert last("pvb", idle).pressures["outlet"] == pytest.approx(small.pressures["outlet"], abs=1e-3)
    assert "No water is drawn off" in said(last("pvb", idle))
    # A reduced pressure assembly likewise: behind check 2 stands the atmosphere, less the 12 in that the outlet lies lower.
    step = last("rp", STATIC, {**idle, "inlet_shutoff": "closed"})
    assert step.pressures["outlet"] == pytest.approx(-0.433, abs=0.005)


def test_a_relief_valve_spits_when_the_supply_dips_by_more_than_its_margin() -> None:
    # Check 1 holds 7.0, the relief valve opens at 2.8: a margin of 4.2 psi. That dips of the supply make it spit: trade articles, published.
    for dip, spits in ((4.1, False), (4.3, True), (20, True)):
        step = last("rp", STATIC, {**STATIC, "supply_pressure": 62 - dip})
        assert step.spat == spits, dip
        assert ("The relief valve spat" in said(step)) == spits
        assert step.components["relief_valve"] == "closed"
    assert "fell by 4.3 psi, more than the 4.20 psid" in said(last("rp", STATIC, {**STATIC, "supply_pressure": 57.7}))
    assert not last("rp", STATIC, {**STATIC, "supply_pressure": 40}, conditions={"relief_valve": "stuck_closed"}).spat
    # From the dip on, it stands at its opening point: the least further dip makes it spit again.
    again = last("rp", STATIC, {**STATIC, "supply_pressure": 50}, {**STATIC, "supply_pressure": 49})
    assert again.spat
    # Held full of pressure from downstream, the zone makes it spit too when the supply comes back too little.
    assert not last("rp", STATIC, {**STATIC, "supply_pressure": 90}).spat


def test_an_air_inlet_of_a_pvb_spits_as_pressure_comes_on_and_an_svbs_does_not() -> None:
    # Common practice, no source.
    assert last("pvb", STATIC).spat
    assert "spat as the pressure came on" in said(last("pvb", STATIC))
    assert not last("pvb", STATIC, STATIC).spat
    assert not last("svb", STATIC).spat


def test_the_check_alone_saves_a_stuck_air_inlet() -> None:
    step = last("pvb", FLOWING, SIPHON, conditions={"air_inlet": "stuck_closed"})
    assert step.components == {"check": "closed", "air_inlet": "closed"}
    assert (step.non_potable_reaches_supply, step.protection) == (False, "degraded")
    assert "but should be open" in said(step)


def test_a_fouled_check_and_a_stuck_air_inlet_are_a_live_cross_connection() -> None:
    step = last("pvb", FLOWING, SIPHON, conditions={"check": "leaking", "air_inlet": "stuck_closed"})
    assert step.non_potable_reaches_supply
    assert step.flow < 0
    assert step.protection == "lost"
    assert "towards the supply" in said(step)


def test_deeper_vacuum_draws_more() -> None:
    flows = [
        last("pvb", {**SIPHON, "supply_pressure": vacuum}, conditions={"check": "leaking", "air_inlet": "stuck_closed"}).flow
        for vacuum in (-2, -8, -14)
    ]
    assert flows == sorted(flows, reverse=True)


def test_what_twelve_inches_of_height_are_for() -> None:
    # The air inlet leaves a little vacuum in the body: it lifts water from an outlet level with the assembly, not from 12 in below.
    fouled = {"check": "leaking"}
    assert last("pvb", FLOWING, {**SIPHON, "outlet_elevation": 0}, conditions=fouled).non_potable_reaches_supply
    low = last("pvb", FLOWING, SIPHON, conditions=fouled)
    assert not low.non_potable_reaches_supply
    assert "this is why a vacuum breaker must be installed above its outlets" in said(low)


def test_an_outlet_above_a_vacuum_breaker_floods_it() -> None:
    high = {**SIPHON, "outlet_elevation": 60}
    step = last("pvb", FLOWING, high, conditions={"check": "leaking"})
    assert step.components["air_inlet"] == "closed"
    assert step.non_potable_reaches_supply


@pytest.mark.parametrize(("feet", "reaches"), [(33, True), (33.5, False)])
def test_no_vacuum_lifts_water_beyond_its_own_weight(feet: Any, reaches: Any) -> None:
    # 33.9 ft at sea level, less what vapour pressure takes: about 33.2 ft at 20 °C.
    step = last(
        "pvb",
        FLOWING,
        {**SIPHON, "supply_pressure": -14.7, "outlet_elevation": -12 * feet},
        conditions={"check": "leaking", "air_inlet": "stuck_closed"},
    )
    assert step.non_potable_reaches_supply == reaches
    assert ("is lower than any vacuum can lift water from" in said(step)) == (not reaches)
    assert "No supply can pull a vacuum deeper" in said(step)
    assert step.pressures["body"] >= round(sea_level().deepest_vacuum, 2)


def test_backpressure_defeats_a_vacuum_breaker() -> None:
    push = {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80}
    sound = last("pvb", FLOWING, push)
    assert sound.components == {"check": "closed", "air_inlet": "closed"}
    assert (sound.non_potable_reaches_supply, sound.protection) == (False, "degraded")
    assert "must not be subjected to backpressure" in said(sound)
    assert last("pvb", FLOWING, push, conditions={"check": "leaking"}).non_potable_reaches_supply
    atmospheric = last("avb", FLOWING, push)
    assert atmospheric.non_potable_reaches_supply
    assert "so nothing is left between" in said(atmospheric)


def test_an_atmospheric_vacuum_breakers_float_falls() -> None:
    assert last("avb", FLOWING).components == {"air_inlet": "closed"}
    fallen = last("avb", FLOWING, SIPHON)
    assert fallen.components == {"air_inlet": "open"}
    assert not fallen.non_potable_reaches_supply
    assert not last("avb", FLOWING, SIPHON, conditions={"air_inlet": "leaking"}).non_potable_reaches_supply
    assert last("avb", FLOWING, SIPHON, conditions={"air_inlet": "stuck_closed"}).non_potable_reaches_supply


def test_a_float_that_chatters_is_answered_in_its_worse_position() -> None:
    # Enough water comes back to lift the fallen float, too little to hold it lifted once it lets go.
    step = last("avb", FLOWING, {"supply_pressure": -12, "downstream": "outlet_open", "outlet_elevation": 12 * 12})
    assert step.components == {"air_inlet": "closed"}
    assert step.non_potable_reaches_supply


def test_at_rest_under_pressure_an_rp_stands_in_two_steps_with_its_relief_valve_closed() -> None:
    step = last("rp", STATIC, loadings={"check_1": 7, "check_2": 1.5})
    assert step.pressures == {"inlet": 62, "zone": 55, "outlet": 53.5}
    assert step.components == {"check_1": "closed", "relief_valve": "closed", "check_2": "closed"}


def test_a_dry_rp_stands_with_its_relief_valve_open() -> None:
    step = last("rp", {"supply_pressure": 0, "downstream": "outlets_closed"})
    assert step.components["relief_valve"] == "open"
    assert "the zone has drained" in said(step)


def test_the_relief_valve_of_an_rp_dumps_on_a_leaking_check_and_holds_the_zone_2_psi_under_the_inlet() -> None:
    step = last("rp", STATIC, conditions={"check_1": "leaking"})
    assert step.components["relief_valve"] == "open"
    assert step.discharge > 0
    assert step.discharge == pytest.approx(step.flow)
    assert step.pressures["inlet"] - step.pressures["zone"] >= 2
    assert step.protection == "degraded"


def test_an_rp_dumps_what_backpressure_drives_through_a_leaking_second_check() -> None:
    step = last(
        "rp", STATIC, {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80}, conditions={"check_2": "leaking"}
    )
    assert step.discharge > 0
    assert not step.non_potable_reaches_supply
    assert step.pressures["inlet"] - step.pressures["zone"] >= 2


def test_a_falling_supply_opens_the_relief_valve_until_the_zone_has_followed() -> None:
    step = last("rp", STATIC, {**STATIC, "supply_pressure": 40}, loadings={"relief_valve": 3})
    assert step.pressures["zone"] == pytest.approx(37, abs=1e-3)
    assert step.pressures["outlet"] == pytest.approx(53.5), "check 2 keeps what is trapped behind it"


def test_an_rp_on_a_broken_main_drains_its_zone() -> None:
    step = last("rp", FLOWING, SIPHON)
    assert step.components == {"check_1": "closed", "relief_valve": "open", "check_2": "closed"}
    assert step.pressures["zone"] == 0


def test_an_rp_with_its_relief_valve_stuck_stands_on_its_checks() -> None:
    for conditions in ({"relief_valve": "stuck_closed"}, {"relief_valve": "stuck_closed", "check_1": "leaking"}):
        step = last("rp", FLOWING, SIPHON, conditions=conditions)
        assert (step.non_potable_reaches_supply, step.protection) == (False, "degraded")
        assert "stuck closed, but should be open" in said(step)
    assert "does not need to open now" in said(last("rp", STATIC, conditions={"relief_valve": "stuck_closed"}))
    all_three = {"check_1": "leaking", "relief_valve": "stuck_closed", "check_2": "leaking"}
    assert last("rp", FLOWING, SIPHON, conditions=all_three).non_potable_reaches_supply


def test_a_relief_valve_stuck_open_discharges_always_and_one_that_weeps_drips() -> None:
    stuck = last("rp", STATIC, conditions={"relief_valve": "stuck_open"})
    assert "stuck open and discharges" in said(stuck)
    weeping = last("rp", STATIC, conditions={"relief_valve": "leaking"})
    assert weeping.components["relief_valve"] == "closed"
    assert 0 < weeping.discharge < 1 < stuck.discharge
    assert "but drips" in said(weeping)


def test_a_double_check_with_one_failed_check_still_holds_and_with_two_does_not() -> None:
    for push in (SIPHON, {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80}):
        for conditions in ({"check_1": "leaking"}, {"check_2": "stuck_open"}):
            step = last("dc", FLOWING, push, conditions=conditions)
            assert (step.non_potable_reaches_supply, step.protection) == (False, "degraded")
        both = last("dc", FLOWING, push, conditions={"check_1": "leaking", "check_2": "stuck_open"})
        assert both.non_potable_reaches_supply
        assert both.protection == "lost"


def test_a_dual_check_and_a_detector_work_as_double_checks_and_rps_do() -> None:
    assert last("dual_check", STATIC).pressures == {"inlet": 62, "zone": 61.5, "outlet": 61}
    answer = run("dcda", STATIC)
    assert answer.steps[0].pressures == run("dc", STATIC).steps[0].pressures
    assert any("One line of the detector" in line for line in answer.assumptions)
    assert run("rpda", SIPHON).steps[0].components == run("rp", SIPHON).steps[0].components


def test_the_bypass_check_of_a_type_ii_detector_leaks_beside_main_check_2() -> None:
    push = {"supply_pressure": 40, "downstream": "backpressure", "backpressure": 80}
    sound = last("dcda_ii", FLOWING)
    assert sound.components == {"check_1": "open", "check_2": "open", "check": "open"}
    one = last("dcda_ii", FLOWING, push, conditions={"check": "stuck_open"})
    assert one.components == {"check_1": "closed", "check_2": "closed", "check": "open"}
    assert (one.non_potable_reaches_supply, one.protection) == (False, "degraded")
    assert "The bypass check is stuck open" in said(one)
    two = last("dcda_ii", FLOWING, push, conditions={"check_1": "leaking", "check": "leaking"})
    assert (two.non_potable_reaches_supply, two.protection) == (True, "lost")
    both = last("rpda_ii", STATIC, push, conditions={"check_2": "leaking", "check": "leaking"})
    assert both.discharge > last("rpda_ii", STATIC, push, conditions={"check_2": "leaking"}).discharge > 0
    assert "like the bypass check beside it" in said(both)
    assert any("beside main check 2" in line for line in run("rpda_ii", STATIC).assumptions)


def test_an_air_gap_loses_all_pressure_and_lets_nothing_back() -> None:
    flowing, result, sucked, shut = run(
        "air_gap",
        FLOWING,
        {"supply_pressure": 60, "downstream": "outlet_open"},
        SIPHON,
        {"supply_pressure": 60, "inlet_shutoff": "closed", "downstream": "backpressure", "backpressure": 90},
    ).steps
    assert flowing.pressures == {"inlet": 62, "outlet": 0}
    assert flowing.flow == 10
    assert result.flow > 0
    assert (sucked.flow, sucked.non_potable_reaches_supply, sucked.protection) == (0, False, "full")
    assert shut.pressures["inlet"] == 0
    assert (
        run("air_gap", FLOWING | {"demand_flow": None}, units={"pressure": "psi", "length": "in"}).steps[0].flow is msgspec.UNSET
    )


def test_an_air_inlet_spills_until_the_body_has_pressure_enough_to_shut_it() -> None:
    step = last("pvb", {"supply_pressure": 2.0, "downstream": "outlets_closed"}, loadings={"check": 1.5, "air_inlet": 1.3})
    assert step.components["air_inlet"] == "open"
    assert step.discharge > 0
    assert "spills" in said(step)
    assert last("pvb", STATIC, conditions={"air_inlet": "stuck_open"}).discharge > 0
    weeping = last("pvb", STATIC, conditions={"air_inlet": "leaking"})
    assert weeping.components["air_inlet"] == "closed"
    assert "but drips" in said(weeping)
    assert "is stuck closed, which does not show" in said(last("pvb", STATIC, conditions={"air_inlet": "stuck_closed"}))


def test_a_relief_valve_stuck_open_lets_a_vacuum_draw_air() -> None:
    step = last("rp", FLOWING, SIPHON, conditions={"relief_valve": "sound", "check_1": "stuck_open"})
    assert step.air_drawn > 0
    assert "lets air into the zone" in said(step)
    assert "gpm of free air flow back" in said(step)


def test_a_part_that_leaks_both_ways_is_said_to_do_so() -> None:
    forward = last("dc", FLOWING, conditions={"check_1": "leaking"})
    assert forward.components["check_1"] == "open"
    assert "it passes 10 gpm forward" in said(forward)
    level = last("pvb", FLOWING, {**SIPHON, "outlet_elevation": 0}, conditions={"check": "leaking"})
    assert "gpm of water and" in said(level)
    assert "of free air flow back" in said(level)
    assert "of water flow back" in said(last("dc", FLOWING, SIPHON, conditions={"check_1": "leaking", "check_2": "leaking"}))
    assert "no water passes it" in said(last("dc", STATIC, conditions={"check_1": "leaking"}))


def test_an_outlet_that_draws_nothing_can_still_be_drawn_from() -> None:
    idle = {**FLOWING, "demand_flow": 0}
    assert last("pvb", idle).flow == 0
    assert last("pvb", idle).pressures["body"] == pytest.approx(60.5)
    sucked = last("pvb", idle, {**SIPHON, "demand_flow": 0}, conditions={"check": "leaking", "air_inlet": "stuck_closed"})
    assert sucked.non_potable_reaches_supply


def test_demand_is_what_the_outlet_draws_with_the_supply_sound() -> None:
    # Half the pressure to spare gives less than the demand only where the demand was reported for a sound supply before.
    assert last("dc", {**FLOWING, "demand_flow": 7.5}).flow == pytest.approx(7.5)
    sunk = last("dc", FLOWING, {**FLOWING, "supply_pressure": 1})
    assert sunk.flow == 0
    assert sunk.components == {"check_1": "closed", "check_2": "closed"}
    # Nothing this size passes a 1 in assembly: the outlet is then as wide as it goes.
    assert 0 < last("dc", {**FLOWING, "demand_flow": 5000}).flow < 150


def test_a_shutoff_closed_at_the_outlet_is_as_good_as_closed_outlets() -> None:
    assert last("rp", STATIC, {**SIPHON, "outlet_shutoff": "closed"}).pressures == last("rp", STATIC, TRAPPED).pressures


def test_answers_come_back_in_the_callers_units() -> None:
    psi = last("rp", FLOWING)
    bar = last(
        "rp",
        {"supply_pressure": 4.27474953, "downstream": "outlet_open", "outlet_elevation": -304.8, "demand_flow": 2.271247},
        units={"pressure": "bar", "length": "mm", "flow": "m3/h"},
    )
    assert bar.flow == pytest.approx(psi.flow * 0.2271247, rel=1e-3)
    assert bar.pressures["zone"] == pytest.approx(psi.pressures["zone"] * 0.06894757, abs=0.001)
    assert "bar" in said(bar)
    assert last("rp", STATIC, units={"pressure": "psi"}).flow is msgspec.UNSET


def test_what_is_taken_for_granted_is_reported() -> None:
    answer = run("pvb", SIPHON | {"outlet_elevation": None}, units={"pressure": "psi"}, loadings={"check": 1, "air_inlet": 1})
    assert any("12 in below" in line for line in answer.assumptions)
    assert not any("Springs not stated" in line for line in answer.assumptions)
    assert answer.steps[0].pressures["outlet"] == 0


@pytest.mark.parametrize(
    ("kind", "change", "pointer"),
    [
        ("pvb", {"units": {"length": "in"}}, "/units/pressure"),
        ("pvb", {"units": {"pressure": "psi", "flow": "gpm"}}, "/units/length"),
        ("pvb", {"units": {"pressure": "psi", "length": "in"}}, "/units/flow"),
        ("pvb", {"conditions": {"check_1": "leaking"}}, "/conditions/check_1"),
        ("air_gap", {"conditions": {"check_1": "leaking"}}, "/conditions/check_1"),
        ("pvb", {"conditions": {"check": "stuck_closed"}}, "/conditions/check"),
        ("avb", {"conditions": {"air_inlet": "stuck_open"}}, "/conditions/air_inlet"),
        ("rp", {"loadings": {"check": 1}}, "/loadings/check"),
        ("rp", {"loadings": {"check_1": -1}}, "/loadings/check_1"),
        ("rp", {"loadings": {"check_1": 30.05}}, "/loadings/check_1"),
        ("rp", {"steps": [{**FLOWING, "supply_pressure": -14.8}]}, "/steps/0/supply_pressure"),
        ("rp", {"steps": [FLOWING, {**FLOWING, "supply_pressure": 151}]}, "/steps/1/supply_pressure"),
        ("rp", {"steps": [{"supply_pressure": 40, "downstream": "backpressure"}]}, "/steps/0/backpressure"),
        ("rp", {"steps": [{"supply_pressure": 40, "downstream": "backpressure", "backpressure": -1}]}, "/steps/0/backpressure"),
        ("dc", {"steps": [{**FLOWING, "outlet_elevation": 12_001}]}, "/steps/0/outlet_elevation"),
    ],
)
def test_what_does_not_belong_is_refused_where_it_stands(kind: Any, change: Any, pointer: Any) -> None:
    with pytest.raises(DocumentError) as refused:
        operate(msgspec.convert({"kind": kind, "units": UNITS, "steps": [FLOWING], **change}, OperationRequest))
    assert whole(refused.value).pointer == pointer
    # What is said names what was reported, and what can be.
    if pointer.startswith("/conditions"):
        part = pointer.rpartition("/")[2]
        status = change["conditions"][part]
        if part in parts_of(kind):
            assert str(refused.value).startswith(f"`{part}` cannot be `{status}`. Send one of: `sound`, `leaking`, ")
        else:
            assert str(refused.value).startswith(f"A `{kind}` has no `{part}`")
            assert all(f"`{other}`" in str(refused.value) for other in parts_of(kind))


def test_the_largest_loading_and_the_ends_of_the_supply_are_taken() -> None:
    ends = [{**FLOWING, "supply_pressure": pressure} for pressure in (-14.7, 150)]
    facts = {"kind": "rp", "units": UNITS, "steps": ends, "loadings": {"check_1": 30, "relief_valve": 0}}
    assert len(operate(msgspec.convert(facts, OperationRequest)).steps) == 2


def test_no_figure_has_nine_digits_and_no_zero_is_negative() -> None:
    # One decimal more than a common gauge shows: tenths of a psi, whole kPa, hundredths of a bar (common practice, no source).
    for unit, decimals in (("psi", 2), ("kPa", 1), ("bar", 3)):
        for kind in ("rp", "dc", "pvb", "avb", "air_gap"):
            steps = [{**STATIC, "supply_pressure": 0}, {**FLOWING, "supply_pressure": 8}, {**SIPHON, "supply_pressure": -0.7}]
            for step in run(kind, *steps, units={"pressure": unit, "length": "in", "flow": "gpm"}).steps:
                for pressure in step.pressures.values():
                    assert pressure == round(pressure, decimals) or abs(pressure) < 10 ** (1 - decimals), (unit, pressure)
                figures = [*step.pressures.values(), step.flow, step.discharge, step.air_drawn]
                assert all(len(f"{figure!r}".replace("-", "").replace(".", "")) <= 5 for figure in figures), figures
                assert "-0.0" not in [str(figure) for figure in figures]
                assert not any(re.search(r"\d{6}|-0 |-0\.0+ ", line) for line in step.because), step.because


def test_differentials_are_written_psid() -> None:
    said_of = said(last("rp", STATIC))
    assert "The inlet is 7.00 psid above the zone; the relief valve opens below 2.80 psid." in said_of
    assert "The supply is at 62 psi." in said_of
    kpa = said(last("rp", {**STATIC, "supply_pressure": 430}, units={"pressure": "kPa"}))
    assert "48.3 kPa above the zone" in kpa
    assert "psid" not in kpa


CHECKS = st.sampled_from(["sound", "leaking", "stuck_open"])
VENTS = st.sampled_from(["sound", "leaking", "stuck_closed"])
PARTS = {
    "rp": {"check_1": CHECKS, "relief_valve": VENTS, "check_2": CHECKS},
    "dc": {"check_1": CHECKS, "check_2": CHECKS},
    "pvb": {"check": CHECKS, "air_inlet": VENTS},
}
CONDITIONS = st.sampled_from(sorted(PARTS)).flatmap(lambda kind: st.tuples(st.just(kind), st.fixed_dictionaries(PARTS[kind])))
SUPPLY = st.floats(-14.5, 150)
# Vacuum breakers stand above their outlets, and are not subjected to backpressure: an outlet above one can hold its air inlet shut or
# not, as the supply happens to stand, and then the first property does not hold. Of a model or of the real thing.
BELOW = st.floats(-240, 0).map(lambda inches: {"downstream": "outlet_open", "outlet_elevation": inches})
PUSHING = st.floats(0, 200).map(lambda psi: {"downstream": "backpressure", "backpressure": psi})
ANY_STEP = st.builds(
    lambda supply, inlet, outlet, downstream: {
        "supply_pressure": supply,
        "inlet_shutoff": inlet,
        "outlet_shutoff": outlet,
        **downstream,
    },
    SUPPLY,
    st.sampled_from(["open", "closed"]),
    st.sampled_from(["open", "closed"]),
    BELOW | PUSHING | st.just({"downstream": "outlets_closed"}),
)


MADE_AND_MET = CONDITIONS.flatmap(lambda made: st.tuples(st.just(made), BELOW if made[0] == "pvb" else BELOW | PUSHING))


@given(MADE_AND_MET, SUPPLY, SUPPLY)
def test_more_supply_pressure_never_makes_a_protected_assembly_unprotected(made_and_met: Any, one: Any, other: Any) -> None:
    (kind, conditions), downstream = made_and_met
    low, high = (
        last(kind, FLOWING, {"supply_pressure": supply, **downstream}, conditions=conditions).non_potable_reaches_supply
        for supply in sorted((one, other))
    )
    assert low or not high


@given(MADE_AND_MET, SUPPLY, st.randoms())
def test_repairing_a_part_never_lets_more_through(made_and_met: Any, supply: Any, random: Any) -> None:
    (kind, conditions), downstream = made_and_met
    step = {"supply_pressure": supply, **downstream}
    repaired = {**conditions, random.choice(sorted(conditions)): "sound"}
    before = last(kind, FLOWING, step, conditions=conditions)
    after = last(kind, FLOWING, step, conditions=repaired)
    assert before.non_potable_reaches_supply or not after.non_potable_reaches_supply
    ranks = {"lost": 0, "unknown": 1, "degraded": 2, "full": 3}
    assert ranks[after.protection] >= ranks[before.protection]


@given(CONDITIONS, st.lists(ANY_STEP, min_size=1, max_size=6))
def test_zone_pressures_stay_within_those_that_drive_them(made: Any, steps: Any) -> None:
    kind, conditions = made
    before = {"inlet": 0.0, "outlet": 0.0}
    for step, result in zip(steps, run(kind, *steps, conditions=conditions).steps, strict=True):
        drivers = [0.0, *before.values()]
        if step["inlet_shutoff"] == "open":
            drivers.append(max(step["supply_pressure"], sea_level().deepest_vacuum))
        if step["outlet_shutoff"] == "open" and step["downstream"] != "outlets_closed":
            drivers.append(step.get("backpressure", step.get("outlet_elevation", 0) / 12 * water_head()))
        for place, pressure in result.pressures.items():
            assert min(drivers) - 0.006 <= pressure <= max(drivers) + 0.006, place
        before = result.pressures


@given(CONDITIONS, st.lists(ANY_STEP, min_size=1, max_size=4))
def test_the_same_ask_gives_the_same_bytes(made: Any, steps: Any) -> None:
    kind, conditions = made
    one, other = (msgspec.json.encode(run(kind, *steps, conditions=conditions)) for _ in range(2))
    assert one == other
