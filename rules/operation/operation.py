"""An assembly worked through a sequence of supply and downstream conditions, from physics alone.

The model is of one line of a nominal 1 in assembly, and quasi-static: each step is the state the water comes to rest in, or flows
steadily in, after the step before; surges are outside it. An open outlet stands in non-potable water at its elevation. Which kinds
survive which failures is no input here but an outcome (see `matrix`).
"""

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Component
from rules.errors import DocumentError
from rules.operation.because import Told, sentences
from rules.operation.elements import Check, Status, conductance, deepest_vacuum, physics, water_head
from rules.operation.matrix import Protection, protection, withstands
from rules.operation.zones import Boundary, Device, OperableKind, State, device, family_of, is_type_ii, parts_of, settle
from rules.quantities import FlowValue, LengthValue, PressureValue, Units, fast_factor

Position = Literal["open", "closed"]
Place = Literal["inlet", "zone", "body", "outlet"]

_STATUSES: dict[str, tuple[Status, ...]] = {
    "check": ("sound", "leaking", "stuck_open"),
    "vent": ("sound", "leaking", "stuck_closed", "stuck_open"),
    "float": ("sound", "leaking", "stuck_closed"),
}
CAUTION = "A model for teaching and judging, not a survey: local codes and a licensed tester decide."


class OperationStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What supply and downstream side do in one step.

    `supply_pressure` is gauge, negative for a vacuum. `outlet_elevation` is relative to the assembly, negative below; `demand_flow` is
    what the open outlet draws off with the supply sound. `backpressure` is needed with `downstream` "backpressure".
    """

    label: Annotated[str, Meta(max_length=200)] = ""
    supply_pressure: PressureValue
    inlet_shutoff: Position = "open"
    outlet_shutoff: Position = "open"
    downstream: Literal["outlet_open", "outlets_closed", "backpressure"]
    backpressure: PressureValue | None = None
    outlet_elevation: LengthValue | None = None
    demand_flow: FlowValue | None = None


class OperationAsk(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An assembly, the condition of its parts, and the steps to work it through.

    Parts not named in `conditions` are sound; `loadings` are the springs' (a relief valve's and an air inlet's: their opening points).
    """

    kind: OperableKind
    units: Units
    conditions: dict[Component, Status] = {}
    loadings: dict[Component, PressureValue] = {}
    steps: Annotated[tuple[OperationStep, ...], Meta(min_length=1, max_length=1000)]


