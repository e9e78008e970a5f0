"""An assembly worked through a sequence of supply and downstream conditions, from physics alone.

The model is of one line of a nominal 1 in assembly, and quasi-static: each step is the state the water comes to rest in, or flows
steadily in, after the step before; surges are outside it. An open outlet is under non-potable water at its elevation. Which kinds
survive which failures is no input here but an outcome (see `matrix`).
"""

from collections.abc import Mapping
from typing import Final, Literal

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component
from rules.operation.because import SettledStep, sentences
from rules.operation.elements import Check, Status
from rules.operation.ends import StepEntered, ends_of, read_step, site_air
from rules.operation.entered import conditions_of, loadings_of
from rules.operation.kinds import OperableKind, device, family_of, is_type_ii, parts_of
from rules.operation.matrix import MECHANISMS, Protection, survives, withstands
from rules.operation.physics import conductance, physics, shown_decimals
from rules.operation.request import OperationRequest, OperationStep, Position, flow_factor, pressure_factor
from rules.operation.texts import sentence
from rules.operation.zones import State, settle
from rules.quantities import Units

Place = Literal["inlet", "zone", "body", "outlet"]

CAUTION: Final = sentence("caution", "model")


_HAIR: Final = 1e-6  # pressures nearer to the atmosphere's than this are the atmosphere's


