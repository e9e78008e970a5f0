"""The physical values that the hydraulics are computed from: `data/operation.toml`, with the few figures that follow from them.

Every opening obeys q = A √(2 Δp / ρ); a *conductance* is A √(2 / ρ) in gpm per √psi, so that q = k √Δp. Pressures are gauge, in psi;
flows in gpm.
"""

from decimal import Decimal
from functools import cache
from math import sqrt
from typing import Final, Literal

from msgspec import Struct

from rules.files import read
from rules.quantities import fast_factor
from rules.sources import Source

Mechanism = Literal["backsiphonage", "backpressure", "both"]

PASCAL_PER_PSI: Final = fast_factor("psi", "kPa") * 1_000
GRAVITY: Final = 9.80665  # m/s², CGPM 1901


class Parameter(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One physical value with its unit, what it is, and where it is from."""

    value: float
    unit: Literal["psi", "kPa", "bar", "in2", "kg/m3", "in", "ft", "m", "K", "K/m", "J/(kg K)", "ratio"]
    says: str
    source: Source


class Trial(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One trial of the protection matrix; pressures in psi, the elevation in inches."""

    mechanism: Mechanism
    says: str
    supply_pressure: float
    outlet_elevation: float = 0.0
    backpressure: float | None = None
    source: Source


class Physics(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/operation.toml`."""

    water: dict[str, Parameter]
    air: dict[str, Parameter]
    openings: dict[str, Parameter]
    springs: dict[str, Parameter]
    gauge: dict[str, Parameter]
    supply: dict[str, Parameter]
    loadings: dict[str, dict[str, Parameter]]
    trials: tuple[Trial, ...]


@cache
def physics() -> Physics:
    """The physical values, read once."""
    return read("operation.toml", Physics)


def decimals(step: float) -> int:
    """How many decimals a figure has that is read in steps of `step`."""
    return max(0, -int(Decimal(str(step)).normalize().as_tuple().exponent))


@cache
def shown_decimals(pressure: str) -> int:
    """How many decimals a computed pressure in that unit is given with: one more than a common gauge shows."""
    return decimals(physics().gauge[f"resolution_{pressure}"].value) + 1


def differential_unit(pressure: str) -> str:
    """How the trade writes the unit of a differential: psid."""
    return "psid" if pressure == "psi" else pressure


@cache
def water_head() -> float:
    """The pressure [psi] under a foot of water."""
    return physics().water["density"].value * GRAVITY * fast_factor("ft", "m") / PASCAL_PER_PSI


@cache
def conductance(opening: str) -> float:
    """Gpm of water per √psi through the opening of that name in the data."""
    area = physics().openings[opening].value * fast_factor("in", "m") ** 2
    return area * sqrt(2 * PASCAL_PER_PSI / physics().water["density"].value) / fast_factor("gpm", "L/s") * 1_000
