"""Why a step came out as it did, in plain sentences: each says what a part does, and which pressure makes it do so.

The sentences are read off the settled state and never decide anything.
"""

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from rules.operation.elements import AirInlet, Check, ReliefValve, Status
from rules.operation.kinds import Device, OperableKind, family_of, is_type_ii
from rules.operation.physics import differential_unit, shown_decimals, water_head
from rules.operation.zones import STILL, Boundary, State

WORDS: Final[dict[str, str]] = {
    "check": "check",
    "check_1": "first check",
    "check_2": "second check",
    "relief_valve": "relief valve",
    "air_inlet": "air inlet",
}
_HAIR: Final = 1e-6  # psi: pressures nearer than this are one pressure, as far as a sentence goes


class Told(Struct, frozen=True, kw_only=True):
    """One settled step, with the asker's units to speak in."""

    kind: OperableKind
    statuses: dict[str, Status]
    made_of: Device
    ends: Boundary
    before: State
    now: State
    supply_stated: float
    pressure_unit: str
    pressure_factor: float
    flow_unit: str
    flow_factor: float

    def pressure(self, value: float) -> str:
        """`value` [psi] in the asker's unit, with the unit."""
        return f"{_rounded(value * self.pressure_factor)} {self.pressure_unit}"

    def differential(self, value: float) -> str:
        """A difference of pressures [psi] in the caller's unit, to one decimal more than a gauge shows; psi of difference is psid."""
        shown = round(value * self.pressure_factor, shown_decimals(self.pressure_unit)) + 0.0
        return f"{shown:.{shown_decimals(self.pressure_unit)}f} {differential_unit(self.pressure_unit)}"

    def flow(self, value: float) -> str:
        """`value` [gpm] in the asker's unit, with the unit, without its sign."""
        return f"{_rounded(abs(value) * self.flow_factor)} {self.flow_unit}"

    @property
    def spat(self) -> float | None:
        """How far [psi] the differential fell short of keeping the vent closed before it discharged and closed again; None: it did not.

        For an air inlet: by how much the body was short of holding it shut as pressure came on.
        """
        vent, now = self.made_of.vent, self.now
        if vent is None or now.vent_open or self.ends.supply is None:
            return None
        if isinstance(vent, ReliefValve):
            short = vent.opening - (now.inlet - self.before.middle)
            return short if vent.status != "stuck_closed" and self.before.middle > _HAIR and short > _HAIR else None
        spits = self.kind == "pvb" and self.before.vent_open and vent.status != "stuck_closed"
        return vent.opening - self.before.middle if spits else None

    @property
    def middle_word(self) -> str:
        """What the middle zone of this kind is called."""
        return "zone" if family_of(self.kind) in {"rp", "dc", "dual_check"} else "body"


def _rounded(value: float) -> str:
    """Two decimals, or two figures where two decimals would show nothing."""
    return f"{round(value, 2) + 0.0:g}" if abs(value) >= 0.01 or abs(value) < _HAIR else f"{value:.2g}"  # noqa: PLR2004 - a matter of printing


def sentences(told: Told) -> tuple[str, ...]:
    """The sentences of one step: supply, parts in flow order, what is left of the water downstream."""
    return (*_supply(told), *_parts(told), *_downstream(told))


def _supply(told: Told) -> Iterator[str]:
    if told.ends.supply is None:
        yield "The inlet shutoff is closed: the assembly is cut off from the supply."
    elif told.supply_stated < (deepest := told.ends.air.deepest_vacuum):
        yield (
            f"No supply sucks deeper than {told.pressure(deepest)} here: below that, water boils and the water column separates. "
            "That vacuum is taken."
        )
    elif told.supply_stated < 0:
        feet = -told.supply_stated / water_head()
        yield f"The supply is under vacuum, {told.pressure(told.supply_stated)}: it could lift water {feet:.3g} ft and no more."
    else:
        yield f"The supply stands at {told.pressure(told.supply_stated)}."


