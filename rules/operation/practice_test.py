"""The field procedure, run on the model: the readings a tester would take from an assembly in a stated condition, step by step.

Nothing is looked up: shutoffs and test cocks are worked on the hydraulic model, and what the gauge shows is what the zones settle to,
with the gauge's error, its height, a little scatter and its resolution. A leak is what a tester would call one: a differential that
falls away. So a leaking shutoff can mislead here as it does in the field. The same seed gives the same readings.
"""

import random
from collections.abc import Iterator
from math import inf, pi
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from rules.catalogue import Component, Line, TestableKind
from rules.errors import DocumentError
from rules.field_test.document import (
    AirInletReading,
    Check1Reading,
    Check2Reading,
    CheckReading,
    Phase,
    Reading,
    ReliefValveReading,
    Shutoffs,
)
from rules.operation.elements import Status
from rules.operation.entered import conditions_of, loadings_of
from rules.operation.kinds import Device, device, family_of
from rules.operation.operation import CAUTION
from rules.operation.physics import conductance, physics, water_head
from rules.operation.zones import Boundary, State, settle
from rules.quantities import LengthValue, PressureValue, Units, fast_factor

# A tester bleeds slowly at first, and more if nothing answers: the openings by name, in turn.
_BLEEDS = ("needle", "needle_wide", "test_cock")
ShutoffCondition = Literal["tight", "leaking"]


