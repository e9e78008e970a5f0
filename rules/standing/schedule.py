"""When a test falls due: the interval of the connection, the triggers of what happened, the deadline of a failure.

All three are rulebook data. Months are calendar months: twelve months from 29 February end on 28 February. A day that a rulebook does
not reach back to is dated by its first day, since an assembly may be older than the rulebook that is carried.
"""

import datetime as dt

from rules.calendar import add_months
from rules.errors import NotJudgeableError
from rules.load import rulebook, rulebook_data
from rules.rulebook import Event, Interval, Rulebook, Trigger


def book_for(rulebook_id: str, on: dt.date) -> Rulebook:
    """The rulebook in force on that day, or on the nearest day on which it is; UnknownRulebookError where it is not carried."""
    data = rulebook_data(rulebook_id)
    day = max(on, data.in_force_from)
    return rulebook(rulebook_id, day if data.in_force_until is None else min(day, data.in_force_until))


def interval_for(book: Rulebook, hazard: str, connection: str) -> Interval:
    """How often such a connection is tested: the first entry whose conditions all fit; NotJudgeableError where none does."""
    for one in book.intervals:
        if (not one.hazards or hazard in one.hazards) and (not one.connections or connection in one.connections):
            return one
    raise NotJudgeableError(f"Rulebook {book.id} names no interval for a {hazard} hazard at a {connection} connection.")


def next_due(book: Rulebook, hazard: str, connection: str, tested_on: dt.date) -> dt.date | None:
    """The day by which the test after the one of `tested_on` is due; None where a connection is tested once."""
    months = interval_for(book, hazard, connection).months
    return None if months is None else add_months(tested_on, months)


def trigger_for(book: Rulebook, event: Event) -> Trigger | None:
    """What the rulebook asks after such an event, if it asks anything."""
    return next((one for one in book.triggers if one.event == event), None)
