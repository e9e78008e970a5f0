"""By when a backflow incident is notified to the regulator, as the rulebook requires it."""

import datetime as dt
from typing import Final

from msgspec import Struct

from rules.local_rulebook import RulebookKey
from rules.rulebook import Limit
from rules.sources import Source
from rules.standing.schedule import book_for

_WEEKDAYS: Final = 5
_END_OF_DAY: Final = dt.time(23, 59, 59)


class IncidentNotice(Struct, frozen=True, kw_only=True):
    """Until when the regulator is notified of an incident, and the rule that requires it.

    It runs from the incident itself, the earliest at which anybody can know of it. Public holidays are not counted out.
    """

    by: dt.datetime
    """The last moment for the notice."""
    says: str
    """What the rulebook requires."""
    source: Source
    """Where that is from."""


def incident_notice(rulebook: RulebookKey, occurred_at: dt.datetime) -> IncidentNotice | None:
    """The notice that the rulebook in force on the day requires; None where none of its text that was read names a time.

    `occurred_at` is given by the clock where the utility is: a deadline in days ends with a day there.
    """
    book = book_for(rulebook, occurred_at.date())
    limit = next((limit for limit in book.limits if limit.name == "incident.notice"), None)
    if limit is None:
        return None
    try:
        by = _last_moment(limit, occurred_at)
    except OverflowError:
        by = occurred_at
    return IncidentNotice(by=by, says=limit.says, source=book.cite(limit))


def _last_moment(limit: Limit, occurred_at: dt.datetime) -> dt.datetime:
    within = int(limit.at_most or 0)
    if limit.unit == "hours":
        # Hours pass alike where clocks are changed in between.
        return (occurred_at.astimezone(dt.UTC) + dt.timedelta(hours=within)).astimezone(occurred_at.tzinfo)
    day = occurred_at.date()
    if limit.unit == "business_days":
        for _ in range(within):
            day += dt.timedelta(days=1)
            while day.weekday() >= _WEEKDAYS:
                day += dt.timedelta(days=1)
    else:
        day += dt.timedelta(days=within)
    return dt.datetime.combine(day, _END_OF_DAY, occurred_at.tzinfo)
