"""What a local rulebook may not be laxer than: the state's rulebook, value by value, on one day.

A minimum for a reading is a floor however it is known, since people drink behind it. An interval, a deadline or a limit is one unless
it is only common practice: no authority requires that, and an ordinance may set its own (WAC 246-290-490 (7)(b), for example, leaves it to
the purveyor how often an assembly is tested that fails repeatedly).
"""

from collections.abc import Iterator, Sequence
from itertools import product
from typing import Final

from msgspec import UNSET, Struct

from rules.errors import DocumentError
from rules.local_rulebook import StatedCriterion, StatedDeadline, StatedLimit, StatedTrigger
from rules.quantities import Unit, convert
from rules.rulebook import Criterion, Deadline, Interval, Limit, Rulebook, Trigger
from rules.sources import Cited
from rules.texts import Value

_HOURS: Final = {"hours": 1.0, "days": 24.0, "business_days": 24.0}
"""The fewest hours in each unit of time: a business day is never shorter than a day."""
_OTHER: Final = "other"
"""Whatever no entry names."""


class Laxer(Struct, frozen=True, kw_only=True):
    """A stated value that cannot be put in force: which (`section` and place in it), its member, and why."""

    section: str
    place: int
    member: str
    code: str
    """Why, by a code of `data/texts/refusals.toml`."""
    parameters: dict[str, Value | list[str]] = {}

    @property
    def error(self) -> DocumentError:
        """The refusal of the value, with the pointer to it."""
        pointer = f"/{self.section}/{self.place}/{self.member}" if self.section else f"/{self.member}"
        return DocumentError(self.code, pointer, **self.parameters)


