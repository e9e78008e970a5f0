"""Which step of a schedule is the right one on a day.

Steps of the same occasion to the same addressee follow one another. Of those whose day has come, the last is the right one: when nobody
looked for a week, or an assembly comes into the record long overdue, the customer gets the step that the schedule has reached by now, and
not every step before it at once. So on a given day each step is right for one stretch of days to count from, and an assembly is found by
the day that it counts from, without going through all of them.
"""

import datetime as dt
from collections.abc import Sequence

from msgspec import UNSET, Struct

from rules.errors import DocumentError, together
from rules.load import works
from rules.notices.data import NoticeStep, notice_data
from rules.notices.text import faults, names
from rules.sources import Provenance, cite


class Window(Struct, frozen=True, kw_only=True):
    """On the day asked about, `step` is the right one for what counts from a day after `after` (None: any day) up to `until`."""

    step: NoticeStep
    after: dt.date | None
    until: dt.date


def provenance() -> Provenance:
    """How the default schedule is known."""
    return cite(notice_data(), works()).provenance


def scheduled_for(step: NoticeStep, counted_from: dt.date) -> dt.date:
    """The day that a step has for what counts from that day."""
    return _before(counted_from, -step.days)


def windows(steps: Sequence[NoticeStep], on: dt.date) -> tuple[Window, ...]:
    """For which days each step is the right one on that day, in the order of the steps."""
    found = []
    for step in steps:
        later = [
            other.days for other in steps if (other.occasion, other.to) == (step.occasion, step.to) and other.days > step.days
        ]
        found.append(Window(step=step, after=_before(on, min(later)) if later else None, until=_before(on, step.days)))
    return tuple(found)


def _before(on: dt.date, days: int) -> dt.date:
    """The day so many days before; the calendar's first or last day where it ends."""
    return dt.date.fromordinal(min(max(on.toordinal() - days, dt.date.min.toordinal()), dt.date.max.toordinal()))


def check(steps: Sequence[NoticeStep]) -> None:
    """Refuse a schedule that cannot be followed: DocumentError with every fault and its pointer."""
    found: list[DocumentError] = []
    codes: set[str] = set()
    days: set[tuple[str, str, int]] = set()
    for place, one in enumerate(steps):
        at = f"/steps/{place}"
        if one.step in codes:
            found.append(DocumentError("step_repeated", f"{at}/step", step=one.step))
        if (one.occasion, one.to, one.days) in days:
            found.append(DocumentError("step_day_repeated", f"{at}/days", occasion=one.occasion, to=one.to, days=one.days))
        codes.add(one.step)
        days.add((one.occasion, one.to, one.days))
        found += faults_of_step(one, at)
    if found:
        raise together(*found)


def faults_of_step(step: NoticeStep, at: str) -> list[DocumentError]:
    """What is wrong with one step whatever the others are; `at` is the pointer to it."""
    found = []
    if step.occasion != "due" and step.days < 0:
        found.append(DocumentError("step_before_failure", f"{at}/days", occasion=step.occasion))
    for name in ("subject", "inspection_subject"):
        if (subject := getattr(step, name)) is not UNSET:
            found += faults(subject, step.occasion, f"{at}/{name}")
    for name in ("text", "inspection_text"):
        if (text := getattr(step, name)) is not UNSET:
            found += faults(text, step.occasion, f"{at}/{name}")
            found += [] if "caution" in names(text) else [DocumentError("caution_missing", f"{at}/{name}")]
    return found
