"""The pressure that a choice leaves, against `fluids` (losses, heads), `iapws` (density), `numpy` (interpolation) and `pint`."""

import datetime as dt
from typing import Any

import fluids
import iapws
import numpy as np
import pint
import pytest

from rules.quantities import Units
from rules.selection import Hydraulics, LossModel, LossPoint, SelectionRequest, select
from rules.selection.hydraulics import data, loss_on_curve

ON = dt.date(2026, 6, 1)
UREG: Any = pint.UnitRegistry()
PSI = UREG.Quantity(1, "psi").to("pascal").magnitude
GPM = UREG.Quantity(1, "gallon/minute").to("m**3/s").magnitude
INCH, FOOT = 0.0254, 0.3048


def chosen(kind: str, units: Units, result: Hydraulics) -> Any:
    asked = SelectionRequest(
        rulebook="us-common",
        hazard="health",
        backpressure_possible=False,
        continuous_pressure=False,
        purpose="point_of_use",
        units=units,
        hydraulics=result,
    )
    (one,) = [one for one in select(asked, on=ON).kinds if one.kind == kind]
    return one


def test_the_density_is_that_of_cold_water() -> None:
    # iapws gives 999.1 kg/m³ at 15 °C; the figure in the data is rounded, and cold tap water stays within 0.1 % of it.
    density = data().constants[0].value
    assert density == pytest.approx(iapws.IAPWS95(T=288.15, P=0.101325).rho, rel=2e-4)
    for celsius in (5, 10, 15, 20):
        assert density == pytest.approx(iapws.IAPWS95(T=celsius + 273.15, P=0.5).rho, rel=1.2e-3)


def test_one_foot_of_height_is_0_433_psi() -> None:
    # Common practice: one foot is 0.433 psi. `fluids` says ρ g h with the density of iapws, within 0.03 % of our rounded one.
    result = Hydraulics(
        supply_pressure=60, design_flow=0, outlet_elevation_above_assembly=1, loss_curves={"rp": (LossPoint(flow=0, loss=0),)}
    )
    left = chosen("rp", Units(pressure="psi", flow="gpm", length="ft"), result).residual_pressure
    assert 60 - left == pytest.approx(0.433, abs=5e-4)
    assert 60 - left == pytest.approx(fluids.core.P_from_head(FOOT, iapws.IAPWS95(T=288.15, P=0.101325).rho) / PSI, rel=3e-4)


@pytest.mark.parametrize("flow", [0.0, 5.0, 20.0, 50.0])
@pytest.mark.parametrize("bore", [0.75, 1.0, 2.0])
def test_spring_and_coefficient_lose_what_fluids_computes(flow: float, bore: float) -> None:
    # An angle-seat check by Crane TP-410's K for a swing check in smooth pipe, as `fluids` computes it, behind a 5 psi spring.
    k = fluids.fittings.K_swing_check_valve_Crane(D=bore * INCH)
    result = Hydraulics(
        supply_pressure=80,
        design_flow=flow,
        outlet_elevation_above_assembly=12,
        required_outlet_pressure=0,
        loss_models={"rp": LossModel(spring_loading=5, loss_coefficient=k, bore=bore)},
    )
    velocity = flow * GPM / (np.pi / 4 * (bore * INCH) ** 2)
    lost = fluids.core.dP_from_K(k, rho=999.0, V=velocity) / PSI
    head = fluids.core.P_from_head(12 * INCH, 999.0) / PSI
    one = chosen("rp", Units(pressure="psi", flow="gpm", length="in"), result)
    # 9.80665 against the same constant in `fluids`: equal to rounding.
    assert one.residual_pressure == pytest.approx(80 - 5 - lost - head, rel=1e-9, abs=1e-9)
    assert [reason.holds for reason in one.reasons if reason.rule == "hydraulics.residual_pressure"] == [
        80 - 5 - lost - head >= 0
    ]


def test_metric_and_us_units_leave_the_same_pressure() -> None:
    metric = Hydraulics(
        supply_pressure=80 * PSI / 1_000,
        design_flow=20 * GPM * 1_000,
        outlet_elevation_above_assembly=20 * FOOT,
        loss_models={"rp": LossModel(spring_loading=5 * PSI / 1_000, loss_coefficient=8, bore=INCH)},
    )
    inches = Hydraulics(
        supply_pressure=80,
        design_flow=20,
        outlet_elevation_above_assembly=240,
        loss_models={"rp": LossModel(spring_loading=5, loss_coefficient=8, bore=1)},
    )
    left = chosen("rp", Units(pressure="psi", flow="gpm", length="in"), inches)
    right = chosen("rp", Units(pressure="kPa", flow="L/s", length="m"), metric)
    assert right.residual_pressure * 1_000 / PSI == pytest.approx(left.residual_pressure, rel=1e-9)


@pytest.mark.parametrize("flow", np.linspace(0, 100, 41))
def test_a_curve_is_read_as_numpy_reads_it_and_never_leaves_its_points(flow: float) -> None:
    # An RP's curve as the trade knows them: it falls from its springs' loading first, then rises. Figures of our own.
    flows, losses = [0.0, 10.0, 25.0, 60.0, 100.0], [14.0, 11.5, 10.8, 12.6, 19.0]
    curve = tuple(LossPoint(flow=f, loss=loss) for f, loss in zip(flows, losses, strict=True))
    read: Any = loss_on_curve(curve, float(flow))
    assert read == pytest.approx(np.interp(flow, flows, losses), rel=1e-12)
    place = min(int(np.searchsorted(flows, flow, side="right")), len(flows) - 1)
    assert min(losses[place - 1 : place + 1]) <= read <= max(losses[place - 1 : place + 1])


@pytest.mark.parametrize("kind", ["rp", "pvb", "svb"])
def test_a_curve_sampled_from_crane_s_losses_leaves_what_the_losses_leave(kind: str) -> None:
    # A pipe of 30 ft and two swing checks by `fluids`; between dense samples the chord errs on the safe side (loss is convex).
    bore, roughness = 1.049 * INCH, 4.5e-5

    def lost(gpm: float) -> float:
        velocity = gpm * GPM / (np.pi / 4 * bore**2)
        k = 2 * fluids.fittings.K_swing_check_valve_Crane(D=bore)
        if velocity:
            factor = fluids.friction_factor(Re=fluids.core.Reynolds(D=bore, V=velocity, nu=1.14e-6), eD=roughness / bore)
            k += fluids.core.K_from_f(fd=factor, L=30 * FOOT, D=bore)
        return float(fluids.core.dP_from_K(k, rho=999.0, V=velocity) / PSI)

    curve = tuple(LossPoint(flow=float(f), loss=lost(float(f))) for f in range(0, 41, 2))
    result = Hydraulics(supply_pressure=60, design_flow=21, required_outlet_pressure=20, loss_curves={kind: curve})
    left = chosen(kind, Units(pressure="psi", flow="gpm"), result).residual_pressure
    assert left <= 60 - lost(21)
    assert left == pytest.approx(60 - lost(21), abs=0.05)
