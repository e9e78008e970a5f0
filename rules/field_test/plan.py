"""What a test of one kind needs, worked out once per rulebook, kind and unit: every criterion with its minimum in the report's unit.

Judging then only compares. Sources and fixed sentences are shared by all verdicts that rest on them. The structs here are compared by
identity, so that they can key what is remembered of judging without being read through each time.
"""

import datetime as dt
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

from msgspec import Struct

from rules.catalogue import AssemblyKind, Component, Line
from rules.errors import NotJudgeableError
from rules.field_test.answer import JudgedBy
from rules.field_test.plausible import as_printed, ceiling, line_pressure_ceiling
from rules.field_test.shutoffs import Spoil, spoils_of
from rules.load import catalogue, common_rulebook, rulebook
from rules.quantities import convert
from rules.rulebook import Criterion, Limit, NotRead, Quantity, Rulebook
from rules.sources import Source

PART_NAMES: Final[dict[Component, str]] = {
    "check_1": "check 1", "relief_valve": "the relief valve", "check_2": "check 2", "check": "the check", "air_inlet": "the air inlet",
}  # fmt: skip


def sentence(text: str) -> str:
    """The same, begun as a sentence."""
    return text[0].upper() + text[1:]


class PlannedCriterion(Struct, frozen=True, kw_only=True, eq=False):
    """A criterion ready to compare: its minimum in the report's unit, and where that figure is from."""

    criterion: Criterion
    at_least: float
    source: Source


class PlannedPart(Struct, frozen=True, kw_only=True, eq=False):
    """A part: what must be seen of it (it closes, it opens), what must be read, and what else is judged where a criterion asks it.

    `fully`: an air inlet opens fully. `against`: a check is tight against backpressure. `quiet`: nothing runs from it before the test.

    `sound_from` is the number from which such a part is sound: the kind's own minimum, which a rulebook's own may exceed.
    """

    component: Component
    name: str
    unit: str
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
    """One part on one line; `index` counts the places of a plan, line by line, in flow order.

    `where` is how a sentence names the line, where there are two.
    """

    index: int
    line: Line
    where: str
    part: PlannedPart


class Plan(Struct, frozen=True, kw_only=True, eq=False):
    """All that judging a test of one kind, in one unit, by one rulebook needs; pressures in that unit.

    `no_criteria` says why a rulebook judges no readings; the parts then have a placeholder for what would be read. `lines` holds for each line which of the `places` are on it. A clock ahead of ours by up to the first of `clock_ahead` means nothing, up
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
def plan_on(rulebook_id: str, on: dt.date, kind: str, unit: str) -> Plan:
    """The plan by the rulebook in force on that day; UnknownRulebookError or NotInForceError where there is none."""
    return plan(rulebook(rulebook_id, on), kind, unit)


_PLANS: Final[dict[tuple[str, str, str], Plan]] = {}


def plan(book: Rulebook, kind: str, unit: str) -> Plan:
    """The plan for that kind in that pressure unit; a rulebook is told by its digest."""
    key = (book.digest, kind, unit)
    found = _PLANS.get(key)
    if found is None:
        found = _PLANS[key] = _made(book, kind, unit)
    return found


def _made(book: Rulebook, kind_code: str, unit: str) -> Plan:
    kind = catalogue()[kind_code]
    criteria = [one for one in book.criteria if kind_code in one.kinds]
    no_criteria = None if criteria else _no_criteria(book, kind_code)
    line, near = book.limit("line_pressure"), book.limit("near_limit")
    most = _in(book, "plausible.differential", unit)
    bounds = (near.at_least or 0.0, near.at_most or 0.0)
    buffer = next((one for one in criteria if one.quantity == "buffer"), None)
    on_lines = [(on, component) for on in kind.lines for component in kind.components_on(on)]
    if no_criteria is not None:
        criteria = [row for _, component in on_lines for row in _placeholders(kind_code, component, no_criteria)]
    parts = {
        component: _part(book, criteria, kind_code, component, unit, most, bounds)
        for component in dict.fromkeys(component for _, component in on_lines)
    }
    wheres = {on: f" on the {on} line" if len(kind.lines) > 1 else "" for on in kind.lines}
    places = tuple(
        Place(index=index, line=on, where=wheres[on], part=parts[component]) for index, (on, component) in enumerate(on_lines)
    )
    starts = [[place.line for place in places].index(on) for on in kind.lines]
    return Plan(
        rulebook=book,
        judged_by=JudgedBy(id=book.id, in_force_from=book.in_force_from, digest=book.digest),
        kind=kind,
        unit=unit,
        places=places,
        place_of={(one.line, one.part.component): one for one in places},
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
        raise NotJudgeableError(f"Rulebook {book.id} has no criteria for the kind {kind}. Name a rulebook that has.")
    return left_open


def _placeholders(kind: str, component: Component, left_open: NotRead) -> list[Criterion]:
    """What a part would be read for, without any figure: nothing is judged by these."""
    closes = component.startswith("check")
    quantities: tuple[Quantity, Quantity] = ("closed_tight", "held_at") if closes else ("opened", "opened_at")
    return [
        Criterion(
            rule=f"{kind}.{component}.{quantity}", kinds=(kind,), component=component, quantity=quantity, says=left_open.says,  # type: ignore[arg-type]  # a kind of the catalogue
            source=left_open.source, clause=left_open.clause, provenance=left_open.provenance,
        )
        for quantity in quantities
    ]  # fmt: skip


def _part(  # noqa: PLR0917 - a row of what the plan has at hand
    book: Rulebook,
    criteria: Sequence[Criterion],
    kind: str,
    component: Component,
    unit: str,
    most: float,
    near: tuple[float, float],
) -> PlannedPart:
    own: dict[Quantity, PlannedCriterion] = {
        one.quantity: _planned(book, one, unit) for one in criteria if one.component == component and one.quantity != "buffer"
    }
    is_check = "held_at" in own
    read_at = own["held_at" if is_check else "opened_at"]
    return PlannedPart(
        component=component,
        name=PART_NAMES[component],
        unit=unit,
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
    """The kind's own minimum: the common rulebook's, by this rulebook's figure where the two ask the same."""
    rule, asked = read_at.criterion.rule, read_at.criterion
    common = next((one for one in common_rulebook(book.id, book.in_force_from).criteria if one.rule == rule), asked)
    if (common.at_least, common.unit) == (asked.at_least, asked.unit):
        return read_at.at_least
    return common.minimum_in(unit)[0]


def _in(book: Rulebook, name: str, unit: str) -> float:
    limit = book.limit(name)
    return convert(limit.at_most or 0.0, limit.unit, unit)


def _planned(book: Rulebook, criterion: Criterion, unit: str) -> PlannedCriterion:
    if criterion.at_least is None:
        return PlannedCriterion(criterion=criterion, at_least=0.0, source=book.cite(criterion))
    at_least, figure = criterion.minimum_in(unit)
    return PlannedCriterion(criterion=criterion, at_least=at_least, source=book.cite(figure or criterion))
