"""Why a step came out as it did, in plain sentences: each says what a part does, and which pressure makes it do so.

The sentences describe the settled state and never decide anything.
"""

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from rules.operation.elements import AirInlet, Check, ReliefValve, Status
from rules.operation.kinds import Device, OperableKind, family_of, is_type_ii
from rules.operation.physics import differential_unit, shown_decimals, water_head
from rules.operation.texts import join, sentence, word
from rules.operation.zones import STILL, Boundary, State

_HAIR: Final = 1e-6  # psi: pressures nearer than this are one pressure, as far as a sentence goes


class SettledStep(Struct, frozen=True, kw_only=True):
    """One settled step, and the caller's units."""

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
        """`value` [psi] in the caller's unit, with the unit."""
        return f"{_rounded(value * self.pressure_factor)} {self.pressure_unit}"

    def differential(self, value: float) -> str:
        """A difference of pressures [psi] in the caller's unit, to one decimal more than a gauge shows; psi of difference is psid."""
        shown = round(value * self.pressure_factor, shown_decimals(self.pressure_unit)) + 0.0
        return f"{shown:.{shown_decimals(self.pressure_unit)}f} {differential_unit(self.pressure_unit)}"

    def flow(self, value: float) -> str:
        """`value` [gpm] in the caller's unit, with the unit, without its sign."""
        return f"{_rounded(abs(value) * self.flow_factor)} {self.flow_unit}"

    @property
    def short_of_closing(self) -> float | None:
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


def sentences(step: SettledStep) -> tuple[str, ...]:
    """The sentences of one step: supply, parts in flow order, what is left of the water downstream."""
    return (*_supply(step), *_parts(step), *_downstream(step))


def _supply(step: SettledStep) -> Iterator[str]:
    if step.ends.supply is None:
        yield sentence("supply", "shut_off")
    elif step.supply_stated < (deepest := step.ends.air.deepest_vacuum):
        yield sentence("supply", "deeper_than_vacuum", deepest=step.pressure(deepest))
    elif step.supply_stated < 0:
        feet = -step.supply_stated / water_head()
        yield sentence("supply", "vacuum", pressure=step.pressure(step.supply_stated), feet=feet)
    else:
        yield sentence("supply", "pressure", pressure=step.pressure(step.supply_stated))


def _parts(step: SettledStep) -> Iterator[str]:
    now, made_of = step.now, step.made_of
    if not made_of.is_float:
        first = "check_1" if step.middle_word == "zone" else "check"
        yield _check(step, first, made_of.first, above=now.inlet, below=now.middle, flow=now.flow_in)
    if isinstance(made_of.vent, ReliefValve):
        yield from _relief_valve(step, made_of.vent)
    elif made_of.vent is not None:
        yield from _air_inlet(step, made_of.vent)
    if step.middle_word == "zone":
        yield _check(step, "check_2", made_of.second, above=now.middle, below=now.outlet, flow=now.flow_out)


def _name_and_status(step: SettledStep, part: str) -> tuple[str, Status]:
    """What a sentence calls that check, and its status; main check 2 of a Type II detector stands for the bypass check too."""
    status = step.statuses.get(part, "sound")
    beside = step.statuses.get("check", "sound") if is_type_ii(step.kind) and part == "check_2" else "sound"
    if beside == "sound":
        return word("part", part), status
    return (word("part", "bypass_check"), beside) if status == "sound" else (word("part", "check_2_and_bypass"), status)


def _check(step: SettledStep, part: str, check: Check, *, above: float, below: float, flow: float) -> str:
    (name, status), over = _name_and_status(step, part), above - below
    differential, loading = step.differential(over), step.differential(check.loading)
    if status != "sound":
        condition = "stuck_open" if status == "stuck_open" else "leaking"
        air = step.now.air_back if check is step.made_of.first else 0.0
        back = [sentence("check", "water", flow=step.flow(flow))] if flow < 0 else []
        back += [sentence("check", "free_air", flow=step.flow(air))] if air > 0 else []
        if back:
            returned, ends = join(back), {"above": step.pressure(above), "below": step.pressure(below)}
            return sentence("check", f"{condition}_back", part=name, flow=returned, **ends)
        if flow > 0:
            return sentence("check", f"{condition}_forward", part=name, flow=step.flow(flow))
        return sentence("check", f"{condition}_still", part=name)
    if flow > 0:
        return sentence("check", "open", part=name, differential=differential, loading=loading)
    if over < -_HAIR:
        return sentence("check", "held_by_backpressure", part=name, above=step.pressure(above), below=step.pressure(below))
    if over > check.loading - _HAIR:
        return sentence("check", "holds_its_loading", part=name, differential=differential)
    return sentence("check", "below_its_loading", part=name, differential=differential, loading=loading)


