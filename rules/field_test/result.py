"""What a phase comes to: the outcome of each rule, the numbers and words left out.

There are few such results, however the readings vary, and what follows from them (the outcome, the protection left, the likely causes,
the summary) follows from nothing else: so they are shared, compared by identity, and key what is remembered.
"""

from functools import lru_cache

from msgspec import Struct

from rules.catalogue import Component, Line
from rules.field_test.answer import FindingOutcome, Outcome, PhaseVerdict
from rules.field_test.plan import Plan
from rules.field_test.protection import State, line_protection, worse
from rules.rulebook import Protection


class PartResult(Struct, frozen=True, kw_only=True, eq=False):
    """What one part comes to, or the `pair` of readings that the buffer rests on; the outcomes stand in the order of its findings."""

    line: Line
    component: Component
    outcomes: tuple[tuple[str, FindingOutcome], ...]
    state: State
    pair: bool


class PhaseResult(Struct, frozen=True, kw_only=True, eq=False):
    """What one phase comes to; `suspect` holds every part that a repair would have a cause for."""

    verdict: PhaseVerdict
    results: tuple[PartResult, ...]
    suspect: frozenset[tuple[Line, Component]]


@lru_cache(maxsize=1024)
def part_result(line: Line, component: Component, outcomes: tuple[tuple[str, FindingOutcome], ...], *, pair: bool) -> PartResult:
    """The result of those outcomes; `pair` where two readings that were both had are weighed against each other."""
    told = {outcome for _, outcome in outcomes}
    state: State = "failed" if "not_met" in told else "unknown" if "not_determined" in told else "sound"
    return PartResult(line=line, component=component, outcomes=outcomes, state=state, pair=pair)


@lru_cache(maxsize=4096)
def add_up(plan: Plan, results: tuple[PartResult, ...]) -> PhaseResult:
    """What the results of a phase, in the order of its findings, come to."""
    left: Protection = "full"
    suspect: set[tuple[Line, Component]] = set()
    seen: set[State] = set()
    for line in plan.kind.lines:
        of_line = [one for one in results if one.line == line]
        # An RP's parts stand in flow order (check 1, relief valve, check 2), and the buffer's result after them.
        states = tuple([one.state for one in of_line[: len(plan.parts)]])
        for one in of_line[len(plan.parts) :]:
            seen.add(one.state)
            if one.pair and one.state == "unknown":
                # Of two readings that contradict each other neither can be believed.
                states = (*("unknown" if state == "sound" else state for state in states[:2]), *states[2:])
            if one.state != "sound":
                # A buffer that is too small is mended at check 1 or at the relief valve, though each alone reads well.
                suspect |= {(line, part) for part in plan.kind.components}
        seen.update(states)
        suspect |= {(line, part) for part, state in zip(plan.kind.components, states, strict=True) if state != "sound"}
        left = worse(left, line_protection(plan.kind.kind, states))
    outcome: Outcome = "fail" if "failed" in seen else "incomplete" if "unknown" in seen else "pass"
    return PhaseResult(verdict=PhaseVerdict(outcome=outcome, protection=left), results=results, suspect=frozenset(suspect))
