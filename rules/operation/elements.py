"""What an assembly is made of: checks, vents and openings, each with the law by which water or air passes it.

A check passes forward flow once the pressure over it beats its spring; debris or breakage holds it open at least so far, both ways. Air
passes an opening some 28 times as fast as water at the same small difference of pressure, because it is some 800 times lighter: that is
why an air inlet breaks a siphon. Air is compressible (see `air`), so a deep vacuum draws less of it than that.
Pressures are gauge, in psi; flows in gpm, positive from the supply to the outlet.
"""

from math import inf, sqrt
from typing import Literal

from msgspec import Struct

from rules.operation.air import Atmosphere, free_air

Status = Literal["sound", "leaking", "stuck_open", "stuck_closed"]


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
    wide: float
    weep: float

    def outflow(self, zone: float, air: Atmosphere, *, is_open: bool) -> float:
        """The flow [gpm] out of the body through it, negative for free air drawn in."""
        if zone < 0:
            return -free_air(self.wide, 0.0, zone, air) if is_open else 0.0
        return (self.wide if is_open else self.weep) * sqrt(zone)


class ReliefValve(Struct, frozen=True, kw_only=True):
    """It opens as the inlet falls to less than `opening` over the zone, fully at `span` below that, and drains the zone."""

    opening: float
    span: float
    status: Status
    wide: float
    weep: float

    def lift(self, inlet: float, zone: float) -> float:
        """How far it is open, 0 to 1."""
        if self.status == "stuck_closed":
            return 0.0
        if self.status == "stuck_open":
            return 1.0
        return min(1.0, max(0.0, (self.opening - (inlet - zone)) / self.span))

    def outflow(self, inlet: float, zone: float, air: Atmosphere) -> float:
        """The flow [gpm] out of the zone through it, negative for free air drawn in."""
        lift = self.lift(inlet, zone)
        if zone < 0:
            return -free_air(self.wide * lift, 0.0, zone, air)
        return max(self.wide * lift, self.weep) * sqrt(zone)
