"""The physical values of the model against reference libraries: iapws (water), fluids (atmosphere, losses)."""

import math
import warnings

import pytest

from rules.operation.air import atmosphere_at, free_air, sea_level
from rules.operation.physics import conductance, physics, water_head

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the libraries' own imports warn of their own future
    import fluids
    import iapws

WATER, AIR = physics().water, physics().air


# Each is held to the digits in which it is written.
def test_the_density_of_water_is_iapws_97s() -> None:
    assert WATER["density"].value == round(iapws.IAPWS97(T=293.15, P=0.101325).rho, 1)


def test_the_vapour_pressure_of_water_is_iapws_97s() -> None:
    megapascal = 145.0377377
    assert WATER["vapour_pressure"].value == pytest.approx(iapws.IAPWS97(T=293.15, x=0).P * megapascal, abs=0.0001)


def test_the_atmosphere_is_the_standard_one_at_sea_level() -> None:
    sea = fluids.ATMOSPHERE_1976(0)
    assert AIR["pressure"].value == round(sea.P / 6894.757293168, 5)
    assert sea_level().density == pytest.approx(sea.rho, rel=1e-6)


@pytest.mark.parametrize("metres", [-400, 0, 305, 1_609, 2_500, 4_000, 6_000])
def test_the_atmosphere_at_a_site_is_the_standard_ones(metres: float) -> None:
    # ISO 2533 takes geopotential height; `fluids` reckons it from the geometric one, 1 in 1 000 less at 6 km.
    there = fluids.ATMOSPHERE_1976(metres)
    assert atmosphere_at(metres).pressure * 6894.757293168 == pytest.approx(there.P, rel=1e-3)
    assert atmosphere_at(metres).density == pytest.approx(there.rho, rel=1e-3)


@pytest.mark.parametrize("metres", [0, 1_609])
@pytest.mark.parametrize("downstream", [-0.2, -1, -3, -5, -6.5, -8, -12])
@pytest.mark.parametrize("opening", ["leak", "check", "air_inlet"])
def test_air_through_an_opening_is_a_nozzles(opening: str, downstream: float, metres: float) -> None:
    # API 520, part 1, sizing equations for gas, critical and subcritical, as `fluids` has them: they give the area for a flow.
    air = atmosphere_at(metres)
    gpm = free_air(conductance(opening), 0.0, downstream, air)
    kelvin = AIR["temperature"].value - AIR["lapse_rate"].value * metres
    pascal = 6894.757293168
    area = fluids.API520_A_g(
        m=gpm * 6.30901964e-5 * air.density,
        T=kelvin,
        Z=1,
        MW=28.9644,
        k=AIR["heat_ratio"].value,
        P1=air.pressure * pascal,
        P2=(air.pressure + downstream) * pascal,
        Kd=1,
    )
    # Their constants are rounded to three figures.
    assert area == pytest.approx(physics().openings[opening].value * 0.0254**2, rel=2e-3)


def test_air_stands_still_without_a_difference_of_pressure() -> None:
    assert free_air(1.0, -2.0, -2.0, sea_level()) == 0
    assert free_air(0.0, 0.0, -2.0, sea_level()) == 0


def test_heads_are_the_trades() -> None:
    # One foot is 0.433 psi, 2.31 ft is 1 psi, 27.7 in of water is 1 psi: common practice, no source.
    assert water_head() == pytest.approx(0.433, abs=0.0005)
    assert 1 / water_head() == pytest.approx(2.31, abs=0.005)
    assert 12 / water_head() == pytest.approx(27.7, abs=0.05)


def test_the_barometric_limit() -> None:
    # About 33.9 ft at sea level (common practice, no source; the trade leaves vapour pressure out).
    assert AIR["pressure"].value / water_head() == pytest.approx(33.9, abs=0.1)
    assert -sea_level().deepest_vacuum / water_head() == pytest.approx(33.9 - 0.8, abs=0.1)
    # A barometric loop rises 35 ft: more than any vacuum lifts, at sea level and a fortiori higher up.
    assert -sea_level().deepest_vacuum / water_head() < 35


@pytest.mark.parametrize("feet", [0, 1_000, 5_280, 10_000])
def test_at_altitude_a_vacuum_lifts_less_so_the_model_at_sea_level_is_on_the_safe_side(feet: float) -> None:
    lift = fluids.ATMOSPHERE_1976(feet * 0.3048).P / (WATER["density"].value * 9.80665) / 0.3048
    assert lift <= AIR["pressure"].value / water_head() + 1e-3
    # The rule of thumb of 1.1 ft less lift for each 1 000 ft of altitude (common practice, no source).
    assert lift == pytest.approx(33.9 - 1.1 * feet / 1_000, abs=0.8)


def test_a_check_loses_about_two_and_a_half_psi_at_25_gpm_beyond_its_spring() -> None:
    # Loss curves of 1 in assemblies: common practice, no source.
    assert (25 / conductance("check")) ** 2 == pytest.approx(2.5, abs=0.06)


@pytest.mark.parametrize("opening", ["check", "leak", "body", "outlet", "relief_valve"])
@pytest.mark.parametrize("gpm", [1.0, 10.0, 25.0])
def test_an_opening_loses_what_fluids_gives_for_its_loss_coefficient(opening: str, gpm: float) -> None:
    bore = math.pi * 0.0254**2 / 4
    effective = physics().openings[opening].value * 0.0254**2
    speed = gpm * 6.30901964e-5 / bore
    loss = fluids.dP_from_K((bore / effective) ** 2, rho=WATER["density"].value, V=speed) / 6894.757293168
    assert (gpm / conductance(opening)) ** 2 == pytest.approx(loss, rel=1e-6)


def test_air_passes_an_opening_as_much_faster_as_it_is_lighter() -> None:
    # Where the difference of pressure is small, as 0.01 psi.
    ratio = free_air(1.0, 0.0, -0.01, sea_level()) / 0.01**0.5
    assert ratio == pytest.approx(math.sqrt(iapws.IAPWS97(T=293.15, P=0.101325).rho / fluids.ATMOSPHERE_1976(0).rho), rel=1e-3)
