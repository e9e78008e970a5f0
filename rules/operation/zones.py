"""Zones of water joined by elements, settled to the pressures at which every flow balances.

An assembly is three zones in a row: inlet, middle (a body, or the zone between two checks), outlet. The middle is where everything
meets, so one unknown remains: its pressure. The net flow out of the middle grows with that pressure, so a bisection always finds
the balance. A zone with no way out keeps the pressure it had: that is how trapped pressure is remembered. Each zone yields a very
little (`_YIELD`), which makes the balance unique and shares out the pressure of zones that are closed off together.
The bound from below is vapour pressure: no suction reaches deeper, the column parts instead.
"""

from math import copysign, inf, sqrt
from typing import Final, Literal, get_args

from msgspec import Struct

from rules.operation.elements import AirInlet, Check, ReliefValve, Status, conductance, deepest_vacuum, physics

OperableKind = Literal["rp", "rpda", "dc", "dcda", "pvb", "svb", "avb", "dual_check", "air_gap", "rpda_ii", "dcda_ii"]
OPERABLE_KINDS: Final[tuple[OperableKind, ...]] = get_args(OperableKind)

# A numerical aid, not a property of anything: gpm a zone takes up for each psi it rises. Small beside `STILL`.
_YIELD: Final = 1e-9
# Flows below this are no flow: rounding of pressures at a closing check shows as some 1e-6 gpm.
STILL: Final = 1e-5
_HALVINGS: Final = 200

_FAMILY: Final[dict[OperableKind, OperableKind]] = {"rpda": "rp", "dcda": "dc", "rpda_ii": "rp", "dcda_ii": "dc"}
# Type II: the bypass lies beside main check 2 only, with one check of its own, so both lines are one device.
_TYPE_II: Final[frozenset[OperableKind]] = frozenset({"rpda_ii", "dcda_ii"})
_PARTS: Final[dict[OperableKind, tuple[str, ...]]] = {
    "rp": ("check_1", "relief_valve", "check_2"),
    "dc": ("check_1", "check_2"),
    "dual_check": ("check_1", "check_2"),
    "pvb": ("check", "air_inlet"),
    "svb": ("check", "air_inlet"),
    "avb": ("air_inlet",),
    "air_gap": (),
}


def family_of(kind: OperableKind) -> OperableKind:
    """The kind that one line of a detector assembly is; any other kind itself."""
    return _FAMILY.get(kind, kind)


def is_type_ii(kind: OperableKind) -> bool:
    """Whether the kind is a Type II detector assembly, whose bypass check `check` lies beside main check 2."""
    return kind in _TYPE_II


def parts_of(kind: OperableKind) -> tuple[str, ...]:
    """The parts of an assembly of that kind, in flow order.

    A Type I detector assembly's are those of one line. A Type II's are the main line's and then the bypass check, `check`.
    """
    return (*_PARTS[family_of(kind)], *(("check",) if kind in _TYPE_II else ()))


class Device(Struct, frozen=True, kw_only=True):
    """The elements of one line. With `is_float`, the first check and the air inlet are one part: an atmospheric vacuum breaker's."""

    first: Check
    vent: AirInlet | ReliefValve | None
    second: Check
    is_float: bool = False


class Boundary(Struct, frozen=True, kw_only=True):
    """What the ends do. `supply` or `downstream` None: closed off. The conductances are those of shutoff and outlet.

    `cock` is an open test cock's: a conductance from the middle zone to the atmosphere. An outlet that `draws` nothing can still be
    drawn from.
    """

    supply: float | None
    downstream: float | None
    supply_opening: float = inf
    downstream_opening: float = inf
    cock: float = 0.0
    draws: bool = True


class State(Struct, frozen=True, kw_only=True):
    """Pressures [psi] and flows [gpm] once settled; flows positive from supply to outlet, or out of the middle through the vent."""

    inlet: float = 0.0
    middle: float = 0.0
    outlet: float = 0.0
    flow_in: float = 0.0
    flow_out: float = 0.0
    vented: float = 0.0
    vent_open: bool = True

    @property
    def non_potable(self) -> float:
        """The flow [gpm] of downstream water past the inlet, towards the supply.

        What runs back is a mixture of what the middle takes in from downstream and through the vent.
        """
        if self.flow_in >= 0 or self.flow_out >= 0:
            return 0.0
        return -self.flow_in * self.flow_out / (self.flow_out + min(self.vented, 0.0))


