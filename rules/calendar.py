"""Calendar arithmetic as the law means it: a month from the 31st ends on the last day of the next month."""

import calendar
import datetime as dt
from functools import lru_cache


@lru_cache(maxsize=4096)
def add_months(day: dt.date, months: int) -> dt.date:
    """The same day of the month so many months later, or that month's last day where it has no such day; dt.date.max beyond the calendar."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    if year > dt.MAXYEAR:
        return dt.date.max
    return day_in(year, month + 1, day.day)


def add_days(day: dt.date, days: int) -> dt.date:
    """So many days later; dt.date.max beyond the calendar."""
    return dt.date.fromordinal(min(day.toordinal() + days, dt.date.max.toordinal()))


def day_in(year: int, month: int, day: int) -> dt.date:
    """That day of that month, or the month's last where it has no such day."""
    return dt.date(year, month, min(day, calendar.monthrange(year, month)[1]))
