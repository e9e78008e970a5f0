"""The result of a phase: the outcome of each rule and the state of each part, without numbers and words.

Two questions, never mixed: the rules' outcomes decide the phase's outcome, the parts' states what the assembly would do today. A check
that holds 0.6 psi fails the test and still is a barrier.

There are few such results, however the readings vary, and what follows from them (the outcome, the protection left, the likely causes,
the summary) follows from nothing else: so they are shared and compared by identity, and serve as keys of the caches.
"""

from functools import lru_cache

from msgspec import Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import FindingOutcome, Outcome
from rules.field_test.plan import Plan
from rules.field_test.protection import LineResult, State


class PartResult(Struct, frozen=True, kw_only=True, eq=False):
    """The result of one part, or of the `pair` of readings that the buffer rests on; the outcomes are in the order of its findings."""

    line: Line
    component: Component
    outcomes: tuple[tuple[str, FindingOutcome], ...]
    state: State
    pair: bool

    @property
    def outcome(self) -> Outcome:
        """The outcome of all of its findings."""
        found = {outcome for _, outcome in self.outcomes}
        return "fail" if "not_met" in found else "incomplete" if "not_determined" in found else "pass"


class PhaseResult(Struct, frozen=True, kw_only=True, eq=False):
    """The result of one phase; `suspect` holds every part for which a repair would have a cause."""

    outcome: Outcome
    lines: tuple[LineResult, ...]
    results: tuple[PartResult, ...]
    suspect: frozenset[tuple[Line, Component]]


@lru_cache(maxsize=1024)
def part_result(
    line: Line, component: Component, outcomes: tuple[tuple[str, FindingOutcome], ...], state: State, *, pair: bool = False
) -> PartResult:
    """The result of those outcomes and that state; `pair` where two readings were compared with each other."""
    return PartResult(line=line, component=component, outcomes=outcomes, state=state, pair=pair)


def state_of_number(number: float, minimum: float, accuracy: float) -> State:
    """What a number that can be trusted says of its part; all in one unit.

    `minimum` is the kind's own, `accuracy` (±) the gauge's. A check between 0 and its minimum does not leak and can still prevent backflow
    (a testers' association's article, published); a number that the gauge cannot distinguish from 0 shows neither.
    """
    if number <= 0:
        return "failed"
    if number >= minimum:
        return "sound"
    return "weak" if number > accuracy else "unknown"


@lru_cache(maxsize=4096)
def add_up(plan: Plan, results: tuple[PartResult, ...]) -> PhaseResult:
    """The result of a phase, from the results of its parts in the order of its findings."""
    lines: list[LineResult] = []
    suspect: set[tuple[Line, Component]] = set()
    outcomes = {result.outcome for result in results}
    for line in plan.kind.lines:
        of_line = [result for result in results if result.line == line]
        # An RP's parts are in flow order (check 1, relief valve, check 2), and the buffer's result follows them.
        count = len(plan.kind.components_on(line))
        parts, buffers = of_line[:count], of_line[count:]
        states = [part.state for part in parts]
        for buffer in buffers:
            if buffer.state == "unknown" and buffer.pair:
                # Of two readings that contradict each other neither can be believed.
                states[:2] = ["unknown" if state in {"sound", "weak"} else state for state in states[:2]]
            if buffer.outcome != "pass":
                # A buffer that is too small is repaired at check 1 or at the relief valve, though each alone reads well.
                suspect |= {(line, part.component) for part in parts}
        failure_seen = False
        for part, state in zip(parts, states, strict=True):
            failure_seen |= part.outcome == "fail" and state != "sound"
            if state != "sound" or part.outcome != "pass":
                suspect.add((line, part.component))
        lines.append(LineResult(states=tuple(states), failure_seen=failure_seen))
    outcome: Outcome = "fail" if "fail" in outcomes else "incomplete" if "incomplete" in outcomes else "pass"
    return PhaseResult(outcome=outcome, lines=tuple(lines), results=results, suspect=frozenset(suspect))
