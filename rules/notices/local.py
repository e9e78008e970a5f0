"""The notices that a utility's ordinance requires, laid over the schedule that it follows."""

import datetime as dt
from collections.abc import Sequence

from msgspec import UNSET

from rules.errors import DocumentError
from rules.local_rulebook import LocalRulebook, LocalVersion, StatedNotice, in_force
from rules.notices.data import NoticeStep, default_steps
from rules.notices.schedule import faults_of_step


def stated_notices(version: LocalVersion | None, on: dt.date) -> tuple[StatedNotice, ...]:
    """The notices that the local rulebook requires on that day."""
    if version is None:
        return ()
    return tuple(entry for entry in version.rulebook.notices if in_force(version.rulebook, entry, on))


def with_local(steps: Sequence[NoticeStep], stated: Sequence[StatedNotice]) -> tuple[NoticeStep, ...]:
    """The schedule with the stated notices in place of the steps of their codes, and of those of the same day to the same addressee."""
    own = tuple(_step(entry, steps) for entry in stated)
    codes = {step.step for step in own}
    days = {(step.occasion, step.to, step.days) for step in own}
    return tuple(step for step in steps if step.step not in codes and (step.occasion, step.to, step.days) not in days) + own


def _step(entry: StatedNotice, steps: Sequence[NoticeStep]) -> NoticeStep:
    """The stated notice with its own words, or those of a step for the same occasion and addressee."""
    like = _like(entry, steps) or _like(entry, default_steps())
    subject = entry.subject if entry.subject is not UNSET else "" if like is None else like.subject
    text = entry.text if entry.text is not UNSET else "" if like is None else like.text
    return NoticeStep(step=entry.step, occasion=entry.occasion, days=entry.days, to=entry.to, subject=subject, text=text)


def _like(entry: StatedNotice, steps: Sequence[NoticeStep]) -> NoticeStep | None:
    same = [step for step in steps if (step.occasion, step.to) == (entry.occasion, entry.to)]
    return next((step for step in same if step.step == entry.step), same[0] if same else None)


def faults_of_notices(rulebook: LocalRulebook) -> list[DocumentError]:
    """What is wrong with the notices that are stated, with the pointer to each."""
    found = []
    for place, entry in enumerate(rulebook.notices):
        step, at = _step(entry, ()), f"/notices/{place}"
        missing = [member for member in ("subject", "text") if not getattr(step, member)]
        found += [
            DocumentError("step_without_words", f"{at}/{member}", field=member, occasion=step.occasion) for member in missing
        ]
        found += [] if missing else faults_of_step(step, at)
    return found
