"""A local rulebook laid over its state's rulebook, as a rulebook that extends another is laid over that one.

On each day the stated values that are in force come first, and the state's own entries of the same key give way to them. A value that is
laxer than the state's is refused as it is stated (`faults`); where the state's rulebook became stricter later, it is not applied, so that
the stricter of the two holds on every day.
"""

import datetime as dt
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
from msgspec import UNSET, Struct

from rules.floor import (
    Laxer,
    LocalLimits,
    laxer_criteria,
    laxer_deadlines,
    laxer_intervals,
    laxer_limits,
    laxer_triggers,
)
from rules.local_rulebook import (
    LocalRulebook,
    LocalVersion,
    Stated,
    StatedCriterion,
    StatedDeadline,
    StatedInterval,
    StatedLimit,
    StatedTrigger,
    days_of,
    in_force,
    work_of,
)
from rules.own_criteria import Shapes, faults_of_own_criteria, own_criteria, states_own_criteria
from rules.quantities import convert
from rules.rulebook import Criterion, Deadline, Interval, Limit, Rulebook, RulebookData, Trigger, changes_of, extend

KEYS = {
    "intervals": "key",
    "triggers": "event",
    "deadlines": "key",
    "limits": "name",
    "criteria": "rule",
    "notices": "step",
    "premises": "key",
}
"""By which member the entries of a section differ."""


class Composed(Struct, frozen=True, kw_only=True):
    """The rulebook with the local one laid over it, for one day, and the stated values that are laxer than the state's on that day."""

    data: RulebookData
    laxer: tuple[Laxer, ...]


def change_days(state: RulebookData, rulebook: LocalRulebook) -> set[dt.date]:
    """The days on which either of the two changes."""
    days = changes_of(state)
    for section in KEYS:
        for entry in getattr(rulebook, section):
            first, last = days_of(rulebook, entry)
            days.add(first)
            if last < dt.date.max:
                days.add(last + dt.timedelta(days=1))
    days.add(rulebook.in_force_from)
    if rulebook.in_force_until is not UNSET and rulebook.in_force_until < dt.date.max:
        days.add(rulebook.in_force_until + dt.timedelta(days=1))
    return days


def compose(  # noqa: PLR0917 - two rulebooks, the day, and what may be stated
    data: RulebookData, state: Rulebook, version: LocalVersion, on: dt.date, open_to: LocalLimits, shapes: Shapes
) -> Composed:
    """The local rulebook laid over `data`, the state's, which is `state` on that day.

    `shapes` are the rules by which a utility states criteria of its own where the state's rulebook has none.
    """
    rulebook = version.rulebook
    stated = {section: _stated_on(rulebook, section, on) for section in KEYS}
    refused: list[Laxer] = []
    # An entry that falls away may leave its cases to another stated one, so it is asked again until none is laxer.
    while found := list(_laxer(state, stated, open_to, shapes)):
        refused += found
        gone = {(laxer.section, laxer.place) for laxer in found}
        stated = {
            section: [(place, entry) for place, entry in entries if (section, place) not in gone]
            for section, entries in stated.items()
        }
    criteria: tuple[Criterion, ...]
    own_words: dict[str, Any] = {}
    if stated["criteria"] and states_own_criteria(state):
        criteria = own_criteria(stated["criteria"], shapes)
        # The authority's own are still not read, and kinds that the utility leaves out are still not judged.
        own_words = {
            "not_read": tuple(entry for entry in data.not_read if entry.subject == "criteria"),
            "editions": data.editions,
        }
    else:
        criteria = tuple(_criterion(state, entry) for _, entry in stated["criteria"])
    own = RulebookData(
        id=data.id,
        title=data.title,
        jurisdiction=data.jurisdiction,
        note=" ".join(filter(None, (data.note, rulebook.note))),
        in_force_from=data.in_force_from,
        in_force_until=data.in_force_until,
        extends=data.id,
        last_looked_at=data.last_looked_at,
        intervals=tuple(entry for _, entry in stated["intervals"]),
        triggers=tuple(_trigger(entry) for _, entry in stated["triggers"]),
        deadlines=tuple(_deadline(entry) for _, entry in stated["deadlines"]),
        limits=tuple(_limit(entry) for _, entry in stated["limits"]),
        criteria=criteria,
        **own_words,
    )
    return Composed(data=extend(data, own), laxer=tuple(refused))


def _stated_on(rulebook: LocalRulebook, section: str, on: dt.date) -> list[tuple[int, Any]]:
    """The entries of a section in force on that day, with their places; intervals as a rulebook has them."""
    found = [(place, entry) for place, entry in enumerate(getattr(rulebook, section)) if in_force(rulebook, entry, on)]
    return [(place, _interval(entry)) for place, entry in found] if section == "intervals" else found


