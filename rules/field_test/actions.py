"""What to do after a verdict, and by when: the deadlines are the rulebook's."""

from functools import lru_cache

from rules.catalogue import Hazard
from rules.errors import NotJudgeableError
from rules.field_test.answer import Acceptance, Action, PhaseVerdict
from rules.field_test.plan import Plan
from rules.rulebook import Deadline, Protection, Rulebook


def deadline(book: Rulebook, hazard: str, left: Protection) -> Deadline:
    """How soon a failed assembly is mended; NotJudgeableError where the rulebook does not say."""
    for one in book.deadlines:
        if hazard in one.hazards and left in one.protection:
            return one
    raise NotJudgeableError(f"Rulebook {book.id} names no deadline for a {hazard} hazard with protection {left}.")


@lru_cache(maxsize=4096)
def actions(plan: Plan, hazard: Hazard, last: PhaseVerdict, acceptance: Acceptance) -> tuple[Action, ...]:
    """What to do, the most urgent first."""
    book = plan.rulebook
    told: list[Action] = []
    if last.outcome != "pass":
        by = deadline(book, hazard, last.protection)
        says = by.says
        if last.protection == "full":
            # The deadlines tell of barriers that are gone; here none is.
            says = f"Every barrier is left; what does not meet the rules is mended within {by.days} days all the same."
        if last.protection == "lost" and hazard != "non_health":
            because = "No barrier is left against a health hazard: shut the assembly off, or isolate what it serves, until it is mended."
            told.append(Action(code="isolate_at_once", within_days=0, because=because, source=book.cite(by)))
        if last.outcome == "fail":
            told.append(Action(code="repair_and_retest", within_days=by.days, because=says, source=book.cite(by)))
        else:
            because = f"Something needed is missing or cannot be trusted: mend what the findings name, and test again. {says}"
            told.append(Action(code="complete_the_test", within_days=by.days, because=because, source=book.cite(by)))
    if acceptance == "held":
        told.append(
            Action(code="review_report", because="A person should look at what is flagged before this report stands as a record.")
        )
    elif acceptance == "refused":
        because = "What is flagged keeps this report from standing as a record; a test that meets the rules is still due."
        told.append(Action(code="test_anew", because=because))
    due = book.limit("report.due")
    told.append(Action(code="file_report", within_days=int(due.at_most or 0), because=due.says, source=book.cite(due)))
    return tuple(told)
