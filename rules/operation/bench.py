"""One line on the test bench: its shutoffs and test cocks worked on the hydraulic model, and the gauge that is read.

Nothing is looked up: what the gauge shows is what the zones settle to, with the gauge's error, its height, a little scatter and its
resolution. So a leaking shutoff misleads here, too, as in the field.
"""

import random
from math import inf, pi
from typing import Literal

import msgspec
from msgspec import UNSET

from rules.catalogue import Component, Line
from rules.errors import DocumentError
from rules.operation.elements import Check
from rules.operation.entered import bounded, conditions_of, loadings_of
from rules.operation.kinds import Device, bypass_check_device, device, is_type_ii, parts_on, usual_loadings
from rules.operation.physics import conductance, decimals, differential_unit, physics, water_head
from rules.operation.practice_request import LineCondition, PracticeTestRequest, ShutoffCondition
from rules.operation.request import length_factor
from rules.operation.zones import Boundary, State, settle
from rules.quantities import fast_factor

# A tester bleeds slowly at first, and more if nothing answers: the openings by name, in turn.
BLEEDS = ("needle", "needle_wide")
_LEAKS: dict[ShutoffCondition, str] = {"leaking": "shutoff_leak", "leaking_badly": "shutoff_gap"}


class Gauge:
    """The gauge in the tester's hands; it takes its scatter from the seed, reading by reading."""

    def __init__(self, request: PracticeTestRequest, source: random.Random) -> None:
        """DocumentError where its error is larger than that of any gauge in use."""
        self.unit = str(request.units.pressure)
        self.psi = fast_factor(self.unit, "psi")
        stated, usual = request.gauge, physics().gauge
        self._error = stated.error * self.psi
        if abs(self._error) > usual["largest_error"].value:
            raise DocumentError("gauge_error_too_large", "/gauge/error", at_most=usual["largest_error"].value, unit="psi")
        self.resolution = usual[f"resolution_{self.unit}"].value if stated.resolution is UNSET else stated.resolution
        self._scatter = usual["scatter"].value if stated.scatter is UNSET else stated.scatter * self.psi
        self._head = 0.0
        if stated.height_above_assembly is not UNSET:
            # Water in the hose weighs on a gauge held below: it reads high by that head, and low when held above.
            self._head = -water_head() * stated.height_above_assembly * length_factor(request.units, "ft")
        self._random = source

    def shows_pressure(self, true: float) -> bool:
        """Whether a tester sees the needle off zero at `true` [psi], whatever it shows there."""
        return true > self.resolution * self.psi / 2

    def past_the_dial(self, true: float) -> bool:
        """Whether `true` [psi] lies beyond the end of the dial."""
        return true > physics().gauge["dial"].value

    def read(self, true: float, *, level_matters: bool = False) -> float:
        """What it shows for `true` [psi], in the caller's unit. Over two filled hoses the heights cancel."""
        head = self._head if level_matters else 0.0
        shown = true + self._error + head + self._random.uniform(-self._scatter, self._scatter)
        steps = max(0, round(shown / self.psi / self.resolution))
        return round(steps * self.resolution, 9)

    def finer(self, true: float) -> float:
        """`true` [psi] in the caller's unit, to one decimal more than the gauge shows."""
        return round(true / self.psi, decimals(self.resolution) + 1) + 0.0

    def written(self, reading: float) -> str:
        """A reading with its unit; a differential in psi is written psid."""
        return f"{reading:.{decimals(self.resolution)}f} {differential_unit(self.unit)}"

    def column(self, reading: float) -> str:
        """A reading as the height of water in a tube."""
        return f"{reading * self.psi / water_head() * 12:.1f} in"


