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

from rules.errors import DocumentError
from rules.files import read
from rules.quantities import (
    STANDARD_GRAVITY,
    FlowValue,
    LengthValue,
    PressureValue,
    TemperatureUnit,
    Units,
    convert,
    fahrenheit,
    unit_missing,
)
from rules.selection.tables import Outcome, cite
from rules.selection.texts import sentence
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
    """The hydraulics of a site, in the units of the request."""

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
    return read("selection/hydraulics.toml", _Data)


def check(request: Hydraulics, units: Units, kinds: frozenset[str]) -> None:
    """DocumentError where a unit is missing, a curve belongs to no kind, or its flows do not rise."""
    if units.pressure is UNSET:
        raise unit_missing("pressure")
    if units.flow is UNSET:
        raise unit_missing("flow")
    if units.length is UNSET and (request.outlet_elevation_above_assembly is not UNSET or request.loss_models):
        raise unit_missing("length")
    if units.temperature is UNSET and request.water_temperature is not UNSET:
        raise unit_missing("temperature")
    for member in ("loss_curves", "loss_models"):
        for kind in getattr(request, member) or ():
            if kind not in kinds:
                raise DocumentError("unknown_kind", f"/hydraulics/{member}/{_escaped(kind)}", kind=kind, available=sorted(kinds))
    for kind, curve in (request.loss_curves or {}).items():
        for place, (before, after) in enumerate(pairwise(curve)):
            if after.flow <= before.flow:
                raise DocumentError("flows_do_not_rise", f"/hydraulics/loss_curves/{kind}/{place + 1}/flow")


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
    """The loss at that flow by spring and coefficient, in the caller's pressure unit."""
    bore = convert(model.bore, str(units.length), "m")
    velocity = flow * convert(1.0, str(units.flow), "m3/h") / 3_600 / (math.pi * bore**2 / 4)
    dynamic = data().constants[0].value * velocity**2 / 2
    return model.spring_loading + model.loss_coefficient * _pascal(dynamic, units)


def elevation_head(elevation: float, units: Units) -> float:
    """The pressure that a rise of that height takes away, in the caller's pressure unit."""
    height = convert(elevation, str(units.length), "m")
    return _pascal(data().constants[0].value * float(STANDARD_GRAVITY) * height, units)


def _pascal(value: float, units: Units) -> float:
    return value / 1_000 * convert(1.0, "kPa", str(units.pressure))


def left_by(kind: str, request: Hydraulics, units: Units, *, breaks_pressure: bool) -> Left:
    """What that kind leaves at the critical outlet, and whether it is enough."""
    source, unit = cite(data().constants[0]), units.pressure
    required = 0.0 if request.required_outlet_pressure is UNSET else request.required_outlet_pressure
    if breaks_pressure:
        pumped = request.booster_pump_downstream is True
        given = pumped or required <= 0
        code = "all_lost_pump_there" if pumped else "all_lost" if required <= 0 else "all_lost_pump_needed"
        return Left(
            rule="hydraulics.pressure_lost",
            admits=given,
            outcome="met" if given else "not_met",
            message=sentence("hydraulics", code, unit=str(unit), required=required),
            source=source,
            pressure=0.0,
        )
    lost: float | None = None
    curve = (request.loss_curves or {}).get(kind)
    model = (request.loss_models or {}).get(kind)
    if curve is not None:
        lost = loss_on_curve(curve, request.design_flow)
    elif model is not None:
        lost = loss_of_model(model, request.design_flow, units)
    elevation = 0.0 if request.outlet_elevation_above_assembly is UNSET else request.outlet_elevation_above_assembly
    head = elevation_head(elevation, units) if elevation else 0.0
    if lost is None:
        # Where nothing is stated the pressure does not exclude the kind, unless it is short before any loss at all.
        # A curve that ends short of the design flow was meant to decide, and does not: the kind is not admitted.
        most = request.supply_pressure - head
        message = _why_undetermined(curve, request, units)
        if most < required:
            message += " " + sentence("hydraulics", "short_without_loss", most=most, required=required, unit=str(unit))
        return Left(
            rule="hydraulics.residual_pressure",
            admits=curve is None and most >= required,
            outcome="not_determined" if most >= required else "not_met",
            message=message,
            source=source,
        )
    pressure = request.supply_pressure - lost - head
    enough = pressure >= required
    return Left(
        rule="hydraulics.residual_pressure",
        admits=enough,
        outcome="met" if enough else "not_met",
        message=sentence(
            "hydraulics",
            "enough" if enough else "too_little",
            supply=request.supply_pressure,
            loss=lost,
            flow=request.design_flow,
            flow_unit=str(units.flow),
            head=head,
            pressure=pressure,
            unit=str(unit),
            required=required,
        ),
        source=source,
        pressure=pressure,
    )


def _why_undetermined(curve: Curve | None, request: Hydraulics, units: Units) -> str:
    if curve is None:
        return sentence("hydraulics", "no_loss_stated")
    return sentence(
        "hydraulics",
        "outside_curve",
        first=curve[0].flow,
        last=curve[-1].flow,
        flow=request.design_flow,
        flow_unit=str(units.flow),
    )


def bounds_of(kind: str, request: Hydraulics, units: Units) -> list[Left]:
    """Whether supply pressure and water temperature lie within the kind's working bounds; both ends count."""
    found: list[Left] = []
    for bound in data().bounds:
        if kind not in bound.kinds:
            continue
        if bound.quantity == "working_pressure":
            unit = str(units.pressure)
            value = request.supply_pressure
            low, high = convert(bound.at_least, bound.unit, unit), convert(bound.at_most, bound.unit, unit)
        elif request.water_temperature is UNSET:
            continue
        else:
            unit, low, high = "degF", bound.at_least, bound.at_most
            degrees: TemperatureUnit = "degC" if units.temperature == "degC" else "degF"
            value = fahrenheit(request.water_temperature, degrees)
        holds = low <= value <= high
        found.append(
            Left(
                rule=bound.rule,
                admits=holds,
                outcome="met" if holds else "not_met",
                message=sentence(
                    "hydraulics",
                    "within_bounds" if holds else "outside_bounds",
                    rule=bound.says,
                    value=value,
                    low=low,
                    high=high,
                    unit=unit,
                ),
                source=cite(bound),
            )
        )
    return found
