"""The verdict in plain words that a customer could read."""

from typing import Final

from rules.field_test.answer import Acceptance, Outcome
from rules.field_test.plan import PART_NAMES, Plan
from rules.field_test.result import PhaseResult
from rules.rulebook import Protection

_LEFT: Final[dict[Protection, str]] = {
    "full": "its barriers still stand",
    "degraded": "it would still stop backflow today, but with fewer barriers than it should have",
    "lost": "it cannot be relied on to stop backflow",
    "unknown": "what it would do today cannot be told",
}


# What stands behind the sentence, so that nobody who reads it alone believes more than is so.
_ACCEPTED: Final[dict[Acceptance, str]] = {
    "accepted": "",
    "held": " A person still has to look at this report before it counts as a record.",
    "refused": " This report does not count as a record, so nobody may rely on it; its flags say why.",
}
_NOT_FOR_HAZARD: Final = " This kind of assembly is not for that hazard, however well it tests."


def summary(plan: Plan, last: PhaseResult, acceptance: Acceptance, *, repaired: bool, not_for_hazard: bool) -> str:
    """A sentence on the last phase, and what stands behind it; `repaired` where an earlier phase failed."""
    return _last(plan, last, repaired=repaired) + (_NOT_FOR_HAZARD if not_for_hazard else "") + _ACCEPTED[acceptance]


def _last(plan: Plan, last: PhaseResult, *, repaired: bool) -> str:
    outcome = last.verdict.outcome
    parts: tuple[str, ...] = ()
    if outcome != "pass":
        wanted = "not_met" if outcome == "fail" else "not_determined"
        several = len(plan.kind.lines) > 1
        named = [
            ("the buffer between check 1 and the relief valve" if rule.endswith(".buffer") else PART_NAMES[one.component])
            + (f" of the {one.line} line" if several else "")
            for one in last.results
            for rule, told in one.outcomes
            if told == wanted
        ]
        parts = tuple(dict.fromkeys(named))
    return _worded(plan.kind.name, outcome, last.verdict.protection, parts, repaired=repaired)


def _worded(name: str, outcome: Outcome, left: Protection, parts: tuple[str, ...], *, repaired: bool) -> str:
    if outcome == "pass":
        return f"This {name} {'failed at first, and then ' if repaired else ''}passed its test: its barriers stand."
    listed = parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
    if outcome == "fail":
        return f"This {name} failed its test at {listed}: {_LEFT[left]}; it has to be repaired and tested again."
    return f"The test of this {name} is not complete ({listed} could not be judged): {_LEFT[left]}; it has to be tested again."
