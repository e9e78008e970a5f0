"""What a column holds: its heading's field, its unit, and how its cells are read.

A heading means what the caller says, else what it is known to mean (`rules.words`). A column that means nothing is reported, and no two
columns of a sheet hold the same field.
"""

import re
from collections.abc import Iterator, Sequence
from functools import cache, partial
from typing import Annotated, Any, Final

import msgspec
from msgspec import UNSET, Meta, Struct

import rules
from rules import words
from service.imports import cells
from service.imports.cells import CellError, Parser, Reading
from service.imports.schemas import ImportedColumn, ImportOptions
from service.imports.sheets import LONGEST_CELL, Row, Unread, Value
from service.problems import MOST_FAULTS, Fault, fault, problem_of

HEADER_WITHIN: Final = 20
"""The headings stand in the first row that has any known one, among so many."""
_IN_BRACKETS: Final = re.compile(r"[(\[]\s*([^()\[\]]+?)\s*[)\]]")
_LAST_WORD: Final = re.compile(r"[\s,_\-]+(\S+)$")

# A value given for a whole file is bounded as a cell is.
_Stated = Annotated[str, Meta(max_length=LONGEST_CELL)]

_PRESSURE: Final = partial(cells.quantity, "pressure")
_LENGTH: Final = partial(cells.quantity, "length")
_SHUTOFF: Final = partial(cells.word, "shutoff")
_TOLD: Final[dict[str, Parser]] = {
    "premises.connection": partial(cells.word, "connection"),
    "premises.category": cells.code_word,
    "premises.hazard": cells.hazard,
    "premises.latitude": cells.number,
    "premises.longitude": cells.number,
    "assembly.serial_number": cells.serial_number,
    "assembly.replaces": cells.serial_number,
    "assembly.approval": partial(cells.word, "approval"),
    "assembly.latitude": cells.number,
    "assembly.longitude": cells.number,
    "assembly.kind": cells.KIND,
    "assembly.hazard": cells.hazard,
    "assembly.purpose": partial(cells.word, "purpose"),
    "assembly.backpressure_possible": partial(cells.yes_no, "yes_no"),
    "assembly.in_plant_air_gap": partial(cells.yes_no, "yes_no"),
    "assembly.size": _LENGTH,
    "assembly.installed_on": cells.date,
    "assembly.in_service": partial(cells.yes_no, "in_service"),
    "tester.valid_from": cells.date,
    "tester.valid_until": cells.date,
    "tester.kinds": cells.codes,
    "gauge.serial_number": cells.serial_number,
    "gauge.as_found_error": _PRESSURE,
    "gauge.accuracy": _PRESSURE,
    "gauge.resolution": _PRESSURE,
    "gauge.calibrated_on": cells.date,
    "test.date": cells.moment,
    "test.time": cells.time,
    "test.installed_correctly": partial(cells.yes_no, "yes_no"),
    "test.relief_air_gap": partial(cells.yes_no, "yes_no"),
    "test.installed_as": partial(cells.word, "installed_as"),
    "test.reason": partial(cells.word, "reason"),
    "test.line_pressure": _PRESSURE,
    "test.gauge_height": _LENGTH,
    "test.declared": partial(cells.word, "declared"),
    "test.inlet_shutoff": _SHUTOFF,
    "test.outlet_shutoff": _SHUTOFF,
    "repair.component": partial(cells.word, "component"),
    "repair.part": partial(cells.word, "part"),
    "repair.action": partial(cells.word, "action"),
}
_OF_A_READING: Final[dict[str, Parser]] = {
    "held_at": partial(cells.reading, "closed_tight"),
    "opened_at": partial(cells.reading, "opened"),
    "closed_tight": partial(cells.yes_no, "closed_tight"),
    "leaked": partial(cells.yes_no, "yes_no"),
    "opened": partial(cells.yes_no, "opened"),
    "opened_fully": partial(cells.yes_no, "yes_no"),
}


@cache
def parsers() -> dict[str, Parser]:
    """How each field's cells are read."""
    return {field: _OF_A_READING.get(field.rpartition(".")[2]) or _TOLD.get(field, cells.text) for field in words.fields()}


class Column(Struct, frozen=True):
    """A column of a sheet; `field` None: it is not read."""

    index: int
    heading: str
    field: str | None
    how: Reading
    unit: str | None

    @property
    def letter(self) -> str:
        """Its letter, as a spreadsheet program shows it."""
        letters, left = "", self.index + 1
        while left:
            left, one = divmod(left - 1, 26)
            letters = chr(ord("A") + one) + letters
        return letters

    def described(self) -> ImportedColumn:
        """As the record of a run lists it."""
        return ImportedColumn(column=self.letter, heading=self.heading[:200], field=self.field, unit=self.unit or UNSET)


