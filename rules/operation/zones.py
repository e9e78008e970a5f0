"""Zones of water joined by elements, settled to the pressures at which every flow balances.

An assembly is three zones in a row: inlet, middle (a body, or the zone between two checks), outlet. The middle is where everything
meets, so one unknown remains: its pressure. The net flow out of the middle grows with that pressure, so a bisection always finds
the balance. A zone with no way out keeps the pressure it had: that is how trapped pressure is remembered. Each zone yields a very
little (`_YIELD`), which makes the balance unique and shares out the pressure of zones that are closed off together.
The bound from below is vapour pressure: no suction reaches deeper, the water column separates instead.

Where the middle draws air, water and air leave it side by side through a check that does not seat: the water takes the share of the
opening that it needs, the air the rest. So the vacuum in the middle is what drives the air in, and it lifts water to that height.
"""

from math import inf, sqrt
from typing import Final

import msgspec
from msgspec import Struct

from rules.operation.air import Atmosphere, free_air, sea_level
from rules.operation.elements import AirInlet, Check
from rules.operation.kinds import Device

# A numerical aid, not a property of anything: gpm a zone takes up for each psi it rises. Small beside `STILL`.
_YIELD: Final = 1e-9
# Flows below this are no flow: rounding of pressures at a closing check shows as some 1e-6 gpm.
STILL: Final = 1e-5
_HALVINGS: Final = 200


class Boundary(Struct, frozen=True, kw_only=True):
    """What the ends do. `supply` or `downstream` None: closed off. The conductances are those of shutoff and outlet.

    `cock` is an open test cock's: a conductance from the middle zone to the atmosphere. An outlet that `draws` nothing is open all the
    same: it can be drawn from, and it keeps no pressure trapped.
    """

    supply: float | None
    downstream: float | None
    supply_opening: float = inf
    downstream_opening: float = inf
    cock: float = 0.0
    draws: bool = True
    air: Atmosphere = msgspec.field(default_factory=sea_level)


class State(Struct, frozen=True, kw_only=True):
    """Pressures [psi] and flows [gpm] once settled; flows positive from supply to outlet, or out of the middle through the vent.

    `air_back` is free air through the first check to the supply. `vented` below 0 is free air drawn in, the other flows are water.
    """

    inlet: float = 0.0
    middle: float = 0.0
    outlet: float = 0.0
    flow_in: float = 0.0
    flow_out: float = 0.0
    vented: float = 0.0
    air_back: float = 0.0
    vent_open: bool = True

    @property
    def non_potable(self) -> float:
        """The flow [gpm] of downstream water past the inlet, towards the supply."""
        return -self.flow_in if self.flow_in < 0 and self.flow_out < 0 else 0.0


def settle(made_of: Device, ends: Boundary, before: State) -> State:
    """The state that the zones come to rest in, or flow steadily in, having been in `before`."""
    vent = made_of.vent
    if ends.downstream is not None and not ends.draws:
        before = _bled(made_of, ends.downstream, before)
    if not isinstance(vent, AirInlet):
        return _balance(made_of, ends, before, vent_open=False)
    # The poppet is lifted against its seat by the water itself, so shut comes first: it stays so if the pressure then holds it.
    if vent.status != "stuck_open":
        way = made_of
        if made_of.is_float:
            # The float is up: it shuts the air inlet and leaves the way from the supply open.
            way = Device(
                first=Check(loading=0.0, wide=made_of.first.wide, held_open=made_of.first.wide), vent=vent, second=made_of.second
            )
        shut = _balance(way, ends, before, vent_open=False)
        if vent.status == "stuck_closed" or shut.middle >= vent.opening:
            return shut
        # A float that falls and is lifted again at once chatters: the worse of its two positions, the lifted one, is answered.
        fallen = _balance(made_of, ends, before, vent_open=True)
        return shut if fallen.middle > vent.opening else fallen
    return _balance(made_of, ends, before, vent_open=True)


def _bled(made_of: Device, outside: float, before: State) -> State:
    """`before`, with what an open outlet lets go: nothing that it keeps trapped stays above the pressure outside."""
    middle = made_of.second.dead_end_above(before.middle, outside)
    inlet = made_of.first.dead_end_above(before.inlet, middle)
    return msgspec.structs.replace(before, inlet=inlet, middle=middle, outlet=outside)


