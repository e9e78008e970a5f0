"""What a date or a time can be at all; the bounds are `data/dates.toml`."""

import datetime as dt
from functools import cache

from msgspec import Struct

from rules.errors import DocumentError
from rules.files import read
from rules.sources import Cited


class UtcOffset(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The offsets from UTC that clocks are set to, in hours; both ends count."""

    at_least: int
    at_most: int


class Installation(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """From which day on, and how many days ahead, an assembly may be registered as installed."""

    earliest: dt.date
    days_ahead: int


class LookAgain(Cited, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """After so many months somebody looks at a rulebook's sources again."""

    months: int


class Dates(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The data file as a whole."""

    utc_offset: UtcOffset
    installation: Installation
    look_again: LookAgain


@cache
def dates() -> Dates:
    """The bounds of dates and times."""
    return read("dates.toml", Dates)


@cache
def _offsets() -> tuple[dt.timedelta, dt.timedelta]:
    bounds = dates().utc_offset
    return dt.timedelta(hours=bounds.at_least), dt.timedelta(hours=bounds.at_most)


def offset_fault(moment: dt.datetime, pointer: str) -> DocumentError | None:
    """The error of a moment with an offset that no clock is set to; None where clocks are set so somewhere, or it has no offset."""
    offset, (least, most) = moment.utcoffset(), _offsets()
    if offset is None or least <= offset <= most:
        return None
    return DocumentError("impossible_offset", pointer, first=_signed(least), last=_signed(most))


def _signed(offset: dt.timedelta) -> str:
    hours = int(offset.total_seconds()) // 3600
    return f"{'-' if hours < 0 else '+'}{abs(hours):02}:00"


def installation_fault(day: dt.date, today: dt.date, pointer: str) -> DocumentError | None:
    """The error of an impossible day of installation; None where an assembly may have been, or may soon be, installed on it."""
    bounds = dates().installation
    if bounds.earliest <= day and day.toordinal() <= today.toordinal() + bounds.days_ahead:
        return None
    last = dt.date.fromordinal(min(today.toordinal() + bounds.days_ahead, dt.date.max.toordinal()))
    return DocumentError("impossible_installation_date", pointer, first=bounds.earliest.isoformat(), last=last.isoformat())