def _relief_valve(step: SettledStep, relief: ReliefValve) -> Iterator[str]:
    now, over = step.now, step.now.inlet - step.now.middle
    side = "inlet_over_zone" if over >= 0 else "inlet_under_zone"
    figures = sentence("relief_valve", side, differential=step.differential(abs(over)), opening=step.differential(relief.opening))
    if (short := step.short_of_closing) is not None:
        yield _spit(step, relief, short)
    if relief.status == "stuck_closed":
        code = "stuck_closed_needed" if over < relief.opening else "stuck_closed_idle"
        yield f"{sentence('relief_valve', code)} {figures}"
    elif relief.status == "stuck_open":
        yield sentence("relief_valve", "stuck_open", flow=step.flow(now.vented))
    elif not now.vent_open and now.vented > 0:
        yield f"{sentence('relief_valve', 'closed_dripping', flow=step.flow(now.vented))} {figures}"
    elif not now.vent_open:
        yield f"{sentence('relief_valve', 'closed')} {figures}"
    elif now.vented > 0:
        yield f"{sentence('relief_valve', 'discharges', flow=step.flow(now.vented))} {figures}"
        if over > 0:
            yield sentence("relief_valve", "zone_below_inlet")
    elif now.vented < 0:
        yield f"{sentence('relief_valve', 'draws_air')} {figures}"
    else:
        yield f"{sentence('relief_valve', 'drained')} {figures}"


def _spit(step: SettledStep, relief: ReliefValve, short: float) -> str:
    """The relief valve discharged until the zone had followed the supply."""
    fell, margin = step.before.inlet - step.now.inlet, step.before.inlet - step.before.middle - relief.opening
    if fell > margin > 0:
        return sentence("relief_valve", "spat_at_fall", fall=step.pressure(fell), margin=step.differential(margin))
    return sentence("relief_valve", "spat", short=step.differential(short))


def _air_inlet(step: SettledStep, inlet: AirInlet) -> Iterator[str]:
    now, is_float = step.now, step.made_of.is_float
    if step.short_of_closing is not None:
        yield sentence("air_inlet", "spat")
    opening, body = step.pressure(inlet.opening), step.pressure(now.middle)
    if now.vent_open:
        code = "float_fallen" if is_float else "stuck_open" if inlet.status == "stuck_open" else "open"
        yield f"{sentence('air_inlet', code)} {_open_air_inlet(step, opening, body)}"
    elif inlet.status == "stuck_closed":
        code = "stuck_closed_needed" if now.middle < inlet.opening else "stuck_closed_idle"
        yield sentence("air_inlet", code, part=word("part", "float" if is_float else "air_inlet"), body=body, opening=opening)
    elif is_float:
        yield sentence("air_inlet", "float_lifted", body=body)
    else:
        supply = step.ends.supply
        is_trapped = step.ends.downstream is None and (supply is None or supply < now.middle - step.made_of.first.loading - _HAIR)
        code = "held_by_trapped" if is_trapped else "held_by_pressure"
        if now.vented > 0:
            yield sentence("air_inlet", f"{code}_dripping", flow=step.flow(now.vented), body=body, opening=opening)
        else:
            yield sentence("air_inlet", code, body=body, opening=opening)


def _open_air_inlet(step: SettledStep, opening: str, body: str) -> str:
    now = step.now
    if now.vented < 0 and now.non_potable > 0:
        return sentence("air_inlet", "air_not_enough", body=body)
    if now.vented < 0:
        return sentence("air_inlet", "siphon_broken", body=body)
    if now.vented > 0:
        return sentence("air_inlet", "spills", flow=step.flow(now.vented), body=body, opening=opening)
    return sentence("air_inlet", "at_rest", opening=opening)


def _downstream(step: SettledStep) -> Iterator[str]:
    now, ends = step.now, step.ends
    if ends.downstream is None:
        if now.outlet < step.before.outlet - _HAIR:
            yield sentence("downstream", "trapped_fell", before=step.pressure(step.before.outlet), now=step.pressure(now.outlet))
        return
    vent = step.made_of.vent
    if isinstance(vent, AirInlet) and min(ends.downstream, now.middle) >= vent.opening and now.flow_out <= 0:
        yield sentence("downstream", "backpressure_on_float" if step.made_of.is_float else "backpressure_on_check")
    suction = ends.supply is not None and ends.supply < ends.downstream - STILL
    if now.non_potable > 0:
        yield sentence("downstream", "backflow", flow=step.flow(now.non_potable))
    elif ends.downstream < ends.air.deepest_vacuum:
        yield sentence("downstream", "too_deep", head=step.pressure(-ends.downstream))
    elif suction and step.middle_word == "body" and now.middle < 0 and now.vent_open and now.middle > ends.downstream:
        lifted, depth = (-pressure / water_head() * 12 for pressure in (now.middle, ends.downstream))
        yield sentence("downstream", "height_holds", lifted=max(lifted, 0.01), depth=depth)
    elif not ends.draws and now.outlet > max(ends.downstream, 0.0) + _HAIR:
        yield sentence("downstream", "nothing_drawn")
    elif suction:
        yield sentence("downstream", "no_backflow")
