"""What an assembly is made of: checks, vents and openings, each with the law by which water or air passes it.

Every opening obeys q = A √(2 Δp / ρ); a *conductance* is A √(2 / ρ) in gpm per √psi, so that q = k √Δp. A check passes forward flow
once the pressure over it beats its spring; debris or breakage holds it open at least so far, both ways. Air passes an opening about
28 times as fast as water at the same pressure, because it is some 800 times lighter: that is why an air inlet breaks a siphon.
Pressures are gauge, in psi; flows in gpm, positive from the supply to the outlet.
"""

from functools import cache
from math import inf, sqrt
from typing import Final, Literal

from msgspec import Struct

from rules.load import read
from rules.quantities import fast_factor
from rules.sources import Source

Status = Literal["sound", "leaking", "stuck_open", "stuck_closed"]
Mechanism = Literal["backsiphonage", "backpressure", "both"]

PASCAL_PER_PSI: Final = fast_factor("psi", "kPa") * 1_000
GRAVITY: Final = 9.80665  # m/s², CGPM 1901


class Parameter(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One physical value with its unit, what it is, and where it is from."""

    value: float
    unit: Literal["psi", "kPa", "bar", "in2", "kg/m3", "in", "ft"]
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


@cache
def water_head() -> float:
    """The pressure [psi] under a foot of water."""
    return physics().water["density"].value * GRAVITY * fast_factor("ft", "m") / PASCAL_PER_PSI


@cache
def deepest_vacuum() -> float:
    """The lowest gauge pressure [psi] at which water stays water: vapour pressure less the atmosphere."""
    return physics().water["vapour_pressure"].value - physics().water["atmosphere"].value


@cache
def conductance(opening: str, fluid: Literal["density", "air_density"] = "density") -> float:
    """Gpm per √psi through the opening of that name in the data."""
    area = physics().openings[opening].value * fast_factor("in", "m") ** 2
    return area * sqrt(2 * PASCAL_PER_PSI / physics().water[fluid].value) / fast_factor("gpm", "L/s") * 1_000


class Check(Struct, frozen=True, kw_only=True):
    """A spring-loaded check; with `held_open` above 0 it passes both ways at least through that conductance.

    A plain passage is a check without a spring that is held open as wide as it goes.
    """

    loading: float
    wide: float
    held_open: float = 0.0

    def through(self, over: float, beyond: float = inf) -> float:
        """The flow for `over` [psi] across this check and an opening of conductance `beyond` in series.

        The pressure over the two is shared in closed form, since both lose with the square of the flow. The greater of the two laws
        (lifted by flow, held open by debris) holds, because debris holds the disc *at least* so far open.
        """
        held = self.held_open and _series(self.held_open, beyond) * sqrt(abs(over))
        if over <= 0:
            return -held
        lifted = _series(self.wide, beyond) * sqrt(over - self.loading) if over > self.loading else 0.0
        return max(held, lifted)

    def beside(self, other: "Check") -> "Check":
        """A check that does what this one and another in parallel do: leaks add up, and the weaker spring yields first.

        Forward flow is taken through this check's opening alone, for the other is a small metered bypass.
        """
        held_open = min(self.held_open + other.held_open, self.wide)
        return Check(loading=min(self.loading, other.loading), wide=self.wide, held_open=held_open)

    def dead_end_above(self, before: float, below: float) -> float:
        """Where the pressure of a closed-off zone upstream settles when `below` is the pressure downstream."""
        return below if self.held_open else min(before, below + self.loading)

    def dead_end_below(self, before: float, above: float) -> float:
        """Where the pressure of a closed-off zone downstream settles when `above` is the pressure upstream."""
        return above if self.held_open else max(before, above - self.loading)


def _series(one: float, other: float) -> float:
    """The conductance of two openings in series."""
    return one if other == inf else one * other / sqrt(one * one + other * other)


class AirInlet(Struct, frozen=True, kw_only=True):
    """A spring opens it; pressure in the body of `opening` or more holds it shut. Open, it spills water or drinks air."""

    opening: float
    status: Status
    air: float
    water: float
    weep: float

    def outflow(self, zone: float, *, is_open: bool) -> float:
        """The flow [gpm] out of the body through it, negative for air drawn in."""
        if zone < 0:
            return -self.air * sqrt(-zone) if is_open else 0.0
        return (self.water if is_open else self.weep) * sqrt(zone)


class ReliefValve(Struct, frozen=True, kw_only=True):
    """It opens as the inlet falls to less than `opening` over the zone, fully at `span` below that, and drains the zone."""

    opening: float
    span: float
    status: Status
    air: float
    water: float
    weep: float

    def lift(self, inlet: float, zone: float) -> float:
        """How far it is open, 0 to 1."""
        if self.status == "stuck_closed":
            return 0.0
        if self.status == "stuck_open":
            return 1.0
        return min(1.0, max(0.0, (self.opening - (inlet - zone)) / self.span))

    def outflow(self, inlet: float, zone: float) -> float:
        """The flow [gpm] out of the zone through it, negative for air drawn in."""
        lift = self.lift(inlet, zone)
        if zone < 0:
            return -self.air * lift * sqrt(-zone)
        return max(self.water * lift, self.weep) * sqrt(zone)