class StepResult(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The state at the end of a step, in the caller's units; flows only where a unit for them was stated.

    `flow` is water past the inlet; towards the supply it is negative, and then it is water from downstream. `discharge` is water out of
    relief valve or air inlet, `air_drawn` the volume of free air in through it. `spat`: whether the relief valve or air inlet discharged
    while the step settled, and then closed.
    """

    label: str
    """The step's label."""
    components: dict[Component, Position]
    """The position of each part."""
    pressures: dict[Place, float]
    """The pressure at each place, in `units.pressure`, above atmosphere."""
    flow: float | UnsetType = UNSET
    """Water past the inlet, in `units.flow`; negative: towards the supply."""
    discharge: float | UnsetType = UNSET
    """Water out of the relief valve or air inlet, in `units.flow`."""
    air_drawn: float | UnsetType = UNSET
    """Free air in through the relief valve or air inlet, in `units.flow`."""
    spat: bool
    """Whether the relief valve or air inlet discharged while the step settled, and then closed."""
    non_potable_reaches_supply: bool
    """Whether water from downstream flows past the inlet."""
    protection: Protection
    """What the assembly in this condition does."""
    because: tuple[str, ...]
    """Why, in sentences."""


class OperationResult(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One answer a step, in order, and what was assumed."""

    kind: OperableKind
    """The kind simulated."""
    units: Units
    """The units of all numbers."""
    steps: tuple[StepResult, ...]
    """An answer for each step, in order."""
    assumptions: tuple[str, ...]
    """What was assumed."""
    caution: str = CAUTION


def operate(request: OperationRequest) -> OperationResult:
    """The answer to `request`; DocumentError where it names a part, condition, unit or figure that does not belong to it."""
    psi, air = pressure_factor(request.units), site_air(request)
    statuses, loadings = conditions_of(request.kind, request.conditions), loadings_of(request.kind, request.loadings, psi)
    entered = [read_step(request, step, index, air) for index, step in enumerate(request.steps)]
    if request.kind == "air_gap":
        gap = tuple(_across_a_gap(request, step, figures, psi) for step, figures in zip(request.steps, entered, strict=True))
        return OperationResult(kind=request.kind, units=request.units, steps=gap, assumptions=_assumptions(request))
    made_of, sound = device(request.kind, statuses, loadings), device(request.kind, {}, loadings)
    state, reference = State(), physics().supply["nominal"].value
    answers = []
    for step, figures in zip(request.steps, entered, strict=True):
        ends = ends_of(figures, sound, reference, air)
        if ends.supply is not None and ends.supply > 0:
            reference = ends.supply
        before, state = state, settle(made_of, ends, state)
        settled = SettledStep(
            kind=request.kind,
            statuses=statuses,
            made_of=made_of,
            ends=ends,
            before=before,
            now=state,
            supply_stated=figures.supply_stated,
            pressure_unit=str(request.units.pressure),
            pressure_factor=1 / psi,
            flow_unit=request.units.flow or "gpm",
            flow_factor=1 / flow_factor(request.units),
        )
        answers.append(_answer(request, step, settled))
    return OperationResult(kind=request.kind, units=request.units, steps=tuple(answers), assumptions=_assumptions(request))


def _position(check: Check, over: float, flow: float) -> Position:
    """A check held wide open is open; a fouled one counts as closed until flow lifts it further."""
    if check.held_open >= check.wide:
        return "open"
    return "open" if flow > 0 and over > check.loading else "closed"


def _positions(settled: SettledStep) -> dict[Component, Position]:
    now, made_of = settled.now, settled.made_of
    vent: Position = "open" if now.vent_open else "closed"
    first = _position(made_of.first, now.inlet - now.middle, now.flow_in)
    second = _position(made_of.second, now.middle - now.outlet, now.flow_out)
    match family_of(settled.kind):
        case "rp":
            positions: dict[Component, Position] = {"check_1": first, "relief_valve": vent, "check_2": second}
        case "dc" | "dual_check":
            positions = {"check_1": first, "check_2": second}
        case "avb":
            return {"air_inlet": vent}
        case _:
            return {"check": first, "air_inlet": vent}
    if is_type_ii(settled.kind):
        # Main check 2 and the bypass check are computed as one; each counts as stuck open by its own condition.
        for part in ("check_2", "check"):
            positions[part] = "open" if settled.statuses.get(part) == "stuck_open" or now.flow_out > 0 else "closed"
    return positions


def _protection(settled: SettledStep) -> Protection:
    """What the assembly does in this step: lost where water reaches the supply, degraded where the kind is not made for what it meets."""
    if settled.now.non_potable > 0:
        return "lost"
    left = protection_in(settled.kind, settled.statuses)
    out_of_place = (
        settled.ends.downstream is not None
        and settled.ends.downstream > settled.now.inlet
        and settled.ends.downstream > 0
        and not withstands(settled.kind, "backpressure")
    )
    return "degraded" if left == "full" and out_of_place else left


def protection_in(kind: OperableKind, statuses: Mapping[str, Status]) -> Protection:
    """`full`: no part failed. `degraded`: it stops every mechanism that the kind withstands; `lost`: none; `unknown`: some, not all."""
    failed = {part: status for part, status in statuses.items() if status != "sound"}
    if not failed:
        return "full"
    stops = {survives(kind, failed, mechanism) for mechanism in MECHANISMS if withstands(kind, mechanism)}
    return "unknown" if len(stops) > 1 else "degraded" if True in stops else "lost"


def _answer(request: OperationRequest, step: OperationStep, settled: SettledStep) -> StepResult:
    now = settled.now
    middle: Place = "zone" if settled.middle_word == "zone" else "body"
    places: tuple[tuple[Place, float], ...] = (("inlet", now.inlet), (middle, now.middle), ("outlet", now.outlet))
    pressures = {place: _shown(value * settled.pressure_factor, settled.pressure_unit) for place, value in places}
    flows = {}
    if request.units.flow is not UNSET:
        flows = {
            "flow": _flow((now.flow_in if now.flow_in > 0 else -now.non_potable) * settled.flow_factor),
            "discharge": _flow(max(now.vented, 0.0) * settled.flow_factor),
            "air_drawn": _flow(max(-now.vented, 0.0) * settled.flow_factor),
        }
    return StepResult(
        label=step.label,
        components=_positions(settled),
        pressures=pressures,
        **flows,
        spat=settled.short_of_closing is not None,
        non_potable_reaches_supply=now.non_potable > 0,
        protection=_protection(settled),
        because=sentences(settled),
    )


def _across_a_gap(request: OperationRequest, step: OperationStep, entered: StepEntered, psi: float) -> StepResult:
    """Nothing joins the two sides of an air gap: the supply falls into a vessel open to the atmosphere, whatever happens below."""
    supply = entered.supply
    runs = entered.inlet_open and entered.outlet_open and supply > 0 and entered.backpressure is None
    flows = {}
    if request.units.flow is not UNSET:
        falling = conductance("outlet") * supply**0.5 if runs and entered.demand is None else entered.demand or 0.0
        flows = {
            "flow": _flow(falling / flow_factor(request.units)) if runs else 0.0,
            "discharge": 0.0,
            "air_drawn": 0.0,
        }
    because = (sentence("air_gap", "pressure_lost"), sentence("air_gap", "no_backflow"))
    inlet = supply if entered.inlet_open else 0.0
    return StepResult(
        label=step.label,
        components={},
        pressures={"inlet": _shown(inlet / psi, str(request.units.pressure)), "outlet": 0.0},
        **flows,
        spat=False,
        non_potable_reaches_supply=False,
        protection="full",
        because=because,
    )


def _shown(pressure: float, unit: str) -> float:
    """To one decimal more than a common gauge shows, a slight vacuum in two figures, and without a negative zero."""
    shown = round(pressure, shown_decimals(unit)) + 0.0
    slight = abs(shown) < 10 ** (1 - shown_decimals(unit)) and abs(pressure) >= _HAIR
    return float(f"{pressure:.2g}") if slight else shown


def _flow(value: float) -> float:
    """Four figures, and without a negative zero: a flow that is there is never shown as none."""
    return float(f"{value:.4g}") + 0.0


def _assumptions(request: OperationRequest) -> tuple[str, ...]:
    if request.site_elevation is UNSET:
        taken = [sentence("assumption", "at_sea_level")]
    else:
        elevation, unit = float(request.site_elevation), str(request.units.length)
        taken = [sentence("assumption", "at_elevation", elevation=elevation, unit=unit)]
    if any(step.downstream == "outlet_open" and step.outlet_elevation is None for step in request.steps):
        taken.append(sentence("assumption", "outlet_elevation"))
    if request.kind in {"rpda", "dcda"}:
        taken.append(sentence("assumption", "one_line"))
    if is_type_ii(request.kind):
        taken.append(sentence("assumption", "bypass_check"))
    if not_stated := [part for part in parts_of(request.kind) if part not in request.loadings]:
        taken.append(sentence("assumption", "springs", parts=", ".join(not_stated)))
    return tuple(taken)
