"""Calendar arithmetic as the law means it: a month from the 31st ends on the last day of the next month."""

import calendar
import datetime as dt
from functools import lru_cache


@lru_cache(maxsize=4096)
def add_months(day: dt.date, months: int) -> dt.date:
    """The same day of the month so many months later, or that month's last day where it has no such day.

    The calendar's first or last day beyond it.
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    if year > dt.MAXYEAR:
        return dt.date.max
    if year < dt.MINYEAR:
        return dt.date.min
    return day_in(year, month + 1, day.day)


def add_days(day: dt.date, days: int) -> dt.date:
    """So many days later; the calendar's first or last day beyond it."""
    return dt.date.fromordinal(max(1, min(day.toordinal() + days, dt.date.max.toordinal())))


def day_in(year: int, month: int, day: int) -> dt.date:
    """That day of that month, or the month's last where it has no such day."""
    return dt.date(year, month, min(day, calendar.monthrange(year, month)[1]))
