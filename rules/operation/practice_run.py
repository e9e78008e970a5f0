"""The notes of one line's test: each step as it is taken, what was seen, and what goes into the report."""

from typing import Any

from msgspec import UNSET, Struct, UnsetType

from rules.catalogue import Component, Line
from rules.operation.bench import Bench
from rules.operation.elements import Status
from rules.operation.physics import differential_unit
from rules.operation.procedures import procedures
from rules.sources import Source


class PracticeStep(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """One step: what the tester does and why, and what there is to see. Nothing here says what condition a part is in.

    `pointers` lead to the members of the report that the step fills in, within `initial_test` of the key. `gauge_reading` is in `unit`;
    psid is psi of difference. An `optional` step is not part of every programme's procedure.
    """

    line: Line
    """The line that is tested."""
    code: str
    """The step, by a name that does not change with its words."""
    instruction: str
    """What the tester does."""
    because: str
    """Why."""
    observed: tuple[str, ...]
    """What there is to see."""
    source: Source
    """Where the step is from."""
    component: Component | UnsetType = UNSET
    """The part that is read."""
    gauge_reading: float | UnsetType = UNSET
    """What the gauge shows."""
    unit: str | UnsetType = UNSET
    """The unit of the reading."""
    pointers: tuple[str, ...] = ()
    """JSON pointers (RFC 6901) to the members of the report that the step fills in."""
    optional: bool = False
    """Whether some programmes' procedures leave it out."""


class StepMeaning(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the observations of a step mean; `step` is its place in `steps`, from 0."""

    step: int
    """The place in `steps`, from 0."""
    meanings: tuple[str, ...]
    """What was seen there means this."""


class LineKey(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The true condition of a line: its parts, and its springs in `units.pressure`."""

    line: Line
    """The line."""
    conditions: dict[Component, Status]
    """The parts that are not sound."""
    loadings: dict[str, float]
    """The springs, in `units.pressure`."""


class Run:
    """A test as it goes on. Procedures call `see` for each step and `record` for what goes into the report."""

    def __init__(self, bench: Bench, line: Line, readings: dict[tuple[str, str], dict[str, Any]]) -> None:
        """Begin the line's test; `readings` gathers those of all lines, in order."""
        self.bench, self.line, self.gauge = bench, line, bench.gauge
        self.readings = readings
        self.steps: list[tuple[PracticeStep, tuple[str, ...]]] = []
        self.shutoffs: dict[str, str] = {}
        self.phase: dict[str, Any] = {}
        self._recorded: list[str] = []

    def record(self, component: Component, **members: Any) -> None:
        """Put members of a part's reading into the report.

        A member that is None is taken out again, as a later try replaces an earlier one.
        """
        key = (self.line, component)
        reading = self.readings.setdefault(key, {"component": component, "line": self.line})
        for member, value in members.items():
            reading.pop(member, None)
            if value is not None:
                reading[member] = value
        at = list(self.readings).index(key)
        members = {member: value for member, value in members.items() if value is not None}
        self._recorded += [f"/initial_test/readings/{at}/{member}" for member in members]

    def record_shutoff(self, side: str, found: str) -> None:
        """Put how a shutoff was found into the report."""
        self.shutoffs[side] = found
        self._recorded.append(f"/initial_test/shutoffs/{side}")

    def record_phase(self, **members: Any) -> None:
        """Put members of the test itself into the report."""
        self.phase.update(members)
        self._recorded += [f"/initial_test/{member}" for member in members]

    def see(self, code: str, *seen: str, reading: float | None = None, means: str = "") -> None:
        """Note a step with what was observed, by code; what was recorded since the last step belongs to this one.

        `means` is the code of a meaning that the figure has, rather than the observation.
        """
        texts = procedures()
        text = texts.steps[code]
        figures = {"reading": "", "column": ""}
        if reading is not None:
            figures = {"reading": self.gauge.written(reading), "column": self.gauge.column(reading)}
        step = PracticeStep(
            line=self.line,
            code=code,
            instruction=text.instruction,
            because=text.because,
            observed=tuple(texts.observations[code_seen].format(**figures) for code_seen in seen),
            source=texts.sources[text.source],
            component=UNSET if text.component is None else text.component,
            gauge_reading=UNSET if reading is None else reading,
            unit=UNSET if reading is None else differential_unit(self.gauge.unit),
            pointers=tuple(self._recorded),
            optional=text.optional,
        )
        self.steps.append((step, tuple(texts.meanings[known] for known in (*seen, means) if known in texts.meanings)))
        self._recorded = []