class _Balance(Struct, frozen=True, kw_only=True):
    """The middle at a trial pressure: the net flow [gpm] out of it, and what follows for the rest."""

    net: float
    inlet: float
    outlet: float
    flow_in: float
    flow_out: float
    vented: float
    air_back: float
    vent_open: bool


def _balance(made_of: Device, ends: Boundary, before: State, *, vent_open: bool) -> State:
    """The balance by bisection on the pressure of the middle."""
    low = ends.air.deepest_vacuum
    high = max(0.0, before.inlet, before.middle, before.outlet, ends.supply or 0.0, ends.downstream or 0.0)
    if _at(made_of, ends, before, low, vent_open).net >= 0:
        # More would run out than comes in however deep the vacuum: the water boils and fills the gap.
        high = low
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if middle in {low, high}:
            break
        if _at(made_of, ends, before, middle, vent_open).net > 0:
            high = middle
        else:
            low = middle
    # Where air holds the middle at atmosphere, halving ends a hair beside it.
    middle = 0.0 if abs(high) < STILL * STILL else high
    found = _at(made_of, ends, before, middle, vent_open)
    return State(
        inlet=found.inlet,
        middle=middle,
        outlet=max(found.outlet, ends.air.deepest_vacuum),
        flow_in=_still(found.flow_in),
        flow_out=_still(found.flow_out),
        vented=_still(found.vented),
        air_back=_still(found.air_back),
        vent_open=found.vent_open,
    )


def _still(flow: float) -> float:
    return flow if abs(flow) > STILL else 0.0


def _at(made_of: Device, ends: Boundary, before: State, middle: float, vent_open: bool) -> _Balance:  # noqa: FBT001 - the inner loop
    """The balance with the middle at that pressure."""
    first, second, vent = made_of.first, made_of.second, made_of.vent
    taken_up = middle - before.middle
    if ends.supply is None:
        inlet, flow_in = first.dead_end_above(before.inlet, middle), 0.0
        taken_up += inlet - before.inlet
    else:
        flow_in = first.through(ends.supply - middle, ends.supply_opening)
        inlet = ends.supply - flow_in * abs(flow_in) / ends.supply_opening**2
    is_open, vented = vent_open, 0.0
    if isinstance(vent, AirInlet):
        vented = vent.outflow(middle, ends.air, is_open=vent_open)
    elif vent is not None:
        is_open, vented = vent.lift(inlet, middle) > STILL, vent.outflow(inlet, middle, ends.air)
    if ends.cock:
        vented += ends.cock * sqrt(middle) if middle > 0 else -free_air(ends.cock, 0.0, middle, ends.air)
    if ends.downstream is None:
        outlet, flow_out = second.dead_end_below(before.outlet, middle), 0.0
        taken_up += outlet - before.outlet
    else:
        flow_out = second.through(middle - ends.downstream, ends.downstream_opening)
        outlet = ends.downstream + flow_out * abs(flow_out) / ends.downstream_opening**2
        if flow_out > 0 and not ends.draws:
            flow_out, outlet = 0.0, second.dead_end_below(ends.downstream, middle)
        elif flow_out > 0 and is_open and middle <= 0:
            # The middle is full of air: the piping below has drained and is full of air; only what still comes in runs out.
            flow_out, outlet = max(flow_in, 0.0), middle
    air_back = 0.0
    if vented < 0 and flow_in < 0 and ends.supply is not None:
        # Air and water leave side by side: the water takes its share of the opening, the air the rest.
        water = min(max(-flow_out, 0.0), -flow_in)
        air_back = (1 + water / flow_in) * free_air(first.held_open, middle, ends.supply, ends.air)
        flow_in = -water
    net = _YIELD * taken_up + flow_out + vented + air_back - flow_in
    return _Balance(
        net=net,
        inlet=inlet,
        outlet=outlet,
        flow_in=flow_in,
        flow_out=flow_out,
        vented=vented,
        air_back=air_back,
        vent_open=is_open,
    )
