"""Unit factors against pint (NIST's values), and the gauge's head of water against IAPWS."""

import itertools
from typing import Any

import pint
import pytest
from iapws import IAPWS97

from rules.field_test.uncertainty import head_per_length, water
from rules.quantities import convert, exact_factor, fahrenheit

UREG: Any = pint.UnitRegistry()
PINT = {
    "psi": "psi",
    "kPa": "kPa",
    "bar": "bar",
    "in": "inch",
    "ft": "foot",
    "mm": "mm",
    "m": "m",
    "gpm": "gallon/minute",
    "L/s": "liter/second",
    "m3/h": "meter**3/hour",
}
ALIKE = [("psi", "kPa", "bar"), ("in", "ft", "mm", "m"), ("gpm", "L/s", "m3/h")]


@pytest.mark.parametrize(("unit", "to"), [pair for units in ALIKE for pair in itertools.permutations(units, 2)])
def test_a_factor_is_pints(unit: str, to: str) -> None:
    theirs = UREG.Quantity(1.0, PINT[unit]).to(PINT[to]).magnitude
    assert float(exact_factor(unit, to)) == pytest.approx(theirs, rel=1e-12)
    assert convert(2.5, unit, to) == pytest.approx(2.5 * theirs, rel=1e-12)


def test_degrees_are_pints() -> None:
    assert fahrenheit(21.5, "degC") == pytest.approx(UREG.Quantity(21.5, "degC").to("degF").magnitude, rel=1e-12)


def test_the_density_of_water_is_iapws() -> None:
    # IAPWS-IF97 at 15 °C and atmospheric pressure.
    assert water().density == pytest.approx(IAPWS97(T=288.15, P=0.101325).rho, rel=1e-4)


def test_one_foot_of_water_is_what_the_trade_says() -> None:
    # One foot is 0.433 psi, 2.31 ft and 27.7 in are 1 psi: common practice, no source.
    assert head_per_length("ft", "psi") == pytest.approx(0.433, abs=5e-4)
    assert 2.31 * head_per_length("ft", "psi") == pytest.approx(1.0, abs=2e-3)
    assert 27.7 * head_per_length("in", "psi") == pytest.approx(1.0, abs=2e-3)