def _parts(told: Told) -> Iterator[str]:
    now, made_of = told.now, told.made_of
    if not made_of.is_float:
        first = "check_1" if told.middle_word == "zone" else "check"
        yield from _check(told, first, made_of.first, above=now.inlet, below=now.middle, flow=now.flow_in)
    if isinstance(made_of.vent, ReliefValve):
        yield from _relief_valve(told, made_of.vent)
    elif made_of.vent is not None:
        yield from _air_inlet(told, made_of.vent)
    if told.middle_word == "zone":
        yield from _check(told, "check_2", made_of.second, above=now.middle, below=now.outlet, flow=now.flow_out)


def _which(told: Told, part: str) -> tuple[str, Status]:
    """What a sentence calls that check, and its status; main check 2 of a Type II detector speaks for the bypass check too."""
    word, status = WORDS[part], told.statuses.get(part, "sound")
    beside = told.statuses.get("check", "sound") if is_type_ii(told.kind) and part == "check_2" else "sound"
    if beside == "sound":
        return word, status
    return ("bypass check", beside) if status == "sound" else (f"{word}, like the bypass check beside it,", status)


def _check(told: Told, part: str, check: Check, *, above: float, below: float, flow: float) -> Iterator[str]:
    (word, status), over = _which(told, part), above - below
    if status != "sound":
        how = "is stuck open" if status == "stuck_open" else "is fouled and does not seat"
        way = "passes nothing, since nothing flows"
        air = told.now.air_back if check is told.made_of.first else 0.0
        if flow < 0 or air > 0:
            both = ([f"{told.flow(flow)} of water"] if flow < 0 else []) + ([f"{told.flow(air)} of free air"] if air > 0 else [])
            way = f"lets {' and '.join(both)} back, from {told.pressure(below)} to {told.pressure(above)}"
        elif flow > 0:
            way = f"passes {told.flow(flow)} forwards"
        yield f"The {word} {how}; it {way}."
    elif flow > 0:
        yield f"The {word} is open: {told.differential(over)} over it beat the {told.differential(check.loading)} of its spring."
    elif over < -_HAIR:
        yield f"The {word} is closed: {told.pressure(below)} behind it against {told.pressure(above)} before it press it on its seat."
    elif over > check.loading - _HAIR:
        yield f"The {word} is closed by its spring, which holds {told.differential(over)}: what is downstream stands lower by that much."
    else:
        yield f"The {word} is closed by its spring: {told.differential(over)} over it do not lift {told.differential(check.loading)}."


def _relief_valve(told: Told, relief: ReliefValve) -> Iterator[str]:
    now, over = told.now, told.now.inlet - told.now.middle
    side = "over" if over >= 0 else "under"
    state = f"the inlet is {told.differential(abs(over))} {side} the zone, and it opens below {told.differential(relief.opening)} over it"
    if (short := told.spat) is not None:
        yield from _spit(told, relief, short)
    if relief.status == "stuck_closed":
        acts = "should be open" if over < relief.opening else "has nothing to do"
        yield f"The relief valve is stuck closed and {acts}: {state}."
    elif relief.status == "stuck_open":
        yield f"The relief valve is stuck open and discharges {told.flow(now.vented)}."
    elif not now.vent_open:
        drips = f", though it drips {told.flow(now.vented)}" if now.vented > 0 else ""
        yield f"The relief valve is closed{drips}: {state}."
    elif now.vented > 0:
        yield f"The relief valve is open and discharges {told.flow(now.vented)}: {state}."
        if over > 0:
            yield "So the zone stays under the inlet, and nothing runs from it to the supply."
    elif now.vented < 0:
        yield f"The relief valve is open and lets air into the zone: {state}."
    else:
        yield f"The relief valve is open and the zone has drained: {state}."


def _spit(told: Told, relief: ReliefValve, short: float) -> Iterator[str]:
    """The relief valve discharged until the zone had followed the supply."""
    fell, margin = told.before.inlet - told.now.inlet, told.before.inlet - told.before.middle - relief.opening
    if fell > margin > 0:
        yield (
            f"The relief valve spat: the supply fell by {told.pressure(fell)}, more than the {told.differential(margin)} that the "
            f"differential stood over its opening point. It discharged until the zone had followed, and closed."
        )
    else:
        yield f"The relief valve spat: the differential was {told.differential(short)} short of keeping it closed, until the zone had followed."