def device(kind: OperableKind, statuses: dict[str, Status], loadings: dict[str, float], leak: float | None = None) -> Device:
    """The elements of one line of that kind; parts not named in `statuses` are sound, loadings not named are the data's.

    `leak` is the conductance of a leaking check, where it is not the data's.
    """
    family = family_of(kind)
    usual = physics().loadings[kind if kind in _TYPE_II else family]
    wide, fouled = conductance("check"), conductance("leak") if leak is None else leak
    passage = Check(loading=0.0, wide=conductance("body"), held_open=conductance("body"))

    def load(part: str) -> float:
        return loadings.get(part, usual[part].value)

    def check(part: str) -> Check:
        held = {"leaking": fouled, "stuck_open": wide}.get(statuses.get(part, "sound"), 0.0)
        return Check(loading=load(part), wide=wide, held_open=held)

    second = check("check_2") if family in {"rp", "dc", "dual_check"} else passage
    if kind in _TYPE_II:
        second = second.beside(check("check"))
    if family in {"dc", "dual_check"}:
        return Device(first=check("check_1"), vent=None, second=second)
    if family == "rp":
        relief = ReliefValve(
            opening=load("relief_valve"),
            span=physics().springs["relief_span"].value,
            status=statuses.get("relief_valve", "sound"),
            air=conductance("relief_valve", "air_density"),
            water=conductance("relief_valve"),
            weep=conductance("weep") if statuses.get("relief_valve") == "leaking" else 0.0,
        )
        return Device(first=check("check_1"), vent=relief, second=second)
    status = statuses.get("air_inlet", "sound")
    inlet = AirInlet(
        opening=load("air_inlet"),
        status=status,
        air=conductance("air_inlet", "air_density"),
        water=conductance("air_inlet"),
        weep=conductance("weep") if status == "leaking" else 0.0,
    )
    if family == "avb":
        seat = Check(loading=0.0, wide=wide, held_open=fouled if status == "leaking" else 0.0)
        return Device(first=seat, vent=inlet, second=passage, is_float=True)
    return Device(first=check("check"), vent=inlet, second=passage)


def settle(made_of: Device, ends: Boundary, before: State) -> State:
    """The state that the zones come to rest in, or flow steadily in, having been in `before`."""
    vent = made_of.vent
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


def _balance(made_of: Device, ends: Boundary, before: State, *, vent_open: bool) -> State:
    """The balance by bisection on the pressure of the middle."""
    low = deepest_vacuum()
    high = max(0.0, before.inlet, before.middle, before.outlet, ends.supply or 0.0, ends.downstream or 0.0)
    if _at(made_of, ends, before, low, vent_open)[0] >= 0:
        # More would run out than comes in however deep the vacuum: the water boils and fills the gap.
        high = low
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if middle in {low, high}:
            break
        if _at(made_of, ends, before, middle, vent_open)[0] > 0:
            high = middle
        else:
            low = middle
    # Where air holds the middle at atmosphere, halving ends a hair beside it.
    middle = 0.0 if abs(high) < STILL * STILL else high
    _, inlet, outlet, flow_in, flow_out, vented, is_open = _at(made_of, ends, before, middle, vent_open)
    return State(
        inlet=inlet,
        middle=middle,
        outlet=outlet,
        flow_in=flow_in if abs(flow_in) > STILL else 0.0,
        flow_out=flow_out if abs(flow_out) > STILL else 0.0,
        vented=vented if abs(vented) > STILL else 0.0,
        vent_open=is_open,
    )


def _at(
    made_of: Device,
    ends: Boundary,
    before: State,
    middle: float,
    vent_open: bool,  # noqa: FBT001 - the inner loop
) -> tuple[float, float, float, float, float, float, bool]:
    """With the middle at that pressure: net flow out of it, inlet, outlet, flow in, flow out, vented, whether the vent is open."""
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
        vented = vent.outflow(middle, is_open=vent_open)
    elif vent is not None:
        is_open, vented = vent.lift(inlet, middle) > STILL, vent.outflow(inlet, middle)
    if ends.cock:
        vented += copysign(ends.cock * sqrt(abs(middle)), middle)
    if ends.downstream is None:
        outlet, flow_out = second.dead_end_below(before.outlet, middle), 0.0
        taken_up += outlet - before.outlet
    else:
        flow_out = second.through(middle - ends.downstream, ends.downstream_opening)
        outlet = ends.downstream + flow_out * abs(flow_out) / ends.downstream_opening**2
        if flow_out > 0 and not ends.draws:
            flow_out, outlet = 0.0, second.dead_end_below(ends.downstream, middle)
        elif flow_out > 0 and is_open and middle <= 0:
            # The middle is full of air: the piping below has drained and stands in air; only what still comes in runs out.
            flow_out, outlet = max(flow_in, 0.0), middle
    return _YIELD * taken_up + flow_out + vented - flow_in, inlet, outlet, flow_in, flow_out, vented, is_open
