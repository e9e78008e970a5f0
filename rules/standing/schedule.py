"""When a test falls due: the interval of the connection, the triggers of what happened, the deadline of a failure.

All three are rulebook data. Months are calendar months: twelve months from 29 February end on 28 February. A day that a rulebook does
not reach back to is dated by its first day, since an assembly may be older than the rulebook.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Final

from msgspec import UNSET, Struct, UnsetType

from rules.calendar import add_days, add_months, day_in
from rules.load import rulebook, rulebook_data
from rules.local_rulebook import LocalVersion, RulebookKey, StatedInterval, base_id
from rules.rulebook import Event, Inspection, Interval, Rulebook, Trigger
from rules.texts import say


def book_for(key: RulebookKey, on: dt.date) -> Rulebook:
    """The rulebook in force on that day, or on the nearest day on which it is; UnknownRulebookError where it is not available."""
    data = rulebook_data(base_id(key))
    day = max(on, data.in_force_from)
    return rulebook(key, day if data.in_force_until is None else min(day, data.in_force_until))


def interval_for(  # noqa: PLR0917 - all that an entry may ask of
    book: Rulebook,
    hazard: str,
    connection: str,
    tested_on: dt.date = dt.date.min,
    failed_on: Sequence[dt.date] = (),
    kind: str | UnsetType = UNSET,
    *,
    seasonal: bool = False,
) -> Interval | None:
    """How often such an assembly is tested: the first entry whose conditions all fit; None where the rulebook has none for it.

    `failed_on` are the days up to that of the test (`tested_on`) on which the assembly failed, for entries that ask after repeat failures.
    An unknown hazard has the intervals of a health hazard (common practice, no source).
    """
    degree = "health" if hazard == "unknown" else hazard
    return next(
        (
            entry
            for entry in book.intervals
            if entry.covers(degree, connection, kind, seasonal=seasonal) and _fails_often(entry, tested_on, failed_on)
        ),
        None,
    )


def inspection_for(book: Rulebook, kind: str, hazard: str, connection: str) -> Inspection | None:
    """How often, and after what, such a kind is inspected: the first entry that fits; None where the rulebook has none for it.

    An unknown hazard has the inspections of a health hazard (common practice, no source).
    """
    degree = "health" if hazard == "unknown" else hazard
    return next(
        (
            entry
            for entry in book.inspections
            if kind in entry.kinds
            and (not entry.hazards or degree in entry.hazards)
            and (not entry.connections or connection in entry.connections)
        ),
        None,
    )


def no_interval(book: Rulebook) -> str:
    """Why a rulebook names no interval, in sentences."""
    left_open = book.left_open("intervals")
    if left_open is None:
        return say("standing", "standing", "no_interval", {"rulebook": book.id})
    return say("standing", "standing", "no_interval.not_read", {"rule_says": left_open.says})


def no_inspection(book: Rulebook) -> str:
    """Why no day is set for an inspection, in sentences."""
    return say("standing", "inspection", "no_interval", {"rulebook": book.id})


def _fails_often(one: Interval, tested_on: dt.date, failed_on: Sequence[dt.date]) -> bool:
    """Whether the assembly failed as often as the entry asks, within its months up to the test; an entry that does not ask fits all."""
    if one.failures is UNSET or one.within_months is UNSET:
        return True
    return sum(day <= tested_on <= add_months(day, one.within_months) for day in failed_on) >= one.failures


def next_due(book: Rulebook, hazard: str, connection: str, tested_on: dt.date) -> dt.date | None:
    """The day by which the test after the one of `tested_on` is due; None where there is no interval, or a connection is tested once."""
    interval = interval_for(book, hazard, connection)
    return None if interval is None or interval.months is None else add_months(tested_on, interval.months)


class OrdinaryDays(Struct, frozen=True, kw_only=True):
    """What the day of the last test says of an assembly that passed it and of which nothing special is known, on the day in question.

    It is not overdue if it passed on `current_since` or later, nor if it passed on `seldom_failed_since` or later and failed less than
    `failures` times from `failures_since` on; it is overdue if it passed before `overdue_before`. Between, its own interval decides.
    """

    current_since: dt.date
    seldom_failed_since: dt.date
    failures: int
    failures_since: dt.date
    overdue_before: dt.date


_MARGIN: Final = 4
"""So many days make up for months of different lengths."""
_NEVER_SO_OFTEN: Final = 2**31 - 1


def ordinary_days(key: RulebookKey, on: dt.date) -> OrdinaryDays:
    """The days that decide an ordinary assembly's standing on `on`, by all of the rulebook's intervals, for any hazard and connection."""
    intervals: list[Interval | StatedInterval] = list(rulebook_data(base_id(key)).intervals)
    if isinstance(key, LocalVersion):
        intervals += key.rulebook.intervals
    months = [interval.months for interval in intervals if interval.months is not None]
    seldom = [interval.months for interval in intervals if interval.months is not None and interval.failures is UNSET]
    often = [
        (interval.failures, 0 if interval.within_months is UNSET else interval.within_months)
        for interval in intervals
        if interval.failures is not UNSET
    ]

    def since(some: list[int]) -> dt.date:
        return add_days(add_months(on, -min(some)), _MARGIN) if some else dt.date.max

    seldom_failed_since = since(seldom)
    return OrdinaryDays(
        current_since=since(months),
        seldom_failed_since=seldom_failed_since,
        failures=min((failures for failures, _ in often), default=_NEVER_SO_OFTEN),
        failures_since=add_days(add_months(seldom_failed_since, -max((within for _, within in often), default=0)), -_MARGIN),
        overdue_before=dt.date.min
        if len(months) < len(intervals) or not months
        else add_days(add_months(on, -max(months)), -_MARGIN),
    )


def trigger_for(book: Rulebook, event: Event) -> Trigger | None:
    """What the rulebook asks after such an event, if it asks anything."""
    return next((trigger for trigger in book.triggers if trigger.event == event), None)


def season_after(starts: tuple[int, int], day: dt.date) -> dt.date | None:
    """The first start of a season (month, day of the month) after that day; None beyond the calendar.

    A day that the month has not is its last, so a season that starts on 29 February starts on the 28th of other years.
    """
    this_year = day_in(day.year, *starts)
    if this_year > day:
        return this_year
    return day_in(day.year + 1, *starts) if day.year < dt.MAXYEAR else None