def _air_inlet(told: Told, inlet: AirInlet) -> Iterator[str]:
    now = told.now
    word = "float" if told.made_of.is_float else "air inlet"
    if told.spat is not None:
        yield "The air inlet spat as the pressure came on, until the body held it shut."
    opens, body = told.pressure(inlet.opening), told.pressure(now.middle)
    if now.vent_open:
        stuck = "is stuck open" if inlet.status == "stuck_open" else "is open"
        if told.made_of.is_float:
            stuck = "has fallen, shuts the way back to the supply and opens the air inlet"
        if now.vented < 0 and now.non_potable > 0:
            yield f"The {word} {stuck}, but the air that enters leaves the body at {body}: vacuum enough to lift water from downstream."
        elif now.vented < 0:
            yield f"The {word} {stuck}: air enters the body, which stands at {body}, so the siphon is broken."
        elif now.vented > 0:
            yield f"The {word} {stuck} and spills {told.flow(now.vented)}: {body} in the body do not hold it shut, that takes {opens}."
        else:
            yield f"The {word} {stuck}: the body is at the pressure of the atmosphere, and {opens} would be needed to shut it."
    elif inlet.status == "stuck_closed":
        acts = (
            "though it should be open" if now.middle < inlet.opening else "which does not show while pressure would hold it shut"
        )
        yield f"The {word} is stuck closed, {acts}: the body stands at {body}, and a sound one opens below {opens}."
    elif told.made_of.is_float:
        yield f"The float is lifted by {body} in the body: the air inlet is shut and the way to the supply is open."
    else:
        supply = told.ends.supply
        trapped = told.ends.downstream is None and (supply is None or supply < now.middle - told.made_of.first.loading - _HAIR)
        what = "water trapped downstream" if trapped else "pressure in the body"
        drips = f" (it drips {told.flow(now.vented)})" if now.vented > 0 else ""
        yield f"The air inlet is held shut{drips} by {what}: {body}, where it opens below {opens}."


def _downstream(told: Told) -> Iterator[str]:
    now, ends = told.now, told.ends
    if ends.downstream is None:
        if now.outlet < told.before.outlet - _HAIR:
            yield f"The pressure trapped downstream has fallen from {told.pressure(told.before.outlet)} to {told.pressure(now.outlet)}."
        return
    vent = told.made_of.vent
    if isinstance(vent, AirInlet) and min(ends.downstream, now.middle) >= vent.opening and now.flow_out <= 0:
        stands = "nothing stands" if told.made_of.is_float else "only the check stands"
        yield (
            f"Backpressure holds the air inlet shut, so {stands} between it and the supply: a vacuum breaker cannot be subjected to "
            "backpressure."
        )
    suction = ends.supply is not None and ends.supply < ends.downstream - STILL
    if now.non_potable > 0:
        yield f"Water from downstream flows past the inlet towards the supply, at {told.flow(now.non_potable)}."
    elif ends.downstream < ends.air.deepest_vacuum:
        yield f"The open outlet lies deeper than any vacuum lifts water ({told.pressure(-ends.downstream)} of head)."
    elif suction and told.middle_word == "body" and now.middle < 0 and now.vent_open and now.middle > ends.downstream:
        lifted = -now.middle / water_head() * 12
        yield (
            f"The vacuum left in the {told.middle_word} lifts water {max(lifted, 0.01):.2g} in at most; the water at the outlet stands "
            f"{-ends.downstream / water_head() * 12:.3g} in lower, so none of it is drawn up: that is what height is for."
        )
    elif not ends.draws and now.outlet > max(ends.downstream, 0.0) + _HAIR:
        yield "Nothing is drawn off, so the supply keeps the outlet under pressure; open as it is, it loses that pressure with the supply."
    elif suction:
        yield "The supply is below what stands downstream, and no water from downstream passes the inlet."