def _laxer(state: Rulebook, stated: dict[str, list[tuple[int, Any]]], open_to: LocalLimits, shapes: Shapes) -> Iterator[Laxer]:
    yield from laxer_intervals(state, stated["intervals"])
    yield from laxer_triggers(state, stated["triggers"])
    yield from laxer_deadlines(state, stated["deadlines"])
    yield from laxer_limits(state, stated["limits"], open_to)
    if states_own_criteria(state):
        yield from faults_of_own_criteria(state, stated["criteria"], shapes)
    else:
        yield from laxer_criteria(state, stated["criteria"])


def _cited(entry: Stated) -> dict[str, Any]:
    return {"source": work_of(entry.clause), "clause": entry.clause.section, "says": entry.says}


def _interval(entry: StatedInterval) -> Interval:
    return Interval(
        key=entry.key,
        months=entry.months,
        kinds=entry.kinds,
        hazards=entry.hazards,
        connections=entry.connections,
        seasonal=entry.seasonal,
        failures=entry.failures,
        within_months=entry.within_months,
        **_cited(entry),
    )


def _trigger(entry: StatedTrigger) -> Trigger:
    return Trigger(event=entry.event, days=entry.days, **_cited(entry))


def _deadline(entry: StatedDeadline) -> Deadline:
    return Deadline(
        key=entry.key,
        hazards=entry.hazards,
        acts_as=entry.acts_as,
        days=entry.days,
        counts_from=entry.counts_from,
        **_cited(entry),
    )


def _limit(entry: StatedLimit) -> Limit:
    return Limit(name=entry.name, at_most=entry.at_most, unit=entry.unit, **_cited(entry))


def _criterion(state: Rulebook, entry: StatedCriterion) -> Criterion:
    """The state's rule with the stated minimum, which decides: what was advice is required."""
    rule = next(rule for rule in state.criteria if rule.rule == entry.rule)
    at_least, unit = entry.at_least or 0.0, entry.unit or "psi"
    own = Criterion(
        rule=rule.rule,
        kinds=rule.kinds,
        component=rule.component,
        quantity=rule.quantity,
        alternative_to=rule.alternative_to,
        at_least=at_least,
        unit=unit,
        **_cited(entry),
    )
    same = rule.at_least is not None and rule.unit is not None and convert(rule.at_least, rule.unit, unit) == at_least
    return msgspec.structs.replace(own, above=rule.above and same)


def unclear(rulebook: LocalRulebook) -> Iterator[Laxer]:
    """What is wrong with a local rulebook whatever the state's says: days the wrong way about, keys twice, half a condition."""
    if rulebook.in_force_until is not UNSET and rulebook.in_force_until < rulebook.in_force_from:
        yield Laxer(section="", place=0, member="in_force_until", code="local_days_reversed")
    for section, key in KEYS.items():
        entries = getattr(rulebook, section)
        for place, entry in enumerate(entries):
            for member, code in _unclear(rulebook, section, entry):
                yield Laxer(section=section, place=place, member=member, code=code)
            if any(_together(rulebook, entry, other, key) for other in entries[:place]):
                parameters = {"field": key, "value": getattr(entry, key)}
                yield Laxer(section=section, place=place, member=key, code="local_stated_twice", parameters=parameters)


def _together(rulebook: LocalRulebook, entry: Any, other: Any, key: str) -> bool:
    if getattr(entry, key) != getattr(other, key):
        return False
    (first, last), (other_first, other_last) = days_of(rulebook, entry), days_of(rulebook, other)
    return first <= other_last and other_first <= last


def _unclear(rulebook: LocalRulebook, section: str, entry: Any) -> Iterator[tuple[str, str]]:
    first, last = days_of(rulebook, entry)
    if last < first:
        both = entry.in_force_from is not UNSET and entry.in_force_until is not UNSET
        reversed_ = both and entry.in_force_until < entry.in_force_from
        yield "in_force_until", "local_days_reversed" if reversed_ else "local_days_outside"
    if entry.clause.provenance == "published" and entry.clause.url is UNSET:
        yield "clause", "local_published_without_url"
    yield from _CHECKS.get(section, _nothing)(entry)


def _nothing(_entry: Any) -> Iterator[tuple[str, str]]:
    return iter(())


def _half_a_condition(entry: StatedInterval) -> Iterator[tuple[str, str]]:
    if (entry.failures is UNSET) != (entry.within_months is UNSET):
        yield "failures", "local_half_a_condition"


def _no_protection(entry: Any) -> Iterator[tuple[str, str]]:
    if entry.hazard is UNSET and entry.kinds is UNSET and entry.fluid_category is UNSET:
        yield "key", "local_premises_without_need"


_CHECKS: dict[str, Callable[[Any], Iterator[tuple[str, str]]]] = {"intervals": _half_a_condition, "premises": _no_protection}
