"""Air at a site, and the law by which it passes an opening.

Air is compressible. Through a sharp opening it expands without taking up heat, and from a certain ratio of pressures on it reaches the
speed of sound there: the flow is *choked*, and a deeper vacuum draws no more (isentropic nozzle flow of a perfect gas). Flows are of
*free air*: the volume that the same air takes up at the pressure and temperature of the site, in gpm.
"""

from functools import cache
from math import sqrt

from msgspec import Struct

from rules.operation.physics import GRAVITY, PASCAL_PER_PSI, physics


class Atmosphere(Struct, frozen=True, kw_only=True):
    """The air at a site: its pressure [psi, absolute] and density [kg/m³]."""

    pressure: float
    density: float

    @property
    def deepest_vacuum(self) -> float:
        """The lowest gauge pressure [psi] at which water stays water: vapour pressure less the atmosphere."""
        return physics().water["vapour_pressure"].value - self.pressure


def atmosphere_at(elevation: float) -> Atmosphere:
    """The standard atmosphere at that elevation [m] above sea level (ISO 2533, within the troposphere)."""
    air = physics().air
    lapse, gas = air["lapse_rate"].value, air["gas_constant"].value
    temperature = air["temperature"].value - lapse * elevation
    pressure = air["pressure"].value * (temperature / air["temperature"].value) ** (GRAVITY / (lapse * gas))
    return Atmosphere(pressure=pressure, density=pressure * PASCAL_PER_PSI / (gas * temperature))


@cache
def sea_level() -> Atmosphere:
    """The standard atmosphere at sea level."""
    return atmosphere_at(0.0)


def free_air(conductance: float, upstream: float, downstream: float, air: Atmosphere) -> float:
    """The flow [gpm of free air] through an opening that passes water with that conductance, between two gauge pressures [psi].

    `upstream` is the higher one. Isentropic flow, choked below the critical ratio of the absolute pressures; the jet's contraction is
    taken to be the same as for water.
    """
    absolute = air.pressure + upstream
    if conductance <= 0 or upstream <= downstream or absolute <= 0:
        return 0.0
    gamma = physics().air["heat_ratio"].value
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    ratio = max((air.pressure + downstream) / absolute, critical)
    expansion = sqrt(2 * gamma / (gamma - 1) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma)))
    water = physics().water["density"].value
    return conductance * sqrt(water * air.pressure / (2 * air.density)) * absolute / air.pressure * expansion
