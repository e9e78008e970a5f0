"""The verdict in sentences that a customer can read (`data/texts/field_test.toml`, `summary`)."""

from collections.abc import Iterator

from rules.field_test.answer import Acceptance, PhaseVerdict
from rules.field_test.circumstances import Circumstances
from rules.field_test.plan import Plan
from rules.field_test.result import PhaseResult
from rules.texts import Value, join, say, word


def summary(
    plan: Plan,
    place: Circumstances,
    result: PhaseResult,
    last: PhaseVerdict,
    acceptance: Acceptance,
    *,
    repaired: bool,
    declared: bool,
) -> str:
    """The result of the last phase, and what limits it.

    `repaired` where an earlier phase failed, `declared` where the outcome is the one declared on paper.
    """
    return " ".join(_sentences(plan, place, result, last, acceptance, repaired=repaired, declared=declared))


def _sentences(
    plan: Plan,
    place: Circumstances,
    result: PhaseResult,
    last: PhaseVerdict,
    acceptance: Acceptance,
    *,
    repaired: bool,
    declared: bool,
) -> Iterator[str]:
    kind = plan.kind.name
    # A vacuum breaker stops no backpressure, however good its parts are.
    flow = "backflow" if "backpressure" in plan.kind.guards_against else "backsiphonage"
    if declared:
        yield _say(f"declared.{last.outcome}", kind=kind)
    elif plan.no_criteria is not None:
        yield _say(f"not_judged.{last.mechanical_protection}", kind=kind, flow=flow)
        yield plan.no_criteria.says
    elif last.outcome == "pass":
        yield _say("pass.repaired" if repaired else "pass", kind=kind)
    else:
        parts = join("field_test", _parts(plan, result, "not_met" if last.outcome == "fail" else "not_determined"))
        yield _say(f"{last.outcome}.{last.mechanical_protection}", kind=kind, parts=parts, flow=flow)
    # Nobody who reads the result alone may believe more than is so.
    if place.suitable is False:
        yield _say("not_suitable")
    elif place.suitable is None and place.hazard == "unknown":
        yield _say("not_assessed")
    if acceptance != "accepted":
        yield _say(acceptance)


def _parts(plan: Plan, result: PhaseResult, outcome: str) -> list[str]:
    """The parts with a finding of that outcome, each once."""
    names: dict[str, None] = {}
    for part in result.results:
        for rule, found in part.outcomes:
            if found == outcome:
                name = word("field_test", "component", "buffer" if rule.endswith(".buffer") else part.component)
                if len(plan.kind.lines) > 1:
                    name = word("field_test", "part", "on_line").format(component=name, line=part.line)
                names[name] = None
    return list(names)


def _say(code: str, **parameters: Value) -> str:
    return say("field_test", "summary", code, parameters)