class Asked:
    """The caller's options, looked through; ProblemError with every fault of its three JSON objects.

    `rulebook` is the utility's, whose words for hazards the file may use.
    """

    def __init__(self, options: ImportOptions, rulebook: rules.Rulebook | None = None) -> None:
        self.options = options
        faults: list[Fault] = []
        self.hazards = cells.Hazards(rulebook)
        for writing, meaning in _object("hazards", options.hazards, faults).items():
            try:
                self.hazards.state(writing, meaning or "")
            except CellError as error:
                faults.append(fault("invalid_hazard_meaning", parameter="hazards", value=writing[:60], error=str(error)))
        self.columns: dict[str, str | None] = {}
        self.unmet: dict[str, str] = {}
        for heading, field in _object("columns", options.columns, faults).items():
            if field is not None and field not in parsers():
                faults.append(
                    fault("unknown_import_field", parameter="columns", heading=heading, field=field, available=_nearest(field))
                )
            self.columns[words.fold(heading)] = field
            self.unmet[words.fold(heading)] = heading
        self.defaults: dict[str, Any] = {}
        for field, value in _object("defaults", options.defaults, faults).items():
            parser = parsers().get(field)
            if parser is None or value is None:
                faults.append(
                    fault("unknown_import_field", parameter="defaults", heading=field, field=field, available=_nearest(field))
                )
                continue
            try:
                self.defaults[field] = parser(value, self.how(field, None))
            except CellError as error:
                faults.append(fault("invalid_default", parameter="defaults", field=field, error=str(error)))
        if faults:
            raise problem_of(faults[:MOST_FAULTS], more=len(faults) > MOST_FAULTS)

    def how(self, field: str | None, unit: tuple[str, str] | None) -> Reading:
        """How a column of that field is read, whose heading names that unit."""
        dimension = self.dimension(field)
        if dimension is not None and unit is not None and unit[0] == dimension:
            return Reading(unit=unit[1], dates=self.options.dates, months=self.options.history, hazards=self.hazards)
        result = {"pressure": self.options.pressure, "length": self.options.length}.get(dimension or "")
        return Reading(unit=result, dates=self.options.dates, months=self.options.history, hazards=self.hazards)

    @staticmethod
    def dimension(field: str | None) -> str | None:
        """What a field's quantity measures, if it is one."""
        parser = parsers().get(field or "")
        if parser is _LENGTH:
            return "length"
        return "pressure" if parser is _PRESSURE or (field or "").endswith(("held_at", "opened_at")) else None


def _object(name: str, text: str, faults: list[Fault]) -> dict[str, Any]:
    try:
        return msgspec.json.decode(text, type=dict[str, _Stated | None])
    except (msgspec.DecodeError, RecursionError) as error:
        faults.append(fault("not_an_object_of_texts", parameter=name, name=name, error=str(error)))
        return {}


def _nearest(field: str) -> list[str]:
    """The fields of the same thing; where there is none such, the things."""
    thing = field.partition(".")[0] + "."
    found = [parser for parser in parsers() if parser.startswith(thing) and ".bypass." not in parser]
    return found or [parser for parser in parsers() if not parser.startswith(("initial.", "final."))]


def columns(row: Sequence[Value], asked: Asked) -> list[Column] | None:
    """The columns under this row of headings; None where it has no known one."""
    found = []
    for index, cell in enumerate(row):
        heading = "" if cell is None or isinstance(cell, Unread) else cells.plain(cell)[:LONGEST_CELL]
        folded = words.fold(heading)
        unit, rest = _unit_in(heading)
        if folded in asked.columns:
            field = asked.columns[folded]
        else:
            field = words.headings().get(folded) or words.headings().get(words.fold(rest)) if folded else None
        how = asked.how(field, unit)
        found.append(Column(index, heading, field, how, how.unit if asked.dimension(field) else None))
    return (
        found
        if any(column.field for column in found) or any(words.fold(column.heading) in asked.columns for column in found)
        else None
    )


def _unit_in(heading: str) -> tuple[tuple[str, str] | None, str]:
    """The dimension and unit that a heading names, and the heading without them."""
    for match in [*_IN_BRACKETS.finditer(heading), *_LAST_WORD.finditer(heading)]:
        unit = words.units_written().get(match[1].casefold().rstrip("."))
        if unit is not None:
            return unit, heading[: match.start()] + " " + heading[match.end() :]
    return None, heading


def header(rows: Iterator[Row], asked: Asked, unknown: list[str]) -> tuple[int, list[Column]] | None:
    """The row of the headings, and the columns under it.

    None where the first rows have no known one, whose first texts are then `unknown`.
    """
    for number, row in rows:
        unknown += [] if unknown else [value[:100] for value in row if isinstance(value, str) and value.strip()]
        found = columns(row, asked)
        if found is not None:
            return number, found
        if number >= HEADER_WITHIN:
            break
    return None
