"""Thousands of made-up histories: the rules' standing is what plain.py works out from them, in whatever order the reports come."""

import datetime as dt
import random
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from msgspec import UNSET

from rules.load import rulebook_data
from rules.standing import Occurrence, Standing, TestEvent, rested_on, standing, standing_on
from tests.rules.standing import plain
from tests.rules.standing.conftest import OPTION
from tests.rules.standing.plain import Case, Happening, Test

# Around a leap day, so that month ends and 29 February are met.
START = dt.datetime(2022, 1, 1, tzinfo=dt.UTC)
# "us-wa" is here the rulebook of a purveyor with the option of tests/rules/standing/conftest.py.
pytestmark = pytest.mark.usefixtures("purveyors_option")
RULEBOOKS = ("us-wa", "us-or", "us-tx", "us-fl", "us-ca", "ca-bc", "us-common")
EVENTS = ("incident", "repair", "relocation", "return_to_service", "reoccupancy")


def history(source: random.Random) -> Case:
    """An assembly to which much happens: reports late, corrected, refused, held; incidents; a season; an interval of its own."""
    # Few moments, so that things fall together.
    moments = [START + dt.timedelta(days=source.randrange(1200), hours=source.choice((0, 8, 12, 23))) for _ in range(12)]
    moments.append(dt.datetime(2024, 2, 29, 12, tzinfo=dt.UTC))
    tests: list[Test] = []
    for n in range(source.randrange(9)):
        moment = source.choice(moments)
        outcome = source.choice(("pass", "pass", "pass", "fail", "fail", "incomplete"))
        received = source.choice((moment, max(moments))) + dt.timedelta(days=source.choice((0, 0, 1, 200)))
        if source.random() < 0.1:
            # Dated ahead: it was received before it says that it was performed.
            received = moment - dt.timedelta(days=source.choice((1, 200)))
        open_ones = [one.id for one in tests if not any(other.supersedes == one.id for other in tests)]
        tests.append(
            Test(
                id=f"{source.randrange(100):02}-{n}",
                day=min(moment, received).date(),
                moment=moment,
                received=received,
                outcome=outcome,
                reason=source.choice(("periodic", "periodic", "repair")),
                first_protection=source.choice(("degraded", "lost", "unknown")),
                acts_as=source.choice((None, None, "last_check", "last_barrier_weak")),
                first=outcome if source.random() < 0.7 else "fail",
                protection="full" if outcome == "pass" else source.choice(("full", "degraded", "lost", "unknown")),
                acceptance=source.choice(("accepted", "accepted", "accepted", "held", "refused")),
                supersedes=source.choice(open_ones) if open_ones and source.random() < 0.25 else None,
            )
        )
    happenings = []
    for _ in range(source.choice((0, 0, 1, 1, 2, 3))):
        moment, event = source.choice(moments), source.choice(EVENTS)
        happenings.append(
            Happening(
                event=event, day=moment.date(), moment=moment if event == "incident" else None, suspected=source.random() < 0.6
            )
        )
    return Case(
        rulebook=source.choice(RULEBOOKS),
        hazard=source.choice(plain.HAZARDS),
        connection=source.choice(plain.CONNECTIONS),
        in_service=source.random() < 0.9,
        installed=source.choice((None, None, source.choice(moments).date())),
        season=source.choice((None, None, None, (2, 29), (4, 31), (10, 1))),
        own_months=source.choice((None, None, None, 1, 6, 18, 60)),
        registered=source.choice((None, source.choice(moments).date())),
        tests=tuple(tests),
        happenings=tuple(happenings),
    )


def events(case: Case) -> list[TestEvent]:
    return [
        TestEvent(
            report_id=one.id,
            performed_on=one.day,
            performed_at=one.moment,
            received_at=one.received,
            reason=one.reason,
            outcome=one.outcome,
            initial_outcome=one.first,
            protection=one.protection,
            acceptance=one.acceptance,
            supersedes=one.supersedes or UNSET,
            failed_protection=one.first_protection if one.first == "fail" and one.outcome != "fail" else UNSET,
            acts_as=one.acts_as or UNSET,
        )
        for one in case.tests
    ]


def by_the_rules(case: Case) -> Standing:
    return standing(
        rulebook=case.rulebook,
        hazard=case.hazard,
        connection=case.connection,
        in_service=case.in_service,
        installed_on=case.installed,
        season_starts=case.season,
        interval_months=case.own_months,
        registered_on=case.registered,
        history=events(case),
        occurrences=[Occurrence(event=one.event, on=one.day, at=one.moment, suspected=one.suspected) for one in case.happenings],
    )


