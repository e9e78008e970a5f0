"""What to do after a verdict, and by when: the deadlines are the rulebook's."""

from collections.abc import Iterable
from functools import cache, lru_cache

from msgspec import UNSET, Struct

from rules.errors import NotJudgeableError
from rules.field_test.answer import Acceptance, Action, Flag, PhaseVerdict
from rules.field_test.circumstances import Circumstances
from rules.field_test.plan import Plan
from rules.load import catalogue, read
from rules.rulebook import ActsAs, Deadline, Limit, Rulebook
from rules.selection.tables import cite
from rules.sources import Cited


def deadline(book: Rulebook, hazard: str, acts_as: ActsAs) -> Deadline:
    """How soon a failed assembly is repaired and tested again; NotJudgeableError where the rulebook does not say.

    An unknown hazard has the deadlines of a health hazard.
    """
    degree = "health" if hazard == "unknown" else hazard
    for row in book.deadlines:
        if degree in row.hazards and acts_as in row.acts_as:
            return row
    raise NotJudgeableError(f"Rulebook {book.id} names no deadline for a {degree} hazard that acts as {acts_as}.")


def completion(book: Rulebook, hazard: str) -> Limit:
    """How soon an incomplete test in which no failure was seen is completed."""
    return book.limit("complete_the_test.non_health" if hazard == "non_health" else "complete_the_test.health")


class BeforeTestingAgain(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to set right before the test is made again, where `flag` says that a reading could not count."""

    flag: str
    code: str
    because: str


class Preparations(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/actions.toml`."""

    before_testing_again: tuple[BeforeTestingAgain, ...]


@cache
def preparations() -> tuple[BeforeTestingAgain, ...]:
    """What each flag asks to be set right, read once."""
    return read("actions.toml", Preparations).before_testing_again


def hindrances(flags: Iterable[Flag], *, retested: bool) -> frozenset[str]:
    """The codes of those flags that say what hindered the last phase; `retested` where that is the final test."""
    known = {row.flag for row in preparations()}
    return frozenset(
        one.code for one in flags if one.code in known and not (retested and one.pointer.startswith("/initial_test"))
    )


@lru_cache(maxsize=4096)
def actions(
    plan: Plan, place: Circumstances, last: PhaseVerdict, acceptance: Acceptance, hindered: frozenset[str]
) -> tuple[Action, ...]:
    """What to do, the most urgent first; `hindered` holds the codes from `hindrances`."""
    book = plan.rulebook
    found: list[Action] = []
    if last.acts_as is not None:
        found += _after_failure(book, place.hazard, last, last.acts_as, acceptance)
    elif acceptance == "refused":
        because = "This report is refused, so it does not count as a test: have a certified tester test the assembly again."
        found.append(Action(code="retest", because=because))
    elif last.outcome == "incomplete" and plan.no_criteria is None:
        limit = completion(book, place.hazard)
        because = f"Take what the findings name as missing or not determined, and complete the test. {limit.says}"
        found.append(
            Action(code="complete_the_test", within_days=int(limit.at_most or 0), because=because, source=book.cite(limit))
        )
    found += [Action(code=row.code, because=row.because, source=cite(row)) for row in preparations() if row.flag in hindered]
    if place.suitable is False:
        found.append(_replace(place))
    if place.hazard == "unknown":
        because = "Assess the hazard: until it is known, deadlines are those of a health hazard, and nobody can say whether this kind is approved for it."
        found.append(Action(code="assess_hazard", because=because))
    if acceptance == "held":
        found.append(Action(code="review_report", because="A person reviews what is flagged before this report is accepted."))
    due = book.limit("report.due")
    found.append(Action(code="file_report", within_days=int(due.at_most or 0), because=due.says, source=book.cite(due)))
    return tuple(found)


def _after_failure(book: Rulebook, hazard: str, last: PhaseVerdict, acts_as: ActsAs, acceptance: Acceptance) -> list[Action]:
    by = deadline(book, hazard, acts_as)
    found: list[Action] = []
    if acts_as == "lost" and hazard != "non_health":
        because = "No barrier is known to be left against a health hazard: shut the assembly off, or isolate what it serves, until it is repaired."
        found.append(Action(code="isolate_at_once", within_days=0, because=because, source=book.cite(by)))
    if acceptance == "refused":
        # A failure seen is a warning whoever saw it, but nobody may order a repair on a report that is refused.
        because = f"This report is refused, but it shows a failure: have a certified tester test the assembly again. {by.says}"
        return [*found, Action(code="retest", within_days=by.days, because=because, source=book.cite(by))]
    says = by.says
    if last.mechanical_protection == "full":
        says = f"Every part does its work; repair what does not meet the rules within {by.days} days all the same."
    return [*found, Action(code="repair_and_retest", within_days=by.days, because=says, source=book.cite(by))]


def _replace(place: Circumstances) -> Action:
    why = place.suitability
    serving = " or ".join(catalogue()[kind].name for kind in why.serves)
    because = f"{why.because} Replace it with a kind that serves: {serving}."
    return Action(code="replace_assembly", because=because, source=why.source or UNSET)