class StepAnswer(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The state at the end of a step, in the asker's units; flows only where a unit for them was told.

    `flow` is water past the inlet; towards the supply it is negative, and then it is water from downstream. `discharge` is water out of
    relief valve or air inlet, `air_drawn` the volume of air in through it.
    """

    label: str
    components: dict[Component, Position]
    pressures: dict[Place, float]
    flow: float | UnsetType = UNSET
    discharge: float | UnsetType = UNSET
    air_drawn: float | UnsetType = UNSET
    non_potable_reaches_supply: bool
    protection: Protection
    because: tuple[str, ...]


class OperationAnswer(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One answer a step, in order, and what was taken for granted."""

    kind: OperableKind
    units: Units
    steps: tuple[StepAnswer, ...]
    assumptions: tuple[str, ...]
    caution: str = CAUTION


def operate(ask: OperationAsk) -> OperationAnswer:
    """The answer to `ask`; DocumentError where it names a part, condition, unit or figure that does not belong to it."""
    psi = _pressure_factor(ask)
    statuses, loadings = conditions_of(ask.kind, ask.conditions), loadings_of(ask.kind, ask.loadings, psi)
    if ask.kind == "air_gap":
        steps = tuple(_across_a_gap(ask, step, index, psi) for index, step in enumerate(ask.steps))
        return OperationAnswer(kind=ask.kind, units=ask.units, steps=steps, assumptions=_assumptions(ask))
    made_of, sound = device(ask.kind, statuses, loadings), device(ask.kind, {}, loadings)
    failed = frozenset(part for part, status in statuses.items() if status != "sound")
    state, reference = State(), physics().supply["nominal"].value
    answers = []
    for index, step in enumerate(ask.steps):
        ends = _ends(ask, step, index, psi=psi, sound=sound, reference=reference)
        if ends.supply is not None and ends.supply > 0:
            reference = ends.supply
        before, state = state, settle(made_of, ends, state)
        told = Told(
            kind=ask.kind,
            statuses=statuses,
            made_of=made_of,
            ends=ends,
            before=before,
            now=state,
            supply_asked=step.supply_pressure * psi,
            pressure_unit=str(ask.units.pressure),
            pressure_factor=1 / psi,
            flow_unit=ask.units.flow or "gpm",
            flow_factor=1 / _flow_factor(ask),
        )
        answers.append(_answer(ask, step, told, failed))
    return OperationAnswer(kind=ask.kind, units=ask.units, steps=tuple(answers), assumptions=_assumptions(ask))


def _pressure_factor(ask: OperationAsk) -> float:
    if ask.units.pressure is UNSET:
        raise DocumentError("Say which unit the pressures are in: psi, kPa or bar.", "/units/pressure")
    return fast_factor(ask.units.pressure, "psi")


def _flow_factor(ask: OperationAsk) -> float:
    return 1.0 if ask.units.flow is UNSET else fast_factor(ask.units.flow, "gpm")


def conditions_of(kind: OperableKind, told: dict[Component, Status], pointer: str = "") -> dict[str, Status]:
    """The conditions told, checked; DocumentError where one does not belong to its part, or the part to the kind."""
    statuses: dict[str, Status] = {}
    for part, status in told.items():
        if part not in parts_of(kind):
            raise DocumentError(_no_such_part(kind, part), f"{pointer}/conditions/{part}")
        family = "check" if part.startswith("check") else "float" if kind == "avb" else "vent"
        if status not in _STATUSES[family]:
            raise DocumentError(f"{part} can be {', '.join(_STATUSES[family])}, not {status}.", f"{pointer}/conditions/{part}")
        statuses[part] = status
    return statuses


def loadings_of(kind: OperableKind, told: dict[Component, float], psi: float, pointer: str = "") -> dict[str, float]:
    """The loadings told, in psi; DocumentError where one is out of bounds, or its part not of the kind."""
    largest = physics().springs["largest_loading"].value
    loadings: dict[str, float] = {}
    for part, value in told.items():
        if part not in parts_of(kind):
            raise DocumentError(_no_such_part(kind, part), f"{pointer}/loadings/{part}")
        if not 0 <= value * psi <= largest:
            raise DocumentError(f"A loading lies between 0 and {largest:g} psi.", f"{pointer}/loadings/{part}")
        loadings[part] = value * psi
    return loadings


def _no_such_part(kind: OperableKind, part: str) -> str:
    return f"A {kind} has no {part}; its parts are: {', '.join(parts_of(kind)) or 'none'}."


def _bounded(value: float, low: str, high: str, pointer: str) -> float:
    bounds = physics().supply
    least = bounds[low].value if low else 0.0
    if not least <= value <= bounds[high].value:
        raise DocumentError(f"The model takes pressures from {least:g} to {bounds[high].value:g} psi here.", pointer)
    return value


def _supply(step: OperationStep, index: int, psi: float) -> float:
    asked = _bounded(step.supply_pressure * psi, "deepest", "largest", f"/steps/{index}/supply_pressure")
    return max(asked, deepest_vacuum())


def _elevation(ask: OperationAsk, step: OperationStep, index: int) -> float:
    """The elevation of the open outlet in feet."""
    if step.outlet_elevation is None:
        return physics().supply["outlet_elevation"].value / 12
    if ask.units.length is UNSET:
        raise DocumentError("Say which unit the elevation is in: in, ft, mm or m.", "/units/length")
    feet = step.outlet_elevation * fast_factor(ask.units.length, "ft")
    largest = physics().supply["largest_elevation"].value
    if abs(feet) > largest:
        raise DocumentError(f"The model takes elevations up to {largest:g} ft.", f"/steps/{index}/outlet_elevation")
    return feet


def _demand(ask: OperationAsk, step: OperationStep) -> float | None:
    """The demand in gpm."""
    if step.demand_flow is None:
        return None
    if ask.units.flow is UNSET:
        raise DocumentError("Say which unit the demand is in: gpm, L/s or m3/h.", "/units/flow")
    return step.demand_flow * _flow_factor(ask)


def _ends(ask: OperationAsk, step: OperationStep, index: int, *, psi: float, sound: Device, reference: float) -> Boundary:
    """The two ends in this step; `reference` is the last supply that was a supply, by which an outlet's demand is understood."""
    supply = _supply(step, index, psi)
    inlet = supply if step.inlet_shutoff == "open" else None
    feet, demand = _elevation(ask, step, index), _demand(ask, step)
    source = None
    if step.downstream == "backpressure":
        if step.backpressure is None:
            raise DocumentError("Say how great the backpressure is.", f"/steps/{index}/backpressure")
        source = _bounded(step.backpressure * psi, "", "largest_backpressure", f"/steps/{index}/backpressure")
    if step.outlet_shutoff == "closed" or step.downstream == "outlets_closed":
        return Boundary(supply=inlet, downstream=None)
    if source is not None:
        return Boundary(supply=inlet, downstream=source, downstream_opening=conductance("outlet_widest"))
    head = feet * water_head()
    if demand is None:
        return Boundary(supply=inlet, downstream=head, downstream_opening=conductance("outlet"))
    if demand == 0:
        return Boundary(supply=inlet, downstream=head, downstream_opening=conductance("outlet"), draws=False)
    return Boundary(supply=inlet, downstream=head, downstream_opening=_opening(sound, demand, head, supply, reference))


def _opening(sound: Device, demand: float, head: float, supply: float, reference: float) -> float:
    """The outlet's conductance for which a sound assembly on a sound supply delivers the demand; at most the widest of the data."""
    used = (
        demand * demand * (1 / sound.first.wide**2 + 1 / sound.second.wide**2)
        + _spring(sound.first)
        + _spring(sound.second)
        + head
    )
    left = supply - used if supply > used else reference - used
    widest = conductance("outlet_widest")
    return min(widest, demand / left**0.5) if left > 0 else widest


def _spring(check: Check) -> float:
    return 0.0 if check.held_open else check.loading


def _position(check: Check, over: float, flow: float) -> Position:
    """A check held wide open is open; a fouled one counts as closed until flow lifts it further."""
    if check.held_open >= check.wide:
        return "open"
    return "open" if flow > 0 and over > check.loading else "closed"


def _positions(told: Told) -> dict[Component, Position]:
    now, made_of = told.now, told.made_of
    vent: Position = "open" if now.vent_open else "closed"
    first = _position(made_of.first, now.inlet - now.middle, now.flow_in)
    second = _position(made_of.second, now.middle - now.outlet, now.flow_out)
    match family_of(told.kind):
        case "rp":
            positions: dict[Component, Position] = {"check_1": first, "relief_valve": vent, "check_2": second}
        case "dc" | "dual_check":
            positions = {"check_1": first, "check_2": second}
        case "avb":
            return {"air_inlet": vent}
        case _:
            return {"check": first, "air_inlet": vent}
    if is_type_ii(told.kind):
        # Main check 2 and the bypass check are computed as one; each counts as stuck open by its own condition.
        for part in ("check_2", "check"):
            positions[part] = "open" if told.statuses.get(part) == "stuck_open" or now.flow_out > 0 else "closed"
    return positions


def _protection(ask: OperationAsk, told: Told, failed: frozenset[str]) -> Protection:
    """What stands in this step: lost where water reaches the supply, degraded where the kind is not made for what it meets."""
    if told.now.non_potable > 0:
        return "lost"
    left = protection(ask.kind, failed)
    out_of_place = (
        told.ends.downstream is not None
        and told.ends.downstream > told.now.inlet
        and told.ends.downstream > 0
        and not withstands(ask.kind, "backpressure")
    )
    return "degraded" if left == "full" and out_of_place else left


def _answer(ask: OperationAsk, step: OperationStep, told: Told, failed: frozenset[str]) -> StepAnswer:
    now = told.now
    middle: Place = "zone" if told.middle_word == "zone" else "body"
    places: tuple[tuple[Place, float], ...] = (("inlet", now.inlet), (middle, now.middle), ("outlet", now.outlet))
    pressures = {place: _clean(value * told.pressure_factor) for place, value in places}
    flows = {}
    if ask.units.flow is not UNSET:
        flows = {
            "flow": _clean((now.flow_in if now.flow_in > 0 else -now.non_potable) * told.flow_factor),
            "discharge": _clean(max(now.vented, 0.0) * told.flow_factor),
            "air_drawn": _clean(max(-now.vented, 0.0) * told.flow_factor),
        }
    return StepAnswer(
        label=step.label,
        components=_positions(told),
        pressures=pressures,
        **flows,
        non_potable_reaches_supply=now.non_potable > 0,
        protection=_protection(ask, told, failed),
        because=sentences(told),
    )


def _across_a_gap(ask: OperationAsk, step: OperationStep, index: int, psi: float) -> StepAnswer:
    """Nothing joins the two sides of an air gap: the supply falls into a vessel open to the atmosphere, whatever happens below."""
    supply, demand = _supply(step, index, psi), _demand(ask, step)
    _elevation(ask, step, index)
    runs = step.inlet_shutoff == "open" and supply > 0 and step.downstream == "outlet_open" and step.outlet_shutoff == "open"
    flows = {}
    if ask.units.flow is not UNSET:
        told = conductance("outlet") * supply**0.5 if runs and demand is None else demand or 0.0
        flows = {
            "flow": _clean(told / _flow_factor(ask)) if runs else 0.0,
            "discharge": 0.0,
            "air_drawn": 0.0,
        }
    because = (
        "The supply falls through open air into a vessel at the pressure of the atmosphere: all its pressure is lost there.",
        "Suction draws air at the end of the supply pipe, and backpressure overflows the vessel's rim: no water passes the gap backwards.",
    )
    inlet = supply if step.inlet_shutoff == "open" else 0.0
    return StepAnswer(
        label=step.label,
        components={},
        pressures={"inlet": _clean(inlet / psi), "outlet": 0.0},
        **flows,
        non_potable_reaches_supply=False,
        protection="full",
        because=because,
    )


def _clean(value: float) -> float:
    """Without the last bits of rounding, and without a negative zero."""
    return round(value, 9) + 0.0


def _assumptions(ask: OperationAsk) -> tuple[str, ...]:
    taken = ["A nominal 1 in assembly at sea level, water at 20 °C; each step is the state it settles in, without surges."]
    if any(step.downstream == "outlet_open" and step.outlet_elevation is None for step in ask.steps):
        taken.append("An open outlet whose elevation is not told stands 12 in below the assembly.")
    if ask.kind in {"rpda", "dcda"}:
        taken.append("One line of the detector assembly is shown; main and bypass work alike.")
    if is_type_ii(ask.kind):
        taken.append("The bypass check lies beside main check 2; the two are computed as one opening.")
    told = set(ask.loadings)
    if untold := [part for part in parts_of(ask.kind) if part not in told]:
        taken.append(f"Springs not told are those of a new assembly: {', '.join(untold)}.")
    return tuple(taken)