def whole_reason(case: Case, kept: Standing) -> None:
    """Why an assembly stands so is reported in whole sentences: the test, and the rulebook's own words (or the utility's interval) for what is due."""
    assert kept.because.endswith(".")
    assert "None" not in kept.because
    last = next((one for one in case.tests if one.id == kept.report_id), None)
    if last is not None and case.in_service:
        which = "initial test" if kept.status == "failed" and last.outcome != "fail" else "test"
        assert kept.because.startswith(
            f"The assembly {'failed' if kept.status == 'failed' else 'passed'} its {which} on {last.day}"
        )
        assert ("certified tester" in kept.because) == (kept.status == "failed" and last.acceptance == "refused")
        # Nobody may order a repair on a report that was refused; common practice, no source.
        assert ("repair_and_retest" in kept.actions) == (
            kept.status == "failed"
            and last.acceptance != "refused"
            and (
                last.acceptance == "accepted"
                or plain.days_to_mend(case.hazard, plain.acts_as(last)) <= plain.days_to_mend(case.hazard, "lost")
            )
        )
    if kept.due_on is not None:
        book = rulebook_data(case.rulebook)
        rows: list[Any] = [OPTION, *book.intervals, *book.triggers, *book.deadlines]
        asked = [row.says for row in rows]
        assert any(one in kept.because for one in (*asked, f"every {case.own_months} month", "The retest is due"))
    elif case.in_service and last is None:
        assert kept.because.count(".") == 1
    accepted = [one for one in plain.counting(case.tests) if one.acceptance == "accepted"]
    doubted = last is not None and any(
        one.event == "incident" and one.suspected and not any(plain.answers(test, one) for test in accepted)
        for one in case.happenings
    )
    assert ("its protection is unknown" in kept.because) == (doubted and kept.protection == "unknown" and case.in_service)


def agrees(case: Case) -> plain.Stated:
    kept = by_the_rules(case)
    expected = plain.stated(case)
    assert plain.Stated(kept.status, kept.due_on, kept.protection, kept.report_id, kept.since) == expected, case
    whole_reason(case, kept)
    return expected


def many(count: int, seed: int) -> None:
    source = random.Random(seed)  # noqa: S311 - reproducible on purpose
    met: Counter[str] = Counter()
    for _ in range(count):
        case = history(source)
        expected = agrees(case)
        met[expected.status] += 1
        met["doubted"] += expected.protection == "unknown" and expected.status == "current"
        met["often"] += (
            case.rulebook == "us-wa" and expected.status == "current" and plain.months_between(case, _last(case, expected)) == 6
        )
        # The order in which the reports are reported, and what counts for nothing, change nothing.
        shuffled = source.sample(case.tests, len(case.tests))
        assert by_the_rules(replace(case, tests=tuple(shuffled))) == by_the_rules(case)
        day = START.date() + dt.timedelta(days=source.randrange(1800))
        assert standing_on(by_the_rules(case), day, 30).status == plain.on_day(case, day, 30)
    # Every way to stand was met often enough for the comparison to mean something.
    assert set(met) == {"current", "failed", "untested", "out_of_service", "doubted", "often"}
    assert min(met.values()) > count / 400, met


def _last(case: Case, expected: plain.Stated) -> Test:
    return next(one for one in case.tests if one.id == expected.report)


def test_the_standing_of_two_thousand_histories_is_what_they_plainly_say() -> None:
    many(2_000, seed=4)


@pytest.mark.slow
def test_the_standing_of_twelve_thousand_histories_is_what_they_plainly_say() -> None:
    many(12_000, seed=5)


def test_what_is_known_later_changes_what_was_reported_only_by_what_came() -> None:
    """Reports reported one by one as they arrive: each step is the plain account of those that have come."""
    source = random.Random(6)  # noqa: S311 - reproducible on purpose
    for _ in range(300):
        case = history(source)
        for one in case.tests:
            agrees(case.knowing(one.received))


def test_a_standing_rests_on_few_tests_now_and_after_any_that_is_added() -> None:
    source = random.Random(7)  # noqa: S311 - reproducible on purpose
    fewer = 0
    for _ in range(600):
        case = history(source)
        added = next(one for one in iter(lambda: history(source).tests, None) if one)[0]
        added = replace(added, id="added", supersedes=None)
        few = {event.report_id for event in rested_on(events(case))}
        kept = replace(case, tests=tuple(one for one in case.tests if one.id in few))
        assert by_the_rules(kept) == by_the_rules(case), case
        assert by_the_rules(replace(kept, tests=(*kept.tests, added))) == by_the_rules(replace(case, tests=(*case.tests, added)))
        fewer += len(kept.tests) < len(case.tests)
    assert fewer > 200
