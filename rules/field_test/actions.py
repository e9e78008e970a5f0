"""What to do after a verdict, and by when: the deadlines are the rulebook's."""

from collections.abc import Iterable
from functools import cache, lru_cache

from msgspec import UNSET, Struct, structs

from rules.errors import NotJudgeableError
from rules.field_test.answer import Acceptance, Action, Flag, PhaseVerdict
from rules.field_test.circumstances import Circumstances
from rules.field_test.plan import Plan
from rules.files import read
from rules.load import catalogue
from rules.rulebook import ActsAs, Deadline, Limit, Rulebook
from rules.selection.tables import cite
from rules.sources import Cited, Source
from rules.texts import Value, join, say


def deadline(book: Rulebook, hazard: str, acts_as: ActsAs) -> Deadline:
    """How soon a failed assembly is repaired and retested; NotJudgeableError where the rulebook has no deadline for it.

    An unknown hazard has the deadlines of a health hazard.
    """
    degree = "health" if hazard == "unknown" else hazard
    for row in book.deadlines:
        if degree in row.hazards and acts_as in row.acts_as:
            return row
    raise NotJudgeableError("no_deadline", rulebook=book.id, hazard=degree, acts_as=acts_as)


def completion(book: Rulebook, hazard: str) -> Limit:
    """How soon an incomplete test in which no failure was seen is completed."""
    return book.limit("complete_the_test.non_health" if hazard == "non_health" else "complete_the_test.health")


class BeforeRetest(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to set right before the retest, where `flag` says that a reading could not count."""

    flag: str
    code: str


class Preparations(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/actions.toml`."""

    before_retest: tuple[BeforeRetest, ...]


@cache
def preparations() -> tuple[BeforeRetest, ...]:
    """What to set right for each flag, read once."""
    return read("actions.toml", Preparations).before_retest


def hindrances(flags: Iterable[Flag], *, retested: bool) -> frozenset[str]:
    """The codes of the flags that name what hindered the last phase; `retested` where that is the final test."""
    known = {row.flag for row in preparations()}
    return frozenset(
        flag.code for flag in flags if flag.code in known and not (retested and flag.pointer.startswith("/initial_test"))
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
        found.append(_action("retest", case="refused"))
    elif last.outcome == "incomplete" and plan.no_criteria is None:
        found.append(_by_limit(book, "complete_the_test", completion(book, place.hazard)))
    found += [_action(row.code, source=cite(row)) for row in preparations() if row.flag in hindered]
    if place.suitable is False:
        found.append(_replace(place))
    if place.hazard == "unknown":
        found.append(_assess(place))
    if acceptance == "held":
        found.append(_action("review_report"))
    found.append(_by_limit(book, "file_report", book.limit("report.due")))
    return tuple(found)


def _after_failure(book: Rulebook, hazard: str, last: PhaseVerdict, acts_as: ActsAs, acceptance: Acceptance) -> list[Action]:
    by = deadline(book, hazard, acts_as)
    source = book.cite(by)
    found: list[Action] = []
    if acts_as == "lost" and hazard != "non_health":
        # The repair may rest on a clause; that what it serves is isolated until then is common practice, and cites no law.
        isolate = book.limit("isolate.lost")
        found.append(_action("isolate_at_once", days=int(isolate.at_most or 0), source=book.cite(isolate)))
    if acceptance == "refused":
        # A failure is a warning whoever saw it, but nobody may order a repair on a report that is refused.
        repair = _action("retest", case="refused_failure", days=by.days, source=source, rule=by.key, says=by.says)
    elif last.mechanical_protection == "full":
        repair = _action("repair_and_retest", case="all_working", days=by.days, source=source)
    else:
        repair = _action("repair_and_retest", days=by.days, source=source, rule=by.key, says=by.says)
    return [*found, structs.replace(repair, counts_from=by.counts_from)]


def _assess(place: Circumstances) -> Action:
    if place.word is None:
        return _action("assess_hazard")
    because = say("field_test", "actions", "assess_hazard.class", {"hazard_class": place.word.word})
    return Action(code="assess_hazard", because=because, parameters={"case": "class", "hazard_class": place.word.word})


def _replace(place: Circumstances) -> Action:
    why = place.suitability
    kinds = join("field_test", [catalogue()[kind].name for kind in why.serves], "or")
    because = say("field_test", "actions", "replace_assembly", {"because": why.because, "kinds": kinds})
    return Action(code="replace_assembly", because=because, source=why.source or UNSET)


def _by_limit(book: Rulebook, code: str, limit: Limit) -> Action:
    action = _action(code, days=int(limit.at_most or 0), source=book.cite(limit), rule=limit.name, says=limit.says)
    return structs.replace(action, counts_from="test", business_days=limit.unit == "business_days")


def _action(
    code: str, *, case: str = "", days: int | None = None, source: Source | None = None, rule: str = "", says: str = ""
) -> Action:
    """An action with its sentence; `rule` is the key of the rulebook's entry that sets the days, and `says` what that entry says."""
    words: dict[str, Value] = {"rule_says": says, "within_days": 0 if days is None else days}
    parameters = {name: value for name, value in (("case", case), ("rule", rule)) if value}
    return Action(
        code=code,
        because=say("field_test", "actions", f"{code}.{case}" if case else code, words),
        within_days=UNSET if days is None else days,
        source=UNSET if source is None else source,
        parameters=parameters or UNSET,
    )
