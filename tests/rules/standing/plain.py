"""How an assembly stands, worked out a second time: plainly, slowly, and from the trade's own words rather than from the code or its data.

Nothing here calls the rules. A statement about tests is written as it would be said ("no test that counts came after it"), and the tables
are transcribed from the authorities as tests/oracles/test_rulebooks.py cites them. Calendar months are `dateutil`'s.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from dateutil.relativedelta import relativedelta

CONNECTIONS = ("residential", "non_residential", "irrigation", "fire", "reclaimed_on_site")
HAZARDS = ("severe", "health", "non_health")

# Months between tests, by rulebook (None: once); see tests/oracles/test_rulebooks.py for clauses and marks.
# The rulebooks of purveyors that require more frequent tests after repeated failures; no state names a figure.
MORE_OFTEN: frozenset[str] = frozenset()
YEARLY = {"us-wa", "us-or", "us-ca", "ca-bc", "us-common"}
# After which a test is asked for at once: common practice everywhere.
EVERYWHERE = {"installation", "repair", "relocation", "incident", "seasonal_start", "return_to_service"}


@dataclass(frozen=True)
class Test:
    """A report as the utility has it. `first` is how the test came out before any repair, `first_protection` what it left then.

    `acts_as` is what the failure seen last is to be treated as; left out, as what it left.
    """

    __test__ = False
    id: str
    day: dt.date
    moment: dt.datetime
    received: dt.datetime
    outcome: Any
    first: Any
    protection: Any
    acceptance: Any
    supersedes: str | None = None
    reason: Any = "periodic"
    first_protection: Any = None
    acts_as: Any = None


@dataclass(frozen=True)
class Happening:
    """Something that happened; its moment is known of incidents alone, and whether the assembly may have been the path."""

    event: Any
    day: dt.date
    moment: dt.datetime | None = None
    suspected: bool = True


@dataclass(frozen=True)
class Case:
    """All that is known of an assembly."""

    rulebook: str
    hazard: Any
    connection: Any
    in_service: bool = True
    installed: dt.date | None = None
    season: tuple[int, int] | None = None
    own_months: int | None = None
    registered: dt.date | None = None
    tests: tuple[Test, ...] = ()
    happenings: tuple[Happening, ...] = field(default=())

    def knowing(self, moment: dt.datetime) -> "Case":
        """The same with only the reports received before a moment."""
        return replace(self, tests=tuple(one for one in self.tests if one.received < moment))


@dataclass(frozen=True)
class Stated:
    """What is kept of it."""

    status: str
    due: dt.date | None
    protection: Any
    report: str | None
    since: dt.date | None


def stated(case: Case) -> Stated:
    """How it stands, whatever the day."""
    passed, failing = decisive(case)
    last = failing or passed
    accepted = [one for one in counting(case.tests) if one.acceptance == "accepted"]
    unanswered = [one for one in case.happenings if not any(answers(test, one) for test in accepted)]
    doubted = any(one.event == "incident" and one.suspected for one in unanswered)
    left = "unknown" if last is None else left_by(last, failed=failing is not None)
    protection = "unknown" if doubted and left != "lost" else left
    if not case.in_service:
        return Stated("out_of_service", None, protection, None if last is None else last.id, None)
    dues = [one.day for one in unanswered if one.event in EVERYWHERE]
    if case.installed is not None and not any(case.installed <= one.day for one in accepted):
        dues.append(case.installed)
    if last is None:
        serves_since = case.installed
        if serves_since is None:
            # Nobody says when: since it was put back the last time, or else since it is known at all.
            back = [one.day for one in case.happenings if one.event == "return_to_service"]
            serves_since = max(back) if back else case.registered
            dues += [] if serves_since is None else [serves_since]
        return Stated("untested", min(dues, default=None), "unknown", None, serves_since)
    if case.season is not None:
        dues.append(next_start(case.season, last.day))
    if failing is not None:
        dues.append(failing.day + dt.timedelta(days=days_to_mend(case.hazard, acts_as(failing))))
        # It has been failing since the first failure that no valid passing test came after.
        run = run_of_failures(case.tests, passed)
        return Stated("failed", min(dues), protection, failing.id, min(run, key=lambda one: sooner(one, case.tests)).day)
    months = [one for one in (months_between(case, last), case.own_months) if one is not None]
    dues += [last.day + relativedelta(months=min(months))] if months else []
    return Stated("current", min(dues, default=None), protection, last.id, last.day)


def decisive(case: Case) -> tuple[Test | None, Test | None]:
    """The last valid passing test, and the failure after it that decides, if there is any."""
    valid = [one for one in case.tests if is_valid_pass(one, case.tests)]
    passed = next((one for one in valid if not any(later(other, one, case.tests) for other in valid)), None)
    run = run_of_failures(case.tests, passed)
    # The last accepted one; then whichever unaccepted one after it is worse than all before, since those only make a standing worse.
    accepted = [one for one in run if one.acceptance == "accepted"]
    failing = next((one for one in accepted if not any(later(other, one, case.tests) for other in accepted)), None)
    rest = [one for one in run if failing is None or later(one, failing, case.tests)]
    candidates = [*([] if failing is None else [failing]), *rest]
    worst = max(map(badness, candidates), default=(0, 0))
    worst_ones = [one for one in candidates if badness(one) == worst]
    return passed, next((one for one in worst_ones if not any(later(one, other, case.tests) for other in worst_ones)), None)


WORSE = {"full": 0, "degraded": 1, "unknown": 2, "lost": 3}
MORE_URGENT = ("full", "degraded", "last_barrier_weak", "last_check", "lost")


def badness(one: Test) -> tuple[int, int]:
    """How bad a failure is: by what it left, then by how urgent it is."""
    return WORSE[left_by(one, failed=True)], MORE_URGENT.index(acts_as(one))


def acts_as(one: Test) -> str:
    """What a failure is to be treated as; where a failure was seen and nobody can say what is left, as if nothing was."""
    left = left_by(one, failed=True)
    return one.acts_as or ("lost" if left == "unknown" else left)


def run_of_failures(tests: Sequence[Test], passed: Test | None) -> list[Test]:
    """The failures that no valid passing test came after."""
    return [one for one in tests if is_failure(one, tests) and (passed is None or later(one, passed, tests))]


def left_by(test: Test, *, failed: bool) -> Any:
    """What is left: after a failure, by the phase that failed last."""
    only_first_failed = failed and test.outcome != "fail"
    return test.first_protection or test.protection if only_first_failed else test.protection


def on_day(case: Case, day: dt.date, soon_days: int) -> str:
    """Its status on a day."""
    kept = stated(case)
    if kept.status != "current" or kept.due is None:
        return kept.status
    days_left = (kept.due - day).days
    return "overdue" if days_left < 0 else "due_soon" if days_left <= soon_days else "current"


def corrections_of(one: Test, tests: Sequence[Test]) -> list[Test]:
    """Whatever corrects it, or corrects such a correction."""
    direct = [other for other in tests if other.supersedes == one.id]
    return direct + [further for other in direct for further in corrections_of(other, tests)]


def is_valid_pass(one: Test, tests: Sequence[Test]) -> bool:
    """A pass counts where its report is accepted and nothing corrects it."""
    return one.outcome == "pass" and one.acceptance == "accepted" and not corrections_of(one, tests)


def is_failure(one: Test, tests: Sequence[Test]) -> bool:
    """A failure seen in any phase counts, whoever saw it, until a valid pass (its own final test too), or an accepted correction."""
    if "fail" not in (one.outcome, one.first) or is_valid_pass(one, tests):
        return False
    return not any(other.acceptance == "accepted" for other in corrections_of(one, tests))


def counting(tests: Sequence[Test]) -> list[Test]:
    """The tests that say anything."""
    return [one for one in tests if is_valid_pass(one, tests) or is_failure(one, tests)]


def sooner(one: Test, tests: Sequence[Test]) -> tuple[object, ...]:
    """What tests are ordered by: the moment, be it of the test or of its receipt; then whichever is safer; then the receipt."""
    moment = min(one.received, one.moment)
    if is_failure(one, tests):
        place = "b: of one moment a failure comes after a pass, since nobody knows which came first"
    elif is_valid_pass(one, tests) and one.reason == "repair":
        place = "c: but a pass after a repair comes after the failure"
    else:
        place = "a"
    return moment, place, one.received, one.id


def later(one: Test, other: Test, tests: Sequence[Test]) -> bool:
    """Whether a test came after another."""
    return sooner(one, tests) > sooner(other, tests)


def answers(test: Test, happening: Happening) -> bool:
    """Whether the test was made after it happened."""
    if happening.moment is not None:
        return not min(test.moment, test.received) < happening.moment
    return not test.day < happening.day


def months_between(case: Case, last: Test) -> int | None:
    """How often such an assembly is tested."""
    if case.rulebook == "us-tx":
        return 12 if case.hazard in ("health", "severe") else None
    if case.rulebook == "us-fl":
        return 24 if case.connection == "residential" else 12
    assert case.rulebook in YEARLY
    if case.rulebook in MORE_OFTEN:
        # The purveyor requires a test more often where it fails repeatedly: twice within 24 months up to this test.
        failed = [one for one in counting(case.tests) if "fail" in (one.outcome, one.first) and not later(one, last, case.tests)]
        if len([one for one in failed if one.day + relativedelta(months=24) >= last.day]) >= 2:
            return 6
    return 12


def days_to_mend(hazard: str, treated_as: str) -> int:
    """A health hazard: at once with no barrier left, or a last check whose failure nothing would show; ten days where the last barrier is weak.

    Another hazard: ten days with no barrier left, or a weak one. Everything else thirty days.
    """
    if hazard in ("health", "severe"):
        return {"lost": 0, "last_check": 0, "last_barrier_weak": 10}.get(treated_as, 30)
    return {"lost": 10, "last_barrier_weak": 10}.get(treated_as, 30)


def next_start(season: tuple[int, int], after: dt.date) -> dt.date:
    """The first start of a season after a day, by going from day to day."""
    day = after
    while True:
        day += dt.timedelta(days=1)
        tomorrow = day + dt.timedelta(days=1)
        month_ends = tomorrow.month != day.month
        if day.month == season[0] and (day.day == season[1] or (month_ends and day.day < season[1])):
            return day
