"""Which barriers are left → what the assembly would do today.

The combination of failed parts is looked up in the matrix that `rules.operation` computes from hydraulics. Where a part's state is not
known, every way it could fall is tried: if all agree that is the answer, otherwise it is *unknown*. On a detector assembly the worse
line decides.
"""

from collections.abc import Iterable
from itertools import combinations
from typing import Final

from rules.catalogue import AssemblyKind, Component, Line
from rules.field_test.answer import Finding
from rules.operation import protection as left_with
from rules.rulebook import Protection

_WORST_FIRST: Final[tuple[Protection, ...]] = ("lost", "unknown", "degraded", "full")


def protection(kind: AssemblyKind, findings: Iterable[Finding]) -> Protection:
    """What is left of the assembly's protection, by the findings of one phase."""
    failed: dict[Line, set[Component]] = {line: set() for line in kind.lines}
    unknown: dict[Line, set[Component]] = {line: set() for line in kind.lines}
    for finding in findings:
        if finding.rule.endswith(".buffer"):
            # Too little room between check 1 and the relief valve breaks no barrier; where the two contradict each other, both are unknown.
            if finding.outcome == "not_determined":
                unknown[finding.line] |= {"check_1", "relief_valve"}
        elif finding.outcome == "not_met":
            failed[finding.line].add(finding.component)
        elif finding.outcome == "not_determined":
            unknown[finding.line].add(finding.component)
    lines = {_of_line(kind, failed[line], unknown[line] - failed[line]) for line in kind.lines}
    return next(one for one in _WORST_FIRST if one in lines)


def _of_line(kind: AssemblyKind, failed: set[Component], unknown: set[Component]) -> Protection:
    possible = {
        left_with(kind.kind, frozenset(failed | set(more)))
        for size in range(len(unknown) + 1)
        for more in combinations(sorted(unknown), size)
    }
    return possible.pop() if len(possible) == 1 else "unknown"
