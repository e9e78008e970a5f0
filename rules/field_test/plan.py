"""What judging a test of one kind needs, computed once per rulebook, kind and unit: every criterion with its minimum in the report's unit.

Judging then only compares. Verdicts share the sources. The structs here are compared by identity, so that they are cheap keys of caches.
"""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache
from typing import Final, get_args

from msgspec import UNSET, Struct

from rules.catalogue import AssemblyKind, Component, Line
from rules.errors import NotJudgeableError
from rules.field_test.answer import JudgedBy
from rules.field_test.plausible import as_printed, ceiling, line_pressure_ceiling
from rules.field_test.shutoffs import Spoil, spoils_of
from rules.load import catalogue, common_rulebook, rulebook
from rules.local_rulebook import RulebookKey
from rules.quantities import convert
from rules.rulebook import Criterion, Limit, NotRead, Quantity, Rulebook
from rules.sources import Source
from rules.texts import number, word

_MOST_DECIMALS: Final = 2
COMPONENTS: Final[tuple[Component, ...]] = get_args(Component)


class PlannedCriterion(Struct, frozen=True, kw_only=True, eq=False):
    """A criterion ready to compare: its minimum in the report's unit, and where that figure is from.

    `digits` is the minimum as messages print it; empty where it depends on the reading beside it.
    """

    criterion: Criterion
    at_least: float
    digits: str
    source: Source


class PlannedPart(Struct, frozen=True, kw_only=True, eq=False):
    """A part: what must be seen of it (it closes, it opens), what must be read, and what else a criterion requires.

    `fully`: an air inlet opens fully. `against`: a check is tight against backpressure. `quiet`: nothing runs from it before the test.

    `words` are the part, its unit and what it does as messages name them. `sound_from` is the number from which such a part is sound: the
    kind's own minimum, which a rulebook's own may exceed.
    """

    component: Component
    unit: str
    words: dict[str, str]
    seen: PlannedCriterion
    read: PlannedCriterion
    fully: PlannedCriterion | None
    against: PlannedCriterion | None
    quiet: PlannedCriterion | None
    sound_from: float
    most_plausible: float
    ceiling: float
    near: tuple[float, float]

    @property
    def is_check(self) -> bool:
        """Whether it closes against backflow, rather than opens."""
        return self.read.criterion.quantity == "held_at"


class Place(Struct, frozen=True, kw_only=True, eq=False):
    """One part on one line; `index` counts the places of a plan, line by line, in flow order. `only_line`: the kind has no other line."""

    index: int
    line: Line
    only_line: bool
    part: PlannedPart


class Plan(Struct, frozen=True, kw_only=True, eq=False):
    """All that judging a test of one kind, in one unit, by one rulebook needs; pressures in that unit.

    `no_criteria` states why a rulebook judges no readings; the parts then have a placeholder for what would be read.
    `lines` holds for each line which of the `places` are on it. A clock ahead of ours by up to the first of `clock_ahead` means nothing, up
    to the second a person should look.
    """

    rulebook: Rulebook
    judged_by: JudgedBy
    kind: AssemblyKind
    unit: str
    places: tuple[Place, ...]
    place_of: dict[tuple[Line, Component], Place]
    lines: tuple[slice, ...]
    buffer: PlannedCriterion | None
    line_pressure: tuple[float, float]
    highest_line_pressure: float
    accuracy_at_most: float
    accuracy_assumed: float
    no_criteria: NotRead | None
    calibration: Limit
    clock_ahead: tuple[dt.timedelta, dt.timedelta]
    spoils: tuple[Spoil, ...]


@lru_cache(maxsize=4096)
def plan_on(key: RulebookKey, on: dt.date, kind: str, unit: str) -> Plan:
    """The plan by the rulebook in force on that day; UnknownRulebookError or NotInForceError where there is none."""
    return plan(rulebook(key, on), kind, unit)


_PLANS: Final[dict[tuple[str, str, str], Plan]] = {}
_MOST_PLANS: Final = 4096
"""Every local rulebook that is stated, or only previewed, has plans of its own."""


def plan(book: Rulebook, kind: str, unit: str) -> Plan:
    """The plan for that kind in that pressure unit; a rulebook is known by its digest."""
    key = (book.digest, kind, unit)
    found = _PLANS.get(key)
    if found is None:
        while len(_PLANS) >= _MOST_PLANS:
            _PLANS.pop(next(iter(_PLANS)), None)
        found = _PLANS[key] = _make_plan(book, kind, unit)
    return found


