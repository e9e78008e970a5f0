"""The pressure a kind leaves at the critical outlet: supply − loss at the design flow − elevation head.

The loss is the user's own, from a curve or from a spring and a loss coefficient; the tables know no maker's losses, and none is
made up. A curve is read between its points along straight lines, which never pass above or below the two points beside them,
and never beyond its ends: there the loss is not determined, and the kind is not admitted. Where a kind breaks the pressure
nothing is left after it. Density and working bounds are data (`data/selection/hydraulics.toml`).
"""

import math
from bisect import bisect_left
from functools import cache
from itertools import pairwise
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules import load
from rules.errors import DocumentError
from rules.quantities import STANDARD_GRAVITY, FlowValue, LengthValue, PressureValue, TemperatureUnit, Units, convert, fahrenheit
from rules.selection.tables import Outcome, cite
from rules.sources import Cited, Source


class LossPoint(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One point of a loss curve."""

    flow: FlowValue
    """The flow, in `units.flow`."""
    loss: Annotated[float, Meta(ge=0, le=100_000, description="The pressure lost at that flow, in `units.pressure`.")]
    """The loss of pressure, in `units.pressure`."""


class LossModel(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A spring and a loss coefficient: loss = `spring_loading` + K · ρ v² / 2, with v the mean velocity in the bore."""

    spring_loading: Annotated[float, Meta(ge=0, le=1_000, description="What the springs hold back, in `units.pressure`.")]
    """The loading of the springs, in `units.pressure`."""
    loss_coefficient: Annotated[float, Meta(ge=0, le=10_000, description="K, without a unit, on the velocity in the bore.")]
    """The loss coefficient, without unit, of the velocity head in the bore."""
    bore: Annotated[float, Meta(ge=1e-6, le=100_000, description="The inner diameter, in `units.length`.")]
    """The bore, in `units.length`."""


KindCode = Annotated[str, Meta(min_length=1, max_length=40)]
Curve = Annotated[tuple[LossPoint, ...], Meta(min_length=1, max_length=200)]


class Hydraulics(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The hydraulics of a site, in the units of the ask."""

    supply_pressure: PressureValue
    """The pressure of the supply, in `units.pressure`."""
    design_flow: FlowValue
    """The design flow, in `units.flow`."""
    outlet_elevation_above_assembly: LengthValue | UnsetType = UNSET
    """The height of the critical outlet over the assembly, in `units.length`."""
    required_outlet_pressure: PressureValue | UnsetType = UNSET
    """The pressure required at the critical outlet, in `units.pressure`."""
    loss_curves: Annotated[dict[KindCode, Curve], Meta(max_length=40)] | UnsetType = UNSET
    """Points of each kind's loss curve."""
    loss_models: Annotated[dict[KindCode, LossModel], Meta(max_length=40)] | UnsetType = UNSET
    """A model of each kind's loss, in place of a curve."""
    water_temperature: Annotated[float, Meta(ge=-100, le=1_000)] | UnsetType = UNSET
    """The temperature of the water, in `units.temperature`."""
    booster_pump_downstream: bool | UnsetType = UNSET
    """Whether a booster pump is downstream."""


class Bound(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The range in which some kinds may work."""

    rule: str
    quantity: Literal["working_pressure", "temperature"]
    kinds: tuple[str, ...]
    at_least: float
    at_most: float
    unit: Literal["psi", "degF"]
    says: str


class Constant(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A constant of nature that the arithmetic uses."""

    name: Literal["water_density"]
    value: float
    unit: Literal["kg/m3"]
    says: str


class _Data(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    constants: tuple[Constant, ...]
    bounds: tuple[Bound, ...]


class Left(Struct, frozen=True, kw_only=True):
    """What is left of the pressure with one kind, or whether a bound holds; `admits` is whether the kind may still be chosen.

    `pressure` is UNSET where it is not determined.
    """

    rule: str
    admits: bool
    outcome: Outcome
    message: str
    source: Source
    pressure: float | UnsetType = UNSET


@cache
def data() -> _Data:
    """Constants and working bounds, as written."""
    return load.read("selection/hydraulics.toml", _Data)


def check(asked: Hydraulics, units: Units, kinds: frozenset[str]) -> None:
    """DocumentError where a unit is missing, a curve belongs to no kind, or its flows do not rise."""
    if units.pressure is UNSET:
        raise DocumentError("The hydraulics need a unit of pressure.", "/units/pressure")
    if units.flow is UNSET:
        raise DocumentError("The hydraulics need a unit of flow.", "/units/flow")
    if units.length is UNSET and (asked.outlet_elevation_above_assembly is not UNSET or asked.loss_models):
        raise DocumentError("An elevation or a bore needs a unit of length.", "/units/length")
    if units.temperature is UNSET and asked.water_temperature is not UNSET:
        raise DocumentError("A water temperature needs a unit of temperature.", "/units/temperature")
    for member in ("loss_curves", "loss_models"):
        for kind in getattr(asked, member) or ():
            if kind not in kinds:
                raise DocumentError(
                    f"No kind {kind!r} is carried. Carried are: {', '.join(sorted(kinds))}.",
                    f"/hydraulics/{member}/{_escaped(kind)}",
                )
    for kind, curve in (asked.loss_curves or {}).items():
        for place, (before, after) in enumerate(pairwise(curve)):
            if after.flow <= before.flow:
                raise DocumentError(
                    "The flows of a loss curve rise from point to point.", f"/hydraulics/loss_curves/{kind}/{place + 1}/flow"
                )


def _escaped(kind: str) -> str:
    return kind.replace("~", "~0").replace("/", "~1")


def loss_on_curve(curve: tuple[LossPoint, ...], flow: float) -> float | None:
    """The loss at that flow between the points of the curve; None beyond its ends."""
    place = bisect_left(curve, flow, key=lambda point: point.flow)
    if place == len(curve):
        return None
    after = curve[place]
    if after.flow == flow:
        return after.loss
    if place == 0:
        return None
    before = curve[place - 1]
    share = (flow - before.flow) / (after.flow - before.flow)
    return before.loss + share * (after.loss - before.loss)


def loss_of_model(model: LossModel, flow: float, units: Units) -> float:
    """The loss at that flow by spring and coefficient, in the asker's pressure unit."""
    bore = convert(model.bore, str(units.length), "m")
    velocity = flow * convert(1.0, str(units.flow), "m3/h") / 3_600 / (math.pi * bore**2 / 4)
    dynamic = data().constants[0].value * velocity**2 / 2
    return model.spring_loading + model.loss_coefficient * _pascal(dynamic, units)


def elevation_head(elevation: float, units: Units) -> float:
    """The pressure that a rise of that height takes away, in the asker's pressure unit."""
    height = convert(elevation, str(units.length), "m")
    return _pascal(data().constants[0].value * float(STANDARD_GRAVITY) * height, units)


def _pascal(value: float, units: Units) -> float:
    return value / 1_000 * convert(1.0, "kPa", str(units.pressure))


def left_by(kind: str, asked: Hydraulics, units: Units, *, breaks_pressure: bool) -> Left:
    """What that kind leaves at the critical outlet, and whether it is enough."""
    source, unit = cite(data().constants[0]), units.pressure
    required = 0.0 if asked.required_outlet_pressure is UNSET else asked.required_outlet_pressure
    if breaks_pressure:
        pumped = asked.booster_pump_downstream is True
        given = pumped or required <= 0
        after = "a pump downstream gives its own pressure" if pumped else "a pump would have to give it again"
        return Left(
            rule="hydraulics.pressure_lost",
            admits=given,
            outcome="met" if given else "not_met",
            message=f"All supply pressure is lost here: 0 {unit} is left of it and {required:g} {unit} is required; {after}.",
            source=source,
            pressure=0.0,
        )
    lost: float | None = None
    curve = (asked.loss_curves or {}).get(kind)
    model = (asked.loss_models or {}).get(kind)
    if curve is not None:
        lost = loss_on_curve(curve, asked.design_flow)
        why = (
            f"the loss curve runs from {curve[0].flow:g} to {curve[-1].flow:g} {units.flow}, and the design flow of "
            f"{asked.design_flow:g} {units.flow} lies outside it; a curve is not extended beyond its ends"
        )
    elif model is not None:
        lost = loss_of_model(model, asked.design_flow, units)
        why = ""
    else:
        why = "no loss is stated for this kind: give its loss curve, or its spring loading and loss coefficient"
    elevation = 0.0 if asked.outlet_elevation_above_assembly is UNSET else asked.outlet_elevation_above_assembly
    head = elevation_head(elevation, units) if elevation else 0.0
    if lost is None:
        # Where nothing is stated the pressure cannot speak against the kind, unless it is short before any loss at all.
        # A curve that ends short of the design flow was meant to decide, and does not: the kind is not admitted.
        most = asked.supply_pressure - head
        short = f" Even without any loss only {most:.3g} {unit} would be left, and {required:g} {unit} is required."
        return Left(
            rule="hydraulics.residual_pressure",
            admits=curve is None and most >= required,
            outcome="not_determined" if most >= required else "not_met",
            message=f"The pressure left is not determined: {why}.{short if most < required else ''}",
            source=source,
        )
    pressure = asked.supply_pressure - lost - head
    enough = pressure >= required
    return Left(
        rule="hydraulics.residual_pressure",
        admits=enough,
        outcome="met" if enough else "not_met",
        message=(
            f"{asked.supply_pressure:g} − {lost:.3g} (loss at {asked.design_flow:g} {units.flow}) − {head:.3g} (elevation) leaves "
            f"{pressure:.3g} {unit} at the critical outlet; {required:g} {unit} {'is' if enough else 'would be'} required"
            + ("." if enough else ", so it leaves too little.")
        ),
        source=source,
        pressure=pressure,
    )


def bounds_of(kind: str, asked: Hydraulics, units: Units) -> list[Left]:
    """Whether supply pressure and water temperature lie within the kind's working bounds; both ends count."""
    found: list[Left] = []
    for bound in data().bounds:
        if kind not in bound.kinds:
            continue
        if bound.quantity == "working_pressure":
            unit = str(units.pressure)
            value = asked.supply_pressure
            low, high = convert(bound.at_least, bound.unit, unit), convert(bound.at_most, bound.unit, unit)
        elif asked.water_temperature is UNSET:
            continue
        else:
            unit, low, high = "degF", bound.at_least, bound.at_most
            degrees: TemperatureUnit = "degC" if units.temperature == "degC" else "degF"
            value = fahrenheit(asked.water_temperature, degrees)
        holds = low <= value <= high
        found.append(
            Left(
                rule=bound.rule,
                admits=holds,
                outcome="met" if holds else "not_met",
                message=f"{bound.says} {value:g} {unit} lies {'within' if holds else 'outside'} {low:g} to {high:g} {unit}.",
                source=cite(bound),
            )
        )
    return found