class LocalLimits(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`data/local.toml`."""

    rules_of: str
    """The rulebook whose rules, but none of its figures, a utility states where its state's rulebook has no criteria."""
    limits: tuple["OpenLimit", ...]


class OpenLimit(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A limit that a utility may state, and in which units."""

    name: str
    units: tuple[str, ...]


def is_floor(state: Rulebook, value: Cited) -> bool:
    """Whether an authority requires the value, as far as is known."""
    return state.cite(value).provenance != "common_practice"


def laxer_intervals(state: Rulebook, stated: Sequence[tuple[int, Interval]]) -> Iterator[Laxer]:
    """The stated intervals by which some assembly would be tested less often than the state requires."""
    place_of = {entry: place for place, entry in stated}
    own = [entry for _, entry in stated]
    keys = {entry.key for entry in own}
    together = [*own, *(entry for entry in state.intervals if entry.key not in keys)]
    required = [entry for entry in state.intervals if is_floor(state, entry)]
    found: set[Interval] = set()
    for case in _cases([*own, *required]):
        for failing in _failing([*own, *required]):
            decides, floor = _first(together, case, failing), _first(required, case, failing)
            if decides in found or decides not in place_of or floor is None or floor.months is None:
                continue
            if decides.months is None or decides.months > floor.months:
                found.add(decides)
                code = "local_tested_once" if decides.months is None else "local_interval_longer"
                parameters = _beside(state, floor, months=decides.months or 0, required=floor.months)
                yield Laxer(section="intervals", place=place_of[decides], member="months", code=code, parameters=parameters)


Case = tuple[str, str, str, bool]


def _cases(entries: Sequence[Interval]) -> Iterator[Case]:
    """Every kind, hazard, connection and season that some entry distinguishes."""
    kinds = {kind for entry in entries for kind in entry.kinds}
    connections = {connection for entry in entries for connection in entry.connections}
    return product((_OTHER, *sorted(kinds)), ("severe", "health", "non_health"), (_OTHER, *sorted(connections)), (False, True))


Failing = tuple[int, int]
"""So many failures in so many months."""


def _failing(entries: Sequence[Interval]) -> list[Failing | None]:
    """No failures, and every count of failures and months that some entry distinguishes."""
    counts = {entry.failures for entry in entries if entry.failures is not UNSET}
    months = {entry.within_months for entry in entries if entry.within_months is not UNSET}
    return [None, *product(sorted(counts), sorted(months))]


def _first(entries: Sequence[Interval], case: Case, failing: Failing | None) -> Interval | None:
    """The entry that decides for such an assembly that failed so often."""
    kind, hazard, connection, seasonal = case
    return next(
        (entry for entry in entries if entry.covers(hazard, connection, kind, seasonal=seasonal) and _fails(entry, failing)), None
    )


def _fails(entry: Interval, failing: Failing | None) -> bool:
    if entry.failures is UNSET:
        return True
    return failing is not None and entry.failures <= failing[0] and (entry.within_months or 0) >= failing[1]


def laxer_triggers(state: Rulebook, stated: Sequence[tuple[int, StatedTrigger]]) -> Iterator[Laxer]:
    """The stated triggers that leave more time than the state's."""
    for place, entry in stated:
        floor = next((trigger for trigger in state.triggers if trigger.event == entry.event and is_floor(state, trigger)), None)
        if floor is not None and entry.days > floor.days:
            yield _later(state, "triggers", place, entry.days, floor)


def laxer_deadlines(state: Rulebook, stated: Sequence[tuple[int, StatedDeadline]]) -> Iterator[Laxer]:
    """The stated deadlines that leave more time than the state's for some failure."""
    keys = {entry.key for _, entry in stated}
    required = [entry for entry in state.deadlines if is_floor(state, entry)]
    for place, entry in stated:
        for floor in required:
            shared = set(entry.hazards) & set(floor.hazards) and set(entry.acts_as) & set(floor.acts_as)
            if not shared:
                continue
            if entry.days > floor.days:
                yield _later(state, "deadlines", place, entry.days, floor)
                break
            if entry.counts_from == "notice" and floor.counts_from == "test":
                code = "local_deadline_from_notice"
                yield Laxer(section="deadlines", place=place, member="counts_from", code=code, parameters=_beside(state, floor))
                break
    yield from _uncovered(state, stated, keys)


def _uncovered(state: Rulebook, stated: Sequence[tuple[int, StatedDeadline]], keys: set[str]) -> Iterator[Laxer]:
    """A state's deadline is replaced by that of the same key, which therefore covers all that it covers."""
    for floor in state.deadlines:
        if floor.key not in keys:
            continue
        place, entry = next((place, entry) for place, entry in stated if entry.key == floor.key)
        for member in ("hazards", "acts_as"):
            missing = [word for word in getattr(floor, member) if word not in getattr(entry, member)]
            if missing:
                parameters = _beside(state, floor, key=floor.key, missing=missing)
                yield Laxer(
                    section="deadlines", place=place, member=member, code="local_deadline_covers_less", parameters=parameters
                )


def _later(state: Rulebook, section: str, place: int, days: int, floor: Trigger | Deadline) -> Laxer:
    parameters = _beside(state, floor, days=days, required=floor.days)
    return Laxer(section=section, place=place, member="days", code="local_deadline_later", parameters=parameters)


def _beside(state: Rulebook, floor: Cited, **parameters: Value | list[str]) -> dict[str, Value | list[str]]:
    """The parameters of a refusal, with the state's rulebook and its clause."""
    source = state.cite(floor)
    return {"rulebook": state.id, "clause": f"{source.title}, {source.clause}", **parameters}


def laxer_limits(state: Rulebook, stated: Sequence[tuple[int, StatedLimit]], open_to: LocalLimits) -> Iterator[Laxer]:
    """The stated limits that are not a utility's to state, or that allow more than the state's."""
    by_name = {limit.name: limit for limit in open_to.limits}
    for place, entry in stated:
        allowed = by_name.get(entry.name)
        if allowed is None:
            parameters: dict[str, Value | list[str]] = {"limit": entry.name, "available": list(by_name)}
            yield Laxer(section="limits", place=place, member="name", code="local_limit_unknown", parameters=parameters)
        elif entry.unit not in allowed.units:
            parameters = {"limit": entry.name, "available": list(allowed.units)}
            yield Laxer(section="limits", place=place, member="unit", code="local_limit_unit", parameters=parameters)
        else:
            floor = next((limit for limit in state.limits if limit.name == entry.name), None)
            # How exact a gauge is decides what a reading says, so that it is a floor like a reading's minimum.
            if floor is not None and floor.at_most is not None and (is_floor(state, floor) or floor.unit == "psi"):
                yield from _laxer_limit(state, place, entry, floor, floor.at_most)


def _laxer_limit(state: Rulebook, place: int, entry: StatedLimit, floor: Limit, at_most: float) -> Iterator[Laxer]:
    parameters = _beside(state, floor, at_most=f"{entry.at_most:g}", unit=entry.unit, required=f"{at_most:g} {floor.unit}")
    if entry.unit != floor.unit and entry.unit == "business_days":
        parameters["unit"] = floor.unit
        yield Laxer(section="limits", place=place, member="unit", code="local_limit_unit_of_state", parameters=parameters)
    elif entry.at_most > _in_unit(at_most, floor.unit, entry.unit):
        yield Laxer(section="limits", place=place, member="at_most", code="local_limit_larger", parameters=parameters)


def _in_unit(value: float, unit: str, to: str) -> float:
    """The state's figure in the stated unit, at the least that it can be."""
    if unit == to:
        return value
    return value * _HOURS[unit] / _HOURS[to] if unit in _HOURS else convert(value, unit, to)


def laxer_criteria(state: Rulebook, stated: Sequence[tuple[int, StatedCriterion]]) -> Iterator[Laxer]:
    """The stated minima that no rule of the state's has, or that are smaller than the state's."""
    known = {rule.rule: rule for rule in state.criteria if _figures(rule)}
    for place, entry in stated:
        rule = known.get(entry.rule)
        if rule is None:
            parameters: dict[str, Value | list[str]] = {"rulebook": state.id, "rule": entry.rule, "available": list(known)}
            yield Laxer(section="criteria", place=place, member="rule", code="local_minimum_unknown", parameters=parameters)
            continue
        if entry.at_least is UNSET or entry.unit is UNSET:
            yield Laxer(section="criteria", place=place, member="at_least", code="local_minimum_missing")
            continue
        short = _short_of(rule, entry.at_least, entry.unit)
        if short is not None:
            parameters = _beside(state, rule, at_least=f"{entry.at_least:g} {entry.unit}", required=f"{short[0]:g} {short[1]}")
            yield Laxer(section="criteria", place=place, member="at_least", code="local_minimum_smaller", parameters=parameters)


def _short_of(rule: Criterion, at_least: float, unit: Unit) -> tuple[float, str] | None:
    """The figure of the rule, in the unit it is printed in, that such a minimum falls short of; None where it does not."""
    return next(((figure, printed) for figure, printed in _figures(rule) if at_least < convert(figure, printed, unit)), None)


def _figures(rule: Criterion) -> list[tuple[float, Unit]]:
    """The rule's minimum in its own unit and as it is printed in others; none where the rule has no minimum."""
    own = [(rule.at_least, rule.unit)] if rule.at_least is not None and rule.unit is not None else []
    return own + [(figure.at_least, figure.unit) for figure in rule.printed]