def _make_plan(book: Rulebook, kind_code: str, unit: str) -> Plan:
    kind = catalogue()[kind_code]
    criteria = [criterion for criterion in book.criteria if kind_code in criterion.kinds]
    no_criteria = None if criteria else _no_criteria(book, kind_code)
    line, near = book.limit("line_pressure"), book.limit("near_limit")
    most = _in(book, "plausible.differential", unit)
    bounds = (near.at_least or 0.0, near.at_most or 0.0)
    buffer = next((criterion for criterion in criteria if criterion.quantity == "buffer"), None)
    on_lines = [(on, component) for on in kind.lines for component in kind.components_on(on)]
    if no_criteria is not None:
        criteria = [row for _, component in on_lines for row in _placeholders(kind_code, component, no_criteria)]
    parts = {
        component: _part(component, book=book, criteria=criteria, kind=kind_code, unit=unit, most=most, near=bounds)
        for component in dict.fromkeys(component for _, component in on_lines)
    }
    places = tuple(
        Place(index=index, line=on, only_line=len(kind.lines) == 1, part=parts[component])
        for index, (on, component) in enumerate(on_lines)
    )
    starts = [[place.line for place in places].index(on) for on in kind.lines]
    return Plan(
        rulebook=book,
        judged_by=JudgedBy(
            id=book.id,
            in_force_from=book.in_force_from,
            digest=book.digest,
            local_version=UNSET if book.local is UNSET else book.local.version,
        ),
        kind=kind,
        unit=unit,
        places=places,
        place_of={(place.line, place.part.component): place for place in places},
        lines=tuple(slice(start, start + len(kind.components_on(on))) for start, on in zip(starts, kind.lines, strict=True)),
        buffer=None if buffer is None else _planned(book, buffer, unit),
        line_pressure=(convert(line.at_least or 0.0, line.unit, unit), convert(line.at_most or 0.0, line.unit, unit)),
        highest_line_pressure=line_pressure_ceiling(unit),
        accuracy_at_most=as_printed(_in(book, "gauge.accuracy", "psi"), unit),
        accuracy_assumed=_in(book, "gauge.accuracy.not_stated", unit),
        no_criteria=no_criteria,
        calibration=book.limit("gauge.calibration"),
        clock_ahead=(
            dt.timedelta(minutes=book.limit("clock.ahead").at_most or 0.0),
            dt.timedelta(hours=book.limit("clock.ahead.held").at_most or 0.0),
        ),
        spoils=spoils_of(kind_code),
    )


def _no_criteria(book: Rulebook, kind: str) -> NotRead:
    """Why the rulebook judges no readings of that kind; NotJudgeableError where it does not say."""
    left_open = book.left_open("criteria")
    if left_open is None:
        raise NotJudgeableError("no_criteria_for_kind", rulebook=book.id, kind=kind)
    return left_open


def _placeholders(kind: str, component: Component, left_open: NotRead) -> list[Criterion]:
    """What a part would be read for, without any figure: nothing is judged by these."""
    closes = component.startswith("check")
    quantities: tuple[Quantity, Quantity] = ("closed_tight", "held_at") if closes else ("opened", "opened_at")
    return [
        Criterion(
            rule=f"{kind}.{component}.{quantity}",
            kinds=(kind,),  # type: ignore[arg-type]  # a kind of the catalogue
            component=component,
            quantity=quantity,
            says=left_open.says,
            source=left_open.source,
            clause=left_open.clause,
            provenance=left_open.provenance,
        )
        for quantity in quantities
    ]


def _part(
    component: Component,
    *,
    book: Rulebook,
    criteria: Sequence[Criterion],
    kind: str,
    unit: str,
    most: float,
    near: tuple[float, float],
) -> PlannedPart:
    own: dict[Quantity, PlannedCriterion] = {
        criterion.quantity: _planned(book, criterion, unit)
        for criterion in criteria
        if criterion.component == component and criterion.quantity != "buffer"
    }
    is_check = "held_at" in own
    read_at = own["held_at" if is_check else "opened_at"]
    return PlannedPart(
        component=component,
        unit=unit,
        words={
            "component": word("field_test", "component", component),
            "quantity": word("field_test", "quantity", read_at.criterion.quantity),
            "unit": word("field_test", "unit", unit),
        },
        seen=own["closed_tight" if is_check else "opened"],
        read=read_at,
        fully=own.get("opened_fully"),
        against=own.get("tight_against_backpressure"),
        quiet=own.get("not_discharging") or own.get("not_spilling"),
        sound_from=_own_minimum(book, read_at, unit),
        most_plausible=most,
        ceiling=min(most, ceiling(kind, component, unit)),
        near=near,
    )


def _own_minimum(book: Rulebook, read_at: PlannedCriterion, unit: str) -> float:
    """The kind's own minimum: the common rulebook's, by this rulebook's figure where the two require the same."""
    own = read_at.criterion
    shared = common_rulebook(book.id, book.in_force_from).criteria
    common = next((criterion for criterion in shared if criterion.rule == own.rule), own)
    if (common.at_least, common.unit) == (own.at_least, own.unit):
        return read_at.at_least
    return common.minimum_in(unit)[0]


def _in(book: Rulebook, name: str, unit: str) -> float:
    limit = book.limit(name)
    return convert(limit.at_most or 0.0, limit.unit, unit)


def _planned(book: Rulebook, criterion: Criterion, unit: str) -> PlannedCriterion:
    if criterion.at_least is None:
        return PlannedCriterion(criterion=criterion, at_least=0.0, digits="", source=book.cite(criterion))
    at_least, figure = criterion.minimum_in(unit)
    digits = number(at_least)
    # A converted minimum has many decimals; how many are printed depends on the reading.
    fixed = digits if len(digits.partition(".")[2]) <= _MOST_DECIMALS else ""
    return PlannedCriterion(criterion=criterion, at_least=at_least, digits=fixed, source=book.cite(figure or criterion))
