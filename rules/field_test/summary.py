"""The verdict in plain words that a customer could read."""

from typing import Final

from rules.field_test.answer import Acceptance, Outcome, PhaseVerdict
from rules.field_test.circumstances import Circumstances
from rules.field_test.plan import PART_NAMES, Plan
from rules.field_test.result import PhaseResult
from rules.rulebook import MechanicalProtection

_LEFT: Final[dict[MechanicalProtection, str]] = {
    "full": "all of its barriers are working",
    "degraded": "it would still stop backflow today, but with less protection than it should have",
    "lost": "it cannot be relied on to stop backflow",
    "unknown": "its protection is unknown",
}


# What goes with the sentence, so that nobody who reads it alone believes more than is so.
_ACCEPTED: Final[dict[Acceptance, str]] = {
    "accepted": "",
    "held": " A person still has to review this report before it counts as a record.",
    "refused": " This report does not count as a record, so nobody may rely on it; its flags say why.",
}
_NOT_SUITABLE: Final = " This kind of assembly is not approved for this hazard or use, whatever its test result."
_NOT_ASSESSED: Final = " The hazard is not assessed, so nobody can say whether this kind of assembly is approved for it."


def summary(
    plan: Plan, place: Circumstances, result: PhaseResult, last: PhaseVerdict, acceptance: Acceptance, *, repaired: bool
) -> str:
    """A sentence on the last phase, and what goes with it; `repaired` where an earlier phase failed."""
    suitable = _NOT_SUITABLE if place.suitable is False else _NOT_ASSESSED if place.hazard == "unknown" else ""
    return _last(plan, result, last, repaired=repaired) + suitable + _ACCEPTED[acceptance]


def _last(plan: Plan, result: PhaseResult, last: PhaseVerdict, *, repaired: bool) -> str:
    outcome = last.outcome
    if plan.no_criteria is not None:
        return (
            f"The readings of this {plan.kind.name} were not judged: {_LEFT[last.mechanical_protection]}. {plan.no_criteria.says}"
        )
    parts: tuple[str, ...] = ()
    if outcome != "pass":
        wanted = "not_met" if outcome == "fail" else "not_determined"
        several = len(plan.kind.lines) > 1
        named = [
            ("the buffer between check 1 and the relief valve" if rule.endswith(".buffer") else PART_NAMES[part.component])
            + (f" of the {part.line} line" if several else "")
            for part in result.results
            for rule, found in part.outcomes
            if found == wanted
        ]
        parts = tuple(dict.fromkeys(named))
    return _worded(plan.kind.name, outcome, last.mechanical_protection, parts, repaired=repaired)


def _worded(name: str, outcome: Outcome, left: MechanicalProtection, parts: tuple[str, ...], *, repaired: bool) -> str:
    if outcome == "pass":
        return f"This {name} {'failed at first, and then ' if repaired else ''}passed its test: all of its barriers are working."
    listed = parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
    if outcome == "fail":
        return f"This {name} failed its test at {listed}: {_LEFT[left]}; repair it and test it again."
    return f"The test of this {name} is not complete ({listed} could not be judged): {_LEFT[left]}; complete the test."