class Bench:
    """One line with its shutoffs and test cocks."""

    def __init__(
        self, request: PracticeTestRequest, line: Line, condition: LineCondition, gauge: Gauge, source: random.Random
    ) -> None:
        """DocumentError where a part, condition or figure does not belong to the line."""
        self.gauge = gauge
        limits = physics().supply
        self.pressure = request.line_pressure * gauge.psi
        bounded(self.pressure, limits["least_for_a_test"].value, limits["largest"].value, "psi", "/line_pressure")
        self.swing = request.supply_swing * gauge.psi
        bounded(self.swing, 0.0, self.pressure - limits["least_for_a_test"].value, "psi", "/supply_swing")
        self.outside = 0.0
        self.backpressure = request.backpressure is not UNSET and request.backpressure > 0
        if request.backpressure is not UNSET:
            highest = limits["largest_backpressure"].value
            self.outside = bounded(request.backpressure * gauge.psi, 0.0, highest, "psi", "/backpressure")
        self._pointer = pointer = "" if line == "main" else f"/{line}"
        on_bypass = line == "bypass"
        parts = parts_on(request.kind, bypass=on_bypass)
        self.statuses = conditions_of(request.kind, condition.conditions, pointer, parts)
        springs = {
            part: load * (1 + physics().springs["spread"].value * source.uniform(-1, 1))
            for part, load in usual_loadings(request.kind).items()
        }
        loadings = {part: springs[part] for part in parts} | loadings_of(
            request.kind, condition.loadings, gauge.psi, pointer, parts
        )
        self.loadings = loadings
        self.opens_fully = condition.opens_fully
        if is_type_ii(request.kind) and on_bypass:
            self.made_of = bypass_check_device(self.statuses, loadings)
        else:
            family = _PLAIN.get(request.kind, request.kind)
            self.made_of = device(family, self.statuses, loadings)
        for part, diameter in condition.leaks.items():
            self._resize(request, part, diameter)
        self.opening = 0.0 if self.made_of.vent is None else self.made_of.vent.opening
        inlet, outlet = request.shutoffs.inlet, request.shutoffs.outlet
        self.inlet_leak = conductance(_LEAKS[inlet]) if inlet in _LEAKS else None
        self.outlet_leak = conductance(_LEAKS[outlet]) if outlet in _LEAKS else None
        self.inlet, self.outlet = inlet, outlet
        # As found: both shutoffs open, nothing drawn off.
        downstream = self.outside if self.backpressure else None
        self.state = settle(self.made_of, Boundary(supply=self.pressure + self.swing, downstream=downstream), State())

    def _resize(self, request: PracticeTestRequest, part: Component, diameter: float) -> None:
        """Give a leaking check the hole that was stated."""
        if not part.startswith("check") or self.statuses.get(part) != "leaking":
            raise DocumentError("not_a_leaking_check", f"{self._pointer}/leaks/{part}", part=part)
        inches = diameter * length_factor(request.units, "in")
        held = min(conductance("leak") * pi / 4 * inches**2 / physics().openings["leak"].value, conductance("check"))
        side = "second" if part == "check_2" else "first"
        self.made_of = _held_open(self.made_of, side, held)

    def dip(self) -> State:
        """As found, when the supply swings to its lowest."""
        downstream = self.outside if self.backpressure else None
        self.state = settle(self.made_of, Boundary(supply=self.pressure - self.swing, downstream=downstream), self.state)
        return self.state

    def work(
        self,
        *,
        inlet_open: bool,
        inlet_bled: bool = False,
        outlet: Literal["closed", "cock", "hose"] = "closed",
        middle_cock: str = "",
        across: str = "",
        steady: bool = False,
    ) -> State:
        """Set the shutoffs and test cocks (the No. 2 shutoff stays closed), let the zones settle, and keep the lowest of a swing.

        `inlet_bled`: what leaks through the closed No. 1 shutoff is bled off. `outlet`: test cock 4 closed, open, or fed by a hose from
        the supply. `across` names the opening by which inlet and zone are joined through the gauge, as when water is bled across it.
        `steady`: at a moment when the supply does not swing.
        """
        made_of = self.made_of
        if across:
            made_of = _held_open(made_of, "first", made_of.first.held_open + conductance(across))
        leak = None if inlet_bled else self.inlet_leak
        swings = (self.swing, -self.swing) if self.swing and not steady else (0.0,)
        for swing in swings:
            supply = self.pressure + swing
            downstream, opening = self._outlet(outlet, supply)
            ends = Boundary(
                supply=supply if inlet_open or leak is not None else None,
                supply_opening=inf if inlet_open or leak is None else leak,
                downstream=downstream,
                downstream_opening=opening,
                cock=conductance(middle_cock) if middle_cock else 0.0,
            )
            self.state = settle(made_of, ends, self.state)
        return self.state

    def _outlet(self, outlet: Literal["closed", "cock", "hose"], supply: float) -> tuple[float | None, float]:
        """The pressure behind check 2 and its conductance: leak, test cock and hose together act as one opening to one pressure."""
        ways = [] if self.outlet_leak is None else [(self.outlet_leak, self.outside)]
        if outlet != "closed":
            ways.append((conductance("test_cock"), 0.0) if outlet == "cock" else (conductance("hose"), supply))
        if not ways:
            return None, inf
        total = sum(way**2 for way, _ in ways)
        return sum(way**2 * pressure for way, pressure in ways) / total, total**0.5


_PLAIN: dict[str, Literal["rp", "dc"]] = {"rpda": "rp", "rpda_ii": "rp", "dcda": "dc", "dcda_ii": "dc"}


def _held_open(made_of: Device, side: str, held: float) -> Device:
    check: Check = getattr(made_of, side)
    return msgspec.structs.replace(made_of, **{side: msgspec.structs.replace(check, held_open=held)})


def leaks(check: Check) -> bool:
    """Whether the check lets anything back."""
    return check.held_open > 0
