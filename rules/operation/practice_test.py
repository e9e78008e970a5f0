"""The field procedure, run on the model: what a trainee does and sees, step by step, and apart from it the key.

Steps, their order and their words are data (`procedures`); what is seen at them is what the hydraulic model settles to. The same seed
gives the same test.
"""

import random
from typing import Any

import msgspec
from msgspec import UNSET, Struct

from rules.catalogue import Line, TestableKind
from rules.errors import DocumentError
from rules.field_test.document import Method, Phase
from rules.operation.bench import Bench, Gauge
from rules.operation.kinds import is_type_ii
from rules.operation.operation import CAUTION
from rules.operation.practice_dc import DuplexDoubleCheckTest, OneHoseDoubleCheckTest, TwoHoseDoubleCheckTest
from rules.operation.practice_request import LineCondition, PracticeShutoffs, PracticeTestRequest
from rules.operation.practice_rp import ReducedPressureTest
from rules.operation.practice_run import LineKey, PracticeStep, Run, StepMeaning
from rules.operation.practice_vb import VacuumBreakerTest
from rules.operation.procedures import Caution, Family, cautions_for, methods_of, procedure_of
from rules.quantities import Units, unit_missing

_FAMILIES: dict[str, Family] = {
    "rp": "rp",
    "rpda": "rp",
    "rpda_ii": "rp",
    "dc": "dc",
    "dcda": "dc",
    "dcda_ii": "dc",
    "pvb": "pvb",
    "svb": "svb",
}
_DETECTORS = frozenset({"rpda", "rpda_ii", "dcda", "dcda_ii"})
AnyTest = ReducedPressureTest | OneHoseDoubleCheckTest | TwoHoseDoubleCheckTest | DuplexDoubleCheckTest | VacuumBreakerTest


class PracticeKey(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """For the instructor: the readings as the `initial_test` of a test report, what the observations mean, and the true condition."""

    initial_test: Phase
    """The readings, as a test report has them; post it to the verdict."""
    meanings: tuple[StepMeaning, ...]
    """What the observations mean."""
    lines: tuple[LineKey, ...]
    """The true condition of each line."""
    shutoffs: PracticeShutoffs
    """The true condition of the shutoffs."""


class PracticeTest(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A field test to practise: cautions and steps are for the trainee; the `key` is for the instructor."""

    kind: TestableKind
    """The kind of assembly."""
    units: Units
    """The units of the figures."""
    method: Method
    """How the differentials are read."""
    cautions: tuple[Caution, ...]
    """What to observe before the first step."""
    steps: tuple[PracticeStep, ...]
    """The steps in order, with what is seen at each."""
    key: PracticeKey
    """For the instructor."""
    caution: str = CAUTION
    """What such a test is not."""


def practice_test(request: PracticeTestRequest) -> PracticeTest:
    """The procedure run on `request`; DocumentError where it names a part, condition, method, unit or figure that does not belong to it."""
    if request.units.pressure is UNSET:
        raise unit_missing("pressure")
    family = _FAMILIES[request.kind]
    method = methods_of(family)[0] if request.method is UNSET else request.method
    if method not in methods_of(family):
        raise DocumentError("unknown_method", "/method", method=method, kind=request.kind, available=methods_of(family))
    lines: list[tuple[Line, LineCondition]] = [("main", request)]
    if request.kind in _DETECTORS:
        lines.append(("bypass", LineCondition() if request.bypass is UNSET else request.bypass))
    elif request.bypass is not UNSET:
        raise DocumentError("no_bypass_line", "/bypass", kind=request.kind, available=sorted(_DETECTORS))
    source = random.Random(request.seed)  # noqa: S311 - reproducible on purpose, guards nothing
    gauge = Gauge(request, source)
    benches = [(line, condition, Bench(request, line, condition, gauge, source)) for line, condition in lines]
    readings: dict[tuple[str, str], dict[str, Any]] = {}
    phase: dict[str, Any] = {"method": method}
    shutoffs: dict[str, str] = {}
    noted: list[tuple[PracticeStep, tuple[str, ...]]] = []
    for line, _, bench in benches:
        run = Run(bench, line, readings)
        _take(request, run, family, method)
        noted += run.steps
        phase |= run.phase
        shutoffs |= run.shutoffs
    phase |= {"readings": list(readings.values()), "shutoffs": shutoffs}
    key = PracticeKey(
        initial_test=msgspec.convert(phase, Phase),
        meanings=tuple(StepMeaning(step=at, meanings=means) for at, (_, means) in enumerate(noted) if means),
        lines=tuple(_true_condition(line, bench) for line, _, bench in benches),
        shutoffs=request.shutoffs,
    )
    return PracticeTest(
        kind=request.kind,
        units=request.units,
        method=method,
        cautions=cautions_for(request.kind),
        steps=tuple(step for step, _ in noted),
        key=key,
    )


def _take(request: PracticeTestRequest, run: Run, family: Family, method: Method) -> None:
    """Take the steps of the line's procedure, in order; with a test kit that fails, none but to see that."""
    codes = procedure_of(family, method).steps
    if run.line == "bypass":
        codes = tuple(code for code in codes if code not in {"arrive", "restore"})
        if is_type_ii(request.kind):
            family, method = "bypass_check", "two_hoses"
            codes = procedure_of(family, method).steps
        else:
            codes = ("bypass_meter", *codes)
        codes = (*codes, "restore") if codes[-1] != "restore" else codes
    test = _test_of(family, method, run)
    if request.gauge.faulty:
        run.record_phase(test_kit_fault=True)
        run.see(codes[1], "kit_leaks")
        return
    for code in codes:
        if code == "bypass_meter":
            run.record_phase(bypass_meter_moved=not request.bypass_meter_sticks)
            run.see(code, "meter_still" if request.bypass_meter_sticks else "meter_moves")
        else:
            getattr(test, code)()


def _test_of(family: Family, method: Method, run: Run) -> AnyTest:
    if family == "rp":
        return ReducedPressureTest(run)
    if family in {"pvb", "svb"}:
        return VacuumBreakerTest(run, tube=method == "sight_tube")
    if method == "two_hoses":
        return TwoHoseDoubleCheckTest(run)
    if method == "duplex_gauge":
        return DuplexDoubleCheckTest(run)
    return OneHoseDoubleCheckTest(run, tube=method == "sight_tube")


def _true_condition(line: Line, bench: Bench) -> LineKey:
    loadings = {part: bench.gauge.finer(load) for part, load in bench.loadings.items()}
    return LineKey(line=line, conditions=bench.statuses, loadings=loadings)  # type: ignore[arg-type]
