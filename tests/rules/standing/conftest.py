"""A purveyor's own rule beside Washington's: more frequent tests where tests fail repeatedly.

WAC 246-290-490 (7)(b)(ii), as a city quotes it, leaves the numbers to the purveyor. Six months after two failures within 24 is common
practice, no source; the state's rulebook does not have it.
"""

import datetime as dt
import importlib

import pytest
from msgspec import structs

import rules
from rules.load import works
from rules.rulebook import Interval, Rulebook, RulebookData, resolve
from rules.sources import Source
from tests.rules.standing import plain

OPTION = Interval(
    key="repeat_failures",
    months=6,
    failures=2,
    within_months=24,
    source="common-practice",
    clause="–",
    says="Tested every 6 months after two failed within 24.",
)


@pytest.fixture
def purveyors_option(monkeypatch: pytest.MonkeyPatch) -> None:
    """Under this, `us-wa` is the rulebook of a purveyor that requires more frequent tests after repeated failures."""
    state = rules.rulebook_data("us-wa")
    data = structs.replace(state, intervals=(OPTION, *state.intervals))
    sources = {key: Source(title=work.title, clause="", provenance=work.provenance) for key, work in works().items()}

    def data_of(rulebook_id: str) -> RulebookData:
        return data if rulebook_id == "us-wa" else rules.rulebook_data(rulebook_id)

    days: dict[dt.date, Rulebook] = {}

    def on_day(rulebook_id: str, on: dt.date) -> Rulebook:
        if rulebook_id != "us-wa":
            return rules.rulebook(rulebook_id, on)
        since = rules.rulebook("us-wa", on).in_force_from
        if since not in days:
            days[since] = resolve(data, sources, since)
        return days[since]

    schedule = importlib.import_module("rules.standing.schedule")
    monkeypatch.setattr(schedule, "rulebook_data", data_of)
    monkeypatch.setattr(schedule, "rulebook", on_day)
    monkeypatch.setattr(plain, "MORE_OFTEN", frozenset({"us-wa"}))