class LineCondition(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The true state of one line. Parts not named are sound, springs not named those of a new assembly.

    `leaks`: the diameter, in `units.length`, of the hole that a leaking check leaves. `opens_fully`: whether the air inlet does.
    """

    conditions: dict[Component, Status] = {}
    loadings: dict[Component, PressureValue] = {}
    leaks: dict[Component, Annotated[float, Meta(gt=0, le=100)]] = {}
    opens_fully: bool = True


class PracticeGauge(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The gauge: what it reads too much (`error`), its smallest step, how far a reading strays, how high it is held."""

    error: PressureValue = 0.0
    resolution: Annotated[float, Meta(gt=0, le=1_000)] | UnsetType = UNSET
    scatter: Annotated[float, Meta(ge=0, le=1_000)] | UnsetType = UNSET
    height_above_assembly: LengthValue | UnsetType = UNSET


class PracticeShutoffs(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whether the two shutoffs close tight."""

    inlet: ShutoffCondition = "tight"
    outlet: ShutoffCondition = "tight"


class PracticeTestAsk(LineCondition, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """An assembly in a stated condition, to be tested; the same `seed` gives the same readings.

    The condition told here is the main line's; `bypass` is the second line of a detector assembly, sound where it is not told.
    """

    kind: TestableKind
    units: Units
    line_pressure: PressureValue
    seed: Annotated[int, Meta(ge=0, le=2**63 - 1)] = 0
    bypass: LineCondition | UnsetType = UNSET
    shutoffs: PracticeShutoffs = PracticeShutoffs()
    gauge: PracticeGauge = PracticeGauge()


class PracticeStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """One step of the procedure: what the tester does, what the gauge then reads if it is read, and why the step is taken."""

    line: Line
    component: Component | UnsetType = UNSET
    action: str
    gauge_reading: float | UnsetType = UNSET
    seen: str = ""
    reason: str


class PracticeTestAnswer(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The steps, and the readings as the `initial_test` of a test report."""

    kind: TestableKind
    units: Units
    steps: tuple[PracticeStep, ...]
    initial_test: Phase
    caution: str = CAUTION


def practice_test(ask: PracticeTestAsk) -> PracticeTestAnswer:
    """The procedure run on `ask`; DocumentError where it names a part, condition, unit or figure that does not belong to it."""
    if ask.units.pressure is UNSET:
        raise DocumentError("Say which unit the pressures are in: psi, kPa or bar.", "/units/pressure")
    lines: list[tuple[Line, LineCondition]] = [("main", ask)]
    if ask.kind in {"rpda", "dcda"}:
        lines.append(("bypass", LineCondition() if ask.bypass is UNSET else ask.bypass))
    elif ask.bypass is not UNSET:
        raise DocumentError(f"A {ask.kind} has no bypass line; rpda and dcda have.", "/bypass")
    gauge = _Gauge(ask)
    steps: list[PracticeStep] = []
    readings: list[Reading] = []
    for line, condition in lines:
        bench = _Bench(ask, line, condition, gauge)
        procedure = {"rp": _reduced_pressure, "dc": _double_check}.get(family_of(ask.kind), _vacuum_breaker)
        for step, reading in procedure(bench):
            steps.append(step)
            if reading is not None:
                readings.append(reading)
    phase = Phase(readings=readings, shutoffs=Shutoffs(inlet=ask.shutoffs.inlet, outlet=ask.shutoffs.outlet))
    return PracticeTestAnswer(kind=ask.kind, units=ask.units, steps=tuple(steps), initial_test=phase)


class _Gauge:
    """The gauge in the tester's hands; it takes its scatter from the seed, reading by reading."""

    def __init__(self, ask: PracticeTestAsk) -> None:
        unit = str(ask.units.pressure)
        self.psi = fast_factor(unit, "psi")
        told, usual = ask.gauge, physics().gauge
        self._error = told.error * self.psi
        if abs(self._error) > usual["largest_error"].value:
            raise DocumentError(f"A gauge is at most {usual['largest_error'].value:g} psi off.", "/gauge/error")
        self._resolution = usual[f"resolution_{unit}"].value if told.resolution is UNSET else told.resolution
        self._scatter = usual["scatter"].value if told.scatter is UNSET else told.scatter * self.psi
        self._head = 0.0
        if told.height_above_assembly is not UNSET:
            # Water in the hose weighs on a gauge held below: it reads high by that head, and low when held above.
            self._head = -water_head() * told.height_above_assembly * length_factor(ask.units)
        self._random = random.Random(ask.seed)  # noqa: S311 - reproducible on purpose, guards nothing

    def stands(self, true: float) -> bool:
        """Whether a tester sees it stand off its rest at `true` [psi], whatever it shows there."""
        return true > self._resolution * self.psi / 2

    def read(self, true: float, *, single_hose: bool) -> float:
        """What it shows for `true` [psi], in the asker's unit. Over two hoses the heights cancel."""
        shown = true + self._error + (self._head if single_hose else 0.0) + self._random.uniform(-self._scatter, self._scatter)
        return round(max(0.0, round(shown / self.psi / self._resolution)) * self._resolution, 9)


def length_factor(units: Units) -> float:
    """Feet in one `units.length`; DocumentError where it is not told."""
    if units.length is UNSET:
        raise DocumentError("Say which unit the lengths are in: in, ft, mm or m.", "/units/length")
    return fast_factor(units.length, "ft")


class _Bench:
    """One line with its shutoffs and test cocks, and what the procedure needs to know of it."""

    def __init__(self, ask: PracticeTestAsk, line: Line, condition: LineCondition, gauge: _Gauge) -> None:
        self.line, self.gauge = line, gauge
        self.pressure = ask.line_pressure * gauge.psi
        least, largest = physics().supply["least_for_a_test"].value, physics().supply["largest"].value
        if not least <= self.pressure <= largest:
            raise DocumentError(f"A field test needs {least:g} to {largest:g} psi in the line.", "/line_pressure")
        self._pointer = pointer = "" if line == "main" else f"/{line}"
        statuses = conditions_of(ask.kind, condition.conditions, pointer)
        if statuses.get("air_inlet") == "stuck_open":
            raise DocumentError(
                "An air inlet stuck open spills as soon as the line is opened: that is seen, not tested.",
                f"{pointer}/conditions/air_inlet",
            )
        self.opens_fully = condition.opens_fully
        self.made_of = device(ask.kind, statuses, loadings_of(ask.kind, condition.loadings, gauge.psi, pointer))
        for part, diameter in condition.leaks.items():
            self._resize(ask, statuses, part, diameter)
        self.opening = 0.0 if self.made_of.vent is None else self.made_of.vent.opening
        leak = conductance("shutoff_leak")
        self.inlet_leak = leak if ask.shutoffs.inlet == "leaking" else None
        self.outlet_leak = leak if ask.shutoffs.outlet == "leaking" else None
        self.state = settle(self.made_of, Boundary(supply=self.pressure, downstream=None), State())

    def _resize(self, ask: PracticeTestAsk, statuses: dict[str, Status], part: Component, diameter: float) -> None:
        """Give a leaking check the hole that was told."""
        if not part.startswith("check") or statuses.get(part) != "leaking":
            raise DocumentError(f"{part} is no leaking check of this assembly.", f"{self._pointer}/leaks/{part}")
        inches = diameter * length_factor(ask.units) * 12
        held = min(conductance("leak") * pi / 4 * inches**2 / physics().openings["leak"].value, conductance("check"))
        side = "second" if part == "check_2" else "first"
        self.made_of = msgspec.structs.replace(
            self.made_of, **{side: msgspec.structs.replace(getattr(self.made_of, side), held_open=held)}
        )

    def work(self, *, inlet_open: bool, outlet_cock: bool = False, middle_cock: str = "", across: str = "") -> State:
        """Set the shutoffs and cocks (the outlet shutoff stays closed) and let the zones settle.

        `across` names the opening by which inlet and zone are joined through the gauge, as when water is bled across it.
        """
        made_of: Device = self.made_of
        if across:
            held = made_of.first.held_open + conductance(across)
            made_of = msgspec.structs.replace(made_of, first=msgspec.structs.replace(made_of.first, held_open=held))
        supply, opening = (self.pressure, inf) if inlet_open else (self.pressure, self.inlet_leak)
        downstream = conductance("test_cock") if outlet_cock else self.outlet_leak
        ends = Boundary(
            supply=None if opening is None else supply,
            supply_opening=inf if opening is None else opening,
            # What is open at the outlet, cock or leaking shutoff, leads to the atmosphere: the piping beyond is drained.
            downstream=None if downstream is None else 0.0,
            downstream_opening=inf if downstream is None else downstream,
            cock=conductance(middle_cock) if middle_cock else 0.0,
        )
        self.state = settle(made_of, ends, self.state)
        return self.state

    def step(
        self, action: str, reason: str, component: Component | None = None, reading: float | None = None, seen: str = ""
    ) -> PracticeStep:
        """A step as the answer tells it."""
        return PracticeStep(
            line=self.line,
            component=UNSET if component is None else component,
            action=action,
            gauge_reading=UNSET if reading is None else reading,
            seen=seen,
            reason=reason,
        )


Told = Iterator[tuple[PracticeStep, Reading | None]]


def _reduced_pressure(bench: _Bench) -> Told:
    """An RP: differential over check 1, relief opening, static drop over check 2 ([M] USC Manual, 10th edition)."""
    yield (
        bench.step(
            "Flush the test cocks. Join the gauge's high side to test cock 2 and its low side to test cock 3.",
            "Grit in a cock would block the gauge; the pair of cocks lies on either side of check 1.",
        ),
        None,
    )
    now = bench.work(inlet_open=True)
    yield (
        bench.step(
            "Close the outlet shutoff; leave the inlet shutoff open.",
            "With nothing flowing, what the gauge shows is the spring's doing alone.",
        ),
        None,
    )
    drop = bench.gauge.read(now.inlet - now.middle, single_hose=False)
    # A differential well over the relief valve's spring, with water running all the same, is not the check's doing.
    quiet = not now.vent_open or now.inlet - now.middle > bench.opening
    tight = quiet and bench.gauge.stands(now.inlet - now.middle)
    held_at = drop if tight else UNSET
    seen = "" if tight else "The differential falls and the relief valve discharges: check 1 leaks."
    if not tight and quiet:
        seen = "The differential falls away: check 1 leaks, and the relief valve does not answer."
    yield (
        bench.step(
            "Read the differential over check 1 as it stands still.", "It is check 1's static drop.", "check_1", drop, seen
        ),
        (Check1Reading(closed_tight=tight, line=bench.line, held_at=held_at)),
    )
    for needle in _BLEEDS:
        now = bench.work(inlet_open=True, across=needle)
        if now.vent_open:
            break
    opens = now.vent_open
    at = bench.gauge.read(now.inlet - now.middle, single_hose=False)
    opened_at = at if opens else UNSET
    yield (
        bench.step(
            "Bleed water slowly from the high side to the low side until the relief valve first drips; read the differential.",
            "Raising the zone towards the inlet brings the relief valve to its opening point.",
            "relief_valve",
            at,
            "" if opens else "The differential falls to nothing and no water drips: the relief valve does not open.",
        ),
        (ReliefValveReading(opened=opens, line=bench.line, opened_at=opened_at)),
    )
    bench.work(inlet_open=True, outlet_cock=True)
    now = bench.work(inlet_open=True)
    yield from _second_drop(
        bench,
        now.middle - now.outlet,
        "Join the high side to test cock 3 and the low side to test cock 4; bleed test "
        "cock 4, close it, and read the differential over check 2.",
        single_hose=False,
    )


def _double_check(bench: _Bench) -> Told:
    """A DC, one hose: each check's drop stands upstream of it when its downstream side is opened to the atmosphere."""
    yield (
        bench.step(
            "Flush the test cocks. Close the outlet shutoff; join the gauge to test cock 2, level with test cock 3.",
            "One hose is enough when the other side of the check is open to the atmosphere.",
        ),
        None,
    )
    bench.work(inlet_open=True)
    now = bench.work(inlet_open=False, middle_cock="test_cock")
    yield from _first_drop(
        bench, now, Check1Reading, "Close the inlet shutoff, open test cock 3, and read when the water stands still."
    )
    bench.work(inlet_open=True)
    bench.work(inlet_open=False)
    now = bench.work(inlet_open=False, outlet_cock=True)
    yield from _second_drop(
        bench,
        now.middle,
        "Open the inlet shutoff and close it again; join the gauge to test cock 3, level with test "
        "cock 4; open test cock 4, and read when the water stands still.",
        single_hose=True,
    )


def _vacuum_breaker(bench: _Bench) -> Told:
    """A PVB or SVB: opening of the air inlet as the body is bled, then the check's drop with the body open to the atmosphere."""
    yield (
        bench.step(
            "Take off the canopy. Flush the test cocks; join the gauge to the body. Close the outlet, then the inlet shutoff.",
            "Pressure is trapped in the body and holds the air inlet shut.",
        ),
        None,
    )
    bench.work(inlet_open=True)
    now = bench.work(inlet_open=False)
    shut_at = now.middle
    for needle in _BLEEDS:
        now = bench.work(inlet_open=False, middle_cock=needle)
        if now.vent_open:
            break
    inlet_opens = now.vent_open
    at = bench.gauge.read(bench.opening if inlet_opens else now.middle, single_hose=True)
    fully = inlet_opens and bench.opens_fully
    opened_at = at if inlet_opens else UNSET
    seen = (
        ""
        if fully
        else "It opens, but not all the way."
        if inlet_opens
        else "The gauge comes to rest and the air inlet stays shut."
    )
    yield (
        bench.step(
            "Bleed the body slowly until the air inlet lifts; read the gauge as it does, and see whether it opens fully.",
            f"The body falls from {round(shut_at / bench.gauge.psi, 1):g}; the pressure at which it lifts is its opening point.",
            "air_inlet",
            at,
            seen,
        ),
        AirInletReading(opened=inlet_opens, opened_fully=fully, line=bench.line, opened_at=opened_at),
    )
    bench.work(inlet_open=True)
    now = bench.work(inlet_open=False, middle_cock="test_cock")
    yield from _first_drop(
        bench,
        now,
        CheckReading,
        "Join the gauge to test cock 1; open and close the inlet shutoff, open the body to the "
        "atmosphere, and read when the water stands still.",
    )


def _first_drop(bench: _Bench, now: State, shape: type[Check1Reading] | type[CheckReading], action: str) -> Told:
    component: Component = "check_1" if shape is Check1Reading else "check"
    at = bench.gauge.read(now.inlet, single_hose=True)
    tight = bench.gauge.stands(now.inlet)
    held_at = at if tight else UNSET
    yield (
        bench.step(
            action,
            "Upstream of the check stands what its spring holds against the atmosphere.",
            component,
            at,
            "" if tight else "The gauge falls to nothing: the check leaks.",
        ),
        shape(closed_tight=tight, line=bench.line, held_at=held_at),
    )


def _second_drop(bench: _Bench, drop: float, action: str, *, single_hose: bool) -> Told:
    at = bench.gauge.read(drop, single_hose=single_hose)
    tight = bench.gauge.stands(drop)
    held_at = at if tight else UNSET
    yield (
        bench.step(
            action,
            "What stands over check 2 in the direction of flow is what its spring holds.",
            "check_2",
            at,
            "" if tight else "The differential falls to nothing: check 2 leaks.",
        ),
        (Check2Reading(closed_tight=tight, line=bench.line, held_at=held_at)),
    )
