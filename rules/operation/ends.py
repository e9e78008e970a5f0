"""What the two ends of an assembly do in a step, as the model takes them, and the air at the site."""

from msgspec import UNSET, Struct

from rules.errors import DocumentError
from rules.operation.air import Atmosphere, atmosphere_at, sea_level
from rules.operation.elements import Check
from rules.operation.entered import bounded
from rules.operation.kinds import Device
from rules.operation.physics import conductance, physics, water_head
from rules.operation.request import OperationRequest, OperationStep, flow_factor, length_factor, pressure_factor
from rules.operation.zones import Boundary
from rules.quantities import unit_missing


def site_air(request: OperationRequest) -> Atmosphere:
    """The air at the site; at sea level where no elevation is stated."""
    if request.site_elevation is UNSET:
        return sea_level()
    metres = request.site_elevation * length_factor(request.units, "m")
    air = physics().air
    return atmosphere_at(bounded(metres, air["lowest_site"].value, air["highest_site"].value, "m", "/site_elevation"))


class StepEntered(Struct, frozen=True, kw_only=True):
    """One step's figures in psi, feet and gpm, checked. `supply` is as deep as water stays water, `supply_stated` as stated."""

    supply: float
    supply_stated: float
    feet: float
    demand: float | None
    backpressure: float | None
    inlet_open: bool
    outlet_open: bool


def read_step(request: OperationRequest, step: OperationStep, index: int, air: Atmosphere) -> StepEntered:
    """The step's figures; DocumentError where one is out of bounds or lacks its unit."""
    psi, limits, pointer = pressure_factor(request.units), physics().supply, f"/steps/{index}"
    deepest = -(air.pressure + limits["rounding"].value)
    supply = step.supply_pressure * psi
    if supply < deepest:
        raise DocumentError(
            "below_full_vacuum",
            f"{pointer}/supply_pressure",
            at_least=-air.pressure / psi,
            unit=str(request.units.pressure),
        )
    bounded(supply, deepest, limits["largest"].value, "psi", f"{pointer}/supply_pressure")
    backpressure = None
    if step.downstream == "backpressure":
        if step.backpressure is None:
            raise DocumentError("backpressure_missing", f"{pointer}/backpressure")
        highest = limits["largest_backpressure"].value
        backpressure = bounded(step.backpressure * psi, 0.0, highest, "psi", f"{pointer}/backpressure")
    return StepEntered(
        supply=max(supply, air.deepest_vacuum),
        supply_stated=supply,
        feet=_elevation(request, step, pointer),
        demand=_demand(request, step),
        backpressure=backpressure,
        inlet_open=step.inlet_shutoff == "open",
        outlet_open=step.outlet_shutoff == "open" and step.downstream != "outlets_closed",
    )


def _elevation(request: OperationRequest, step: OperationStep, pointer: str) -> float:
    """The elevation of the open outlet in feet."""
    if step.outlet_elevation is None:
        return physics().supply["outlet_elevation"].value / 12
    largest = physics().supply["largest_elevation"].value
    feet = step.outlet_elevation * length_factor(request.units, "ft")
    return bounded(feet, -largest, largest, "ft", f"{pointer}/outlet_elevation")


def _demand(request: OperationRequest, step: OperationStep) -> float | None:
    """The demand in gpm."""
    if step.demand_flow is None:
        return None
    if request.units.flow is UNSET:
        raise unit_missing("flow")
    return step.demand_flow * flow_factor(request.units)


def ends_of(entered: StepEntered, sound: Device, reference: float, air: Atmosphere) -> Boundary:
    """The two ends; `reference` is the last supply that was a supply, by which an outlet's demand is understood."""
    supply = entered.supply if entered.inlet_open else None
    if not entered.outlet_open:
        return Boundary(supply=supply, downstream=None, air=air)
    if entered.backpressure is not None:
        opening = conductance("outlet_widest")
        return Boundary(supply=supply, downstream=entered.backpressure, downstream_opening=opening, air=air)
    head = entered.feet * water_head()
    if not entered.demand:
        opening = conductance("outlet")
        return Boundary(supply=supply, downstream=head, downstream_opening=opening, draws=entered.demand is None, air=air)
    opening = _opening(sound, entered.demand, head, entered.supply, reference)
    return Boundary(supply=supply, downstream=head, downstream_opening=opening, air=air)


def _opening(sound: Device, demand: float, head: float, supply: float, reference: float) -> float:
    """The outlet's conductance for which a sound assembly on a sound supply delivers the demand; at most the widest of the data."""
    lost = demand * demand * (1 / sound.first.wide**2 + 1 / sound.second.wide**2)
    used = lost + _spring(sound.first) + _spring(sound.second) + head
    left = supply - used if supply > used else reference - used
    widest = conductance("outlet_widest")
    return min(widest, demand / left**0.5) if left > 0 else widest


def _spring(check: Check) -> float:
    return 0.0 if check.held_open else check.loading
