"""What a caller sends to have an assembly operated."""

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Component
from rules.operation.elements import Status
from rules.operation.kinds import OperableKind
from rules.quantities import FlowValue, LengthValue, PressureValue, Units, fast_factor, unit_missing

Position = Literal["open", "closed"]


class OperationStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What supply and downstream side do in one step.

    `supply_pressure` is gauge, negative for a vacuum. `outlet_elevation` is relative to the assembly, negative below; `demand_flow` is
    what the open outlet draws off with the supply sound; at 0 it draws nothing, but it is open and keeps no pressure trapped.
    `backpressure` is needed with `downstream` "backpressure".
    """

    label: Annotated[str, Meta(max_length=200)] = ""
    """A name for the step."""
    supply_pressure: PressureValue
    """The pressure of the supply above atmosphere, in `units.pressure`; negative: suction."""
    inlet_shutoff: Position = "open"
    """The upstream shutoff (No. 1)."""
    outlet_shutoff: Position = "open"
    """The downstream shutoff (No. 2)."""
    downstream: Literal["outlet_open", "outlets_closed", "backpressure"]
    """What is downstream."""
    backpressure: PressureValue | None = None
    """The pressure that pushes back, in `units.pressure`; required with `backpressure`."""
    outlet_elevation: LengthValue | None = None
    """The height of the outlet relative to the assembly, in `units.length`; negative: below it."""
    demand_flow: FlowValue | None = None
    """What the open outlet draws off with the supply sound, in `units.flow`."""


class OperationRequest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An assembly, the condition of its parts, and the steps to work it through.

    Parts not named in `conditions` are sound; `loadings` are the springs' (a relief valve's and an air inlet's: their opening points).
    `site_elevation` is the site's height above sea level in `units.length`: the atmosphere, and so the deepest vacuum, follow from it.
    """

    kind: OperableKind
    """The kind to simulate."""
    units: Units
    """The units of all numbers."""
    conditions: dict[Component, Status] = {}
    """The condition of each part; a part that is not named is sound."""
    loadings: dict[Component, PressureValue] = {}
    """Spring loadings and opening points, in `units.pressure`; the rest are those of a new assembly."""
    site_elevation: Annotated[float, Meta(ge=-10_000_000, le=10_000_000)] | UnsetType = UNSET
    """The site's height above sea level, in `units.length`."""
    steps: Annotated[tuple[OperationStep, ...], Meta(min_length=1, max_length=200)]
    """The steps, in order. Pressure that is trapped in one is there in the next."""


def pressure_factor(units: Units) -> float:
    """Psi in one `units.pressure`; DocumentError where it is not stated."""
    if units.pressure is UNSET:
        raise unit_missing("pressure")
    return fast_factor(units.pressure, "psi")


def length_factor(units: Units, unit: Literal["ft", "m", "in"]) -> float:
    """`unit` in one `units.length`; DocumentError where it is not stated."""
    if units.length is UNSET:
        raise unit_missing("length")
    return fast_factor(units.length, unit)


def flow_factor(units: Units) -> float:
    """Gpm in one `units.flow`; 1 where none is stated."""
    return 1.0 if units.flow is UNSET else fast_factor(units.flow, "gpm")
