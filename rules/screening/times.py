"""When and where tests were made: at plausible hours, no more than can be made, no farther apart than can be travelled.

These three count and divide; nothing is estimated. What they grant (slack in written times, places that are only nearly right) is data.
A test stamped midnight to the second has no stated time of day. Where all tests of a day have the same moment, it was entered for all of
them (as when days are imported without times). Of such tests only the day counts.
"""

import datetime as dt
from collections import deque
from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Final

from rules.screening.document import ScreenedTest, ScreeningEvidence, SecondLook, named
from rules.screening.settings import setting
from rules.screening.texts import sentence

_HOUR: Final = dt.timedelta(hours=1)
_MINUTE: Final = dt.timedelta(minutes=1)
_METRES_PER_KILOMETRE: Final = 1_000


def within_reach(gap: dt.timedelta) -> float:
    """The distance [m] up to which two tests of one tester, that far apart in time, raise no question."""
    hours = (gap / _MINUTE + setting("clock_slack")) / 60
    return max(setting("near"), setting("fastest") * hours) * _METRES_PER_KILOMETRE


def looks_at_times(tests: Iterable[ScreenedTest]) -> Iterator[SecondLook]:
    """What deserves a second look among the tests of one tester, given in the order of their making."""
    last: ScreenedTest | None = None
    for _, of_day in groupby(tests, key=lambda test: test.performed_at.date()):
        day = list(of_day)
        timed = [test for test in day if test.timed]
        if len(timed) > 1 and len({test.performed_at for test in timed}) == 1:
            timed, last = [], None
        for test in timed:
            yield from _hour(test)
            if last is not None:
                yield from _travel(last, test)
            last = test
        yield from _crowded(day, timed)


def _hour(test: ScreenedTest) -> Iterator[SecondLook]:
    at = test.performed_at
    hour = at.hour + at.minute / 60 + at.second / 3600
    early, late = setting("earliest_hour"), setting("latest_hour")
    if early <= hour < late:
        return
    yield SecondLook(
        screen="implausible_hour",
        subject="tester",
        subject_id=test.tester_id,
        occasion=test.report_id,
        on=at.date(),
        message=sentence("implausible_hour", "dated", time=f"{at:%H:%M}", earliest=early, latest=late),
        evidence=ScreeningEvidence(report_ids=[test.report_id], figures={"hour": round(hour, 4)}),
    )


def _travel(last: ScreenedTest, test: ScreenedTest) -> Iterator[SecondLook]:
    if test.metres_from_last is None:
        return
    gap = test.performed_at - last.performed_at
    if test.metres_from_last <= within_reach(gap):
        return
    kilometres = test.metres_from_last / _METRES_PER_KILOMETRE
    minutes = gap / _MINUTE
    hours = (minutes + setting("clock_slack")) / 60
    fastest = setting("fastest")
    yield SecondLook(
        screen="too_far_to_travel",
        subject="tester",
        subject_id=test.tester_id,
        occasion=f"{last.report_id}/{test.report_id}",
        on=test.performed_at.date(),
        message=sentence(
            "too_far_to_travel", "apart", kilometres=kilometres, minutes=minutes, slack=setting("clock_slack"), fastest=fastest
        ),
        evidence=ScreeningEvidence(
            report_ids=[last.report_id, test.report_id],
            figures={
                "kilometres": round(kilometres, 3),
                "minutes": round(minutes, 2),
                "kilometres_per_hour": round(kilometres / hours, 1),
            },
        ),
    )


def _crowded(day: list[ScreenedTest], timed: list[ScreenedTest]) -> Iterator[SecondLook]:
    """More tests on a day, or within an hour of it (of those whose time is stated), than can be made."""
    most_of_day, most_of_hour = setting("most_in_a_day"), setting("most_in_an_hour")
    within: deque[ScreenedTest] = deque()
    fullest: list[ScreenedTest] = []
    for test in timed:
        while within and test.performed_at - within[0].performed_at >= _HOUR:
            within.popleft()
        within.append(test)
        if len(within) > len(fullest):
            fullest = list(within)
    if len(day) <= most_of_day and len(fullest) <= most_of_hour:
        return
    on = day[0].performed_at.date()
    yield SecondLook(
        screen="too_many_tests",
        subject="tester",
        subject_id=day[0].tester_id,
        occasion=on.isoformat(),
        on=on,
        message=sentence(
            "too_many_tests",
            "counted",
            in_the_day=len(day),
            day=on.isoformat(),
            in_an_hour=len(fullest),
            most_in_a_day=most_of_day,
            most_in_an_hour=most_of_hour,
        ),
        evidence=ScreeningEvidence(
            report_ids=named([test.report_id for test in day]), figures={"in_the_day": len(day), "in_an_hour": len(fullest)}
        ),
    )
