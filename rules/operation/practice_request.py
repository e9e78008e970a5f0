"""What a caller sends for a practice test: an assembly in a stated condition, and how it is tested."""

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Component, TestableKind
from rules.field_test.document import Method
from rules.operation.elements import Status
from rules.quantities import LengthValue, PressureValue, Units

ShutoffCondition = Literal["tight", "leaking", "leaking_badly"]


class LineCondition(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The true state of one line. Parts not named are sound; springs not named are those of a new assembly, which differ by the seed.

    `leaks`: the diameter, in `units.length`, of the hole that a leaking check leaves. `opens_fully`: whether the air inlet does.
    """

    conditions: dict[Component, Status] = {}
    """The condition of each part that is not sound."""
    loadings: dict[Component, PressureValue] = {}
    """The springs in `units.pressure`; a relief valve's and an air inlet's are their opening points."""
    leaks: dict[Component, Annotated[float, Meta(gt=0, le=100)]] = {}
    """The diameter in `units.length` of the hole that a leaking check leaves."""
    opens_fully: bool = True
    """Whether the air inlet opens all the way."""


class PracticeGauge(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The gauge: by how much it reads too high (`error`), its smallest step, how far a reading strays, how high it is held.

    `faulty`: the test kit itself fails, so the test is abandoned.
    """

    error: PressureValue = 0.0
    """By how much it reads too high, in `units.pressure`."""
    resolution: Annotated[float, Meta(gt=0, le=1_000)] | UnsetType = UNSET
    """Its smallest step, in `units.pressure`."""
    scatter: Annotated[float, Meta(ge=0, le=1_000)] | UnsetType = UNSET
    """How far a reading strays either way, in `units.pressure`."""
    height_above_assembly: LengthValue | UnsetType = UNSET
    """How high it is held over the level that the procedure states, in `units.length`."""
    faulty: bool = False
    """Whether the test kit itself fails."""


class PracticeShutoffs(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether the two shutoffs close tight. A `leaking` shutoff can be compensated for; one that is `leaking_badly` cannot."""

    inlet: ShutoffCondition = "tight"
    """The No. 1 shutoff."""
    outlet: ShutoffCondition = "tight"
    """The No. 2 shutoff."""


class PracticeTestRequest(LineCondition, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An assembly in a stated condition, to be tested; the same `seed` gives the same readings, another seed others.

    The condition stated here is the main line's; `bypass` is the second line of a detector assembly, sound where it is not stated.
    `method`: the usual one of the kind where it is not stated. `backpressure`: the pressure downstream of the No. 2 shutoff; the piping
    there is drained where it is not stated. `supply_swing`: how far the line pressure swings either way.
    """

    kind: TestableKind
    """The kind of assembly."""
    units: Units
    """The units of the figures."""
    line_pressure: PressureValue
    """The supply, in `units.pressure`."""
    method: Method | UnsetType = UNSET
    """How the differentials are read; the usual method of the kind where it is not stated."""
    seed: Annotated[int, Meta(ge=0, le=2**63 - 1)] = 0
    """Decides what is left to chance: the same seed gives the same test."""
    bypass: LineCondition | UnsetType = UNSET
    """The second line of a detector assembly."""
    bypass_meter_sticks: bool = False
    """Whether the detector's meter does not move as water runs through the bypass."""
    shutoffs: PracticeShutoffs = PracticeShutoffs()
    """How the shutoffs close."""
    backpressure: Annotated[float, Meta(ge=0, le=100_000)] | UnsetType = UNSET
    """The pressure downstream of the No. 2 shutoff, in `units.pressure`."""
    supply_swing: Annotated[float, Meta(ge=0, le=100_000)] = 0.0
    """How far the supply swings either way, in `units.pressure`."""
    gauge: PracticeGauge = PracticeGauge()
    """The gauge."""
