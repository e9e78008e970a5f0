"""Stating a local rulebook: every fault of it, and what it comes to with the state's rulebook on a day."""

import datetime as dt
from collections.abc import Iterator, Sequence

from msgspec import UNSET

from rules.composing import change_days, unclear
from rules.errors import DocumentError, RulesError, together
from rules.floor import Laxer
from rules.load import composed, rulebook_data
from rules.local_rulebook import LocalVersion
from rules.notices.local import faults_of_notices
from rules.selection.local_premises import laxer_on
from rules.texts import Value


def check_local(version: LocalVersion) -> None:
    """Refuse a local rulebook that cannot be put in force: UnknownRulebookError, or DocumentError with every fault and its pointer.

    It is held against the state's rulebook on every day on which either of the two changes.
    """
    state = rulebook_data(version.rulebook.extends)
    found = list(unclear(version.rulebook))
    if found:
        raise _refusal(found)
    errors = faults_of_notices(version.rulebook)
    for day in sorted(change_days(state, version.rulebook)):
        if day >= max(version.rulebook.in_force_from, state.in_force_from) and _within(version, day):
            found += laxer_values(version, day)
    if version.rulebook.in_force_from < state.in_force_from:
        parameters: dict[str, Value | list[str]] = {"rulebook": state.id, "first": state.in_force_from.isoformat()}
        found.append(Laxer(section="", place=0, member="in_force_from", code="local_before_state", parameters=parameters))
    if found or errors:
        raise _refusal(found, errors)


def _within(version: LocalVersion, day: dt.date) -> bool:
    state = rulebook_data(version.rulebook.extends)
    lasts = [last for last in (state.in_force_until, version.rulebook.in_force_until) if last is not None and last is not UNSET]
    return all(day <= last for last in lasts)


def laxer_values(version: LocalVersion, on: dt.date) -> list[Laxer]:
    """The stated values that are laxer than the state's rulebook on that day, and so not applied."""
    return [*composed(version, on).laxer, *laxer_on(version, on)]


def _refusal(found: list[Laxer], errors: Sequence[DocumentError] = ()) -> RulesError:
    # The same value may be laxer on several days; it is reported once.
    once = {(laxer.section, laxer.place, laxer.member): laxer.error for laxer in reversed(found)}
    return together(*reversed(once.values()), *errors)


def not_applied(version: LocalVersion, on: dt.date) -> Iterator[str]:
    """Why stated values are not applied on that day, in sentences."""
    for laxer in laxer_values(version, on):
        yield f"{laxer.error.pointer[1:]}: {laxer.error.message}"
