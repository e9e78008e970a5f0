"""How an assembly stands, told a second time: plainly, slowly, and from the trade's own words rather than from the code or its data.

Nothing here calls the rules. A statement about tests is written as it would be said ("no test that counts came after it"), and the tables
are transcribed from the authorities as tests/outside/test_rulebooks.py cites them. Calendar months are `dateutil`'s.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from dateutil.relativedelta import relativedelta

CONNECTIONS = ("residential", "non_residential", "irrigation", "fire", "reclaimed_on_site")
HAZARDS = ("severe", "health", "non_health")

# Months between tests, by rulebook (None: once); see tests/outside/test_rulebooks.py for clauses and marks.
YEARLY = {"us-wa", "us-or", "us-ca", "ca-bc", "us-common"}
# After which a test is asked for at once: common practice everywhere.
EVERYWHERE = {"installation", "repair", "relocation", "incident", "seasonal_start", "return_to_service"}


@dataclass(frozen=True)
class Test:
    """A report as the utility has it. `first` is how the test came out before any repair."""

    __test__ = False
    id: str
    day: dt.date
    moment: dt.datetime
    received: dt.datetime
    outcome: str
    first: str
    protection: str
    acceptance: str
    supersedes: str | None = None


@dataclass(frozen=True)
class Happening:
    """Something that happened; its moment is known of incidents alone."""

    event: str
    day: dt.date
    moment: dt.datetime | None = None


@dataclass(frozen=True)
class Case:
    """All that is known of an assembly."""

    rulebook: str
    hazard: str
    connection: str
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
class Told:
    """What is kept of it."""

    status: str
    due: dt.date | None
    protection: str
    report: str | None
    since: dt.date | None


def told(case: Case) -> Told:
    """How it stands, whatever the day."""
    counting = [one for one in case.tests if counts(one, case.tests)]
    last = next((one for one in counting if not any(later(other, one) for other in counting)), None)
    happened = list(case.happenings)
    unanswered = [one for one in happened if last is None or not answers(last, one)]
    doubted = any(one.event == "incident" for one in unanswered)
    if last is None:
        protection = "unknown"
    elif last.protection == "lost" or not doubted:
        protection = last.protection
    else:
        protection = "unknown"
    if not case.in_service:
        return Told("out_of_service", None, protection, None if last is None else last.id, None)
    dues = [one.day for one in unanswered if one.event in EVERYWHERE]
    if case.installed is not None and (last is None or last.day < case.installed):
        dues.append(case.installed)
    if last is None:
        serves_since = case.installed
        if serves_since is None:
            # Nobody says when: since it was put back the last time, or else since it is known at all.
            back = [one.day for one in case.happenings if one.event == "return_to_service"]
            serves_since = max(back) if back else case.registered
            dues += [] if serves_since is None else [serves_since]
        return Told("untested", min(dues, default=None), "unknown", None, serves_since)
    if case.season is not None:
        dues.append(next_start(case.season, last.day))
    if last.outcome == "fail":
        dues.append(last.day + dt.timedelta(days=days_to_mend(case.hazard, last.protection)))
        # It has been failing since the first failure that no passing test came after.
        run = [
            one
            for one in counting
            if one.outcome == "fail" and not any(two.outcome == "pass" and later(two, one) for two in counting)
        ]
        return Told("failed", min(dues), protection, last.id, min(run, key=lambda one: one.moment).day)
    months = [one for one in (months_between(case, last), case.own_months) if one is not None]
    dues += [last.day + relativedelta(months=min(months))] if months else []
    return Told("current", min(dues, default=None), protection, last.id, last.day)


def on_day(case: Case, day: dt.date, soon_days: int) -> str:
    """Its status on a day."""
    kept = told(case)
    if kept.status != "current" or kept.due is None:
        return kept.status
    days_left = (kept.due - day).days
    return "overdue" if days_left < 0 else "due_soon" if days_left <= soon_days else "current"


def stands(one: Test, tests: Sequence[Test]) -> bool:
    """Whether a report says anything: it was not refused, and none corrects it; one that failed is silent only by a correction to be believed."""
    if one.acceptance == "refused":
        return False
    corrections = corrections_of(one, tests)
    return not (any(believed(other) for other in corrections) if one.outcome == "fail" else corrections)


def corrections_of(one: Test, tests: Sequence[Test]) -> list[Test]:
    """Whatever corrects it, or corrects such a correction."""
    direct = [other for other in tests if other.supersedes == one.id]
    return direct + [further for other in direct for further in corrections_of(other, tests)]


def believed(one: Test) -> bool:
    """Whether a report was accepted, or tells a failure and was not refused."""
    return one.acceptance == "accepted" or (one.outcome == "fail" and one.acceptance != "refused")


def counts(one: Test, tests: Sequence[Test]) -> bool:
    """A failing test counts although it is held; a passing one only once it is accepted; an incomplete one never."""
    if not stands(one, tests):
        return False
    return one.outcome == "fail" or (one.outcome == "pass" and one.acceptance == "accepted")


def later(one: Test, other: Test) -> bool:
    """Whether a test was performed after another; of one moment, the one that failed, since nobody can tell which came first; else the report that came later."""
    if one.moment != other.moment:
        return one.moment > other.moment
    if (one.outcome == "fail") != (other.outcome == "fail"):
        return one.outcome == "fail"
    if one.received != other.received:
        return one.received > other.received
    return one.id > other.id


def answers(test: Test, happening: Happening) -> bool:
    """Whether the test was made after it happened."""
    if happening.moment is not None:
        return not test.moment < happening.moment
    return not test.day < happening.day


def months_between(case: Case, last: Test) -> int | None:
    """How often such an assembly is tested."""
    if case.rulebook == "us-tx":
        return 12 if case.hazard in ("health", "severe") else None
    if case.rulebook == "us-fl":
        return 24 if case.connection == "residential" else 12
    assert case.rulebook in YEARLY
    if case.rulebook == "us-wa":
        # More often where it fails repeatedly: twice within 24 months up to this test.
        failed = [
            one for one in case.tests if stands(one, case.tests) and "fail" in (one.outcome, one.first) and not later(one, last)
        ]
        if len([one for one in failed if one.day + relativedelta(months=24) >= last.day]) >= 2:
            return 6
    return 12


def days_to_mend(hazard: str, protection: str) -> int:
    """At once for a health hazard with no barrier left, or not known; ten days without a health hazard; else thirty."""
    if hazard in ("health", "severe"):
        return 0 if protection in ("lost", "unknown") else 30
    return 10 if protection in ("lost", "unknown") else 30


def next_start(season: tuple[int, int], after: dt.date) -> dt.date:
    """The first start of a season after a day, by going from day to day."""
    day = after
    while True:
        day += dt.timedelta(days=1)
        tomorrow = day + dt.timedelta(days=1)
        month_ends = tomorrow.month != day.month
        if day.month == season[0] and (day.day == season[1] or (month_ends and day.day < season[1])):
            return day
