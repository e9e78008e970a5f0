"""A row into what it states: premises, an assembly, a tester, a gauge, a past test; and every problem of its cells.

What a row does not state is left out, never made up. A thing is known by its own mark: premises by the utility's reference, an assembly and
a gauge by the serial number, a tester by the certificate's number, a test by its assembly and moment.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from msgspec import UNSET, Struct

import rules
from service.imports import cells
from service.imports.cells import CellError
from service.imports.columns import Asked, Column, parsers
from service.imports.schemas import ImportProblem, Thing
from service.imports.sheets import Unread, Value
from service.imports.texts import Said, say

MARKS: Final[dict[str, str]] = {
    "premises": "premises.reference",
    "tester": "tester.certificate",
    "gauge": "gauge.serial_number",
    "assembly": "assembly.serial_number",
}
THINGS: Final[dict[str, Thing]] = {
    "premises": "premises",
    "tester": "testers",
    "gauge": "gauges",
    "assembly": "assemblies",
    "test": "reports",
}
_OF_A_TEST: Final = {
    "assembly.serial_number": "assembly_of_test_missing",
    "test.date": "day_of_test_missing",
    "tester.certificate": "tester_of_test_missing",
    "gauge.serial_number": "gauge_of_test_missing",
}
"""What every test must state, with the code of its absence."""
_BY_DEFAULT: Final = ("tester_of_test_missing", "gauge_of_test_missing")
"""What may be stated for the whole file."""
_NOON: Final = dt.time(12)
"""When a test of the record on paper is taken to have been made, where its time is not reported."""
_AS_STATED: Final = (
    "reason",
    "declared",
    "installed_correctly",
    "relief_air_gap",
    "installed_as",
    "replaced_serial_number",
    "remarks",
)
_CONTACT: Final = "contact_"
_OF_A_CALIBRATION: Final = ("calibrated_on", "certificate", "laboratory", "as_found_error")
_WITH_A_TEST: Final = ("test.", "initial.", "final.", "repair.")


class Stated(Struct):
    """One thing in a row: its key, what is stated as the members of its facts, and whether a cell of it was bad."""

    thing: str
    key: str
    document: dict[str, Any]
    spoiled: list[str]
    bad: bool
    moment: str = ""


class RowReader:
    """Reads the rows under one row of headings."""

    def __init__(self, sheet: str | None, columns: Sequence[Column], asked: Asked, zone: ZoneInfo) -> None:
        self.sheet = sheet
        self._asked = asked
        self._zone = zone
        self._columns = [(column, parsers()[column.field]) for column in columns if column.field is not None]
        self._of_field = {column.field: column for column in columns if column.field is not None}
        self._under_none = {column.index for column in columns if not column.heading}
        self._width = len(columns)
        self._row = 0
        self._mixed = False
        self._problems: list[ImportProblem] = []

    def problem(self, row: int, said: Said, field: str | None = None, value: Value = None) -> ImportProblem:
        """A problem at that row, in the column of that field."""
        column = self._of_field.get(field or "")
        shown = cells.shown(value)
        return ImportProblem(
            code=said.code,
            detail=said.detail,
            parameters=said.parameters or UNSET,
            sheet=UNSET if self.sheet is None else self.sheet,
            row=row,
            column=UNSET if column is None else column.letter,
            heading=UNSET if column is None else column.heading[:200],
            value=shown or UNSET,
        )

    def read(self, row: int, row_cells: Sequence[Value]) -> tuple[list[Stated], list[ImportProblem]]:
        """What the row states, and its problems."""
        self._row, self._problems, self._mixed = row, [], False
        values, spoiled = self._values(row_cells)
        if not values and not spoiled:
            return [], self._problems
        return list(self._things(values, spoiled)), self._problems

    def _values(self, row_cells: Sequence[Value]) -> tuple[dict[str, Any], set[str]]:
        values: dict[str, Any] = {}
        spoiled: set[str] = set()
        for column, parser in self._columns:
            cell = row_cells[column.index] if column.index < len(row_cells) else None
            if cells.blank(cell):
                continue
            field = str(column.field)
            if isinstance(cell, Unread):
                spoiled.add(field)
                self._add_problem(cell.reason, field, cell)
                continue
            try:
                values[field] = parser(cell, column.how)
            except CellError as error:
                spoiled.add(field)
                self._add_problem(error.said, field, cell)
        for index, cell in enumerate(row_cells):
            if (index >= self._width or index in self._under_none) and not cells.blank(cell):
                self._add_problem(say("cell_without_heading"), value=cell)
                spoiled.add("")
                break
        return values, spoiled

    def _add_problem(self, said: Said, field: str | None = None, value: Value = None) -> None:
        self._problems.append(self.problem(self._row, said, field, value))

    def _things(self, values: dict[str, Any], spoiled: set[str]) -> Iterator[Stated]:
        tested = [field for field in (*values, *spoiled) if field.startswith(_WITH_A_TEST)]
        for thing in ("premises", "tester", "gauge", "assembly"):
            mark = MARKS[thing]
            own = {field.partition(".")[2]: value for field, value in values.items() if field.startswith(f"{thing}.")}
            bad = [field for field in spoiled if field.startswith(f"{thing}.") or not field]
            if not (set(own) | {field.partition(".")[2] for field in bad}) - {mark.partition(".")[2], ""}:
                continue
            if mark not in values:
                if mark not in spoiled:
                    self._add_problem(say("mark_missing", thing=thing, field=mark), mark)
                continue
            try:
                document = document_of(thing, own)
            except CellError as error:
                self._add_problem(error.said, f"{thing}.accuracy")
                document, bad = {}, [*bad, f"{thing}.accuracy"]
            if thing == "assembly" and "premises.reference" in values:
                document["premises"] = values["premises.reference"]
            yield Stated(thing, values[mark], document, [_member(field) for field in bad], bool(bad))
        if tested:
            yield from self._test(values, spoiled)

    def _test(self, values: dict[str, Any], spoiled: set[str]) -> Iterator[Stated]:
        before = len(self._problems)
        for field, code in _OF_A_TEST.items():
            if field not in values and field not in spoiled and not (code in _BY_DEFAULT and field in self._asked.defaults):
                self._add_problem(say(code, field=field), field)
        moment = self._moment(values) if "test.date" in values else None
        report = self._report(
            {**{name: value for name, value in self._asked.defaults.items() if name.startswith(_WITH_A_TEST)}, **values}, spoiled
        )
        bad = bool(spoiled) or len(self._problems) > before
        if moment is None or "assembly.serial_number" not in values:
            return
        report["performed_at"] = moment.isoformat()
        serial, utc = values["assembly.serial_number"], moment.astimezone(dt.UTC).isoformat()
        document = {
            "serial_number": serial,
            "report": report,
            "certificate": values.get("tester.certificate", self._asked.defaults.get("tester.certificate")),
            "gauge": values.get("gauge.serial_number", self._asked.defaults.get("gauge.serial_number")),
        }
        key = f"{serial}\n{utc}"
        yield Stated("test", key, document, [_member(field) for field in spoiled], bad, key)

    def _moment(self, values: dict[str, Any]) -> dt.datetime | None:
        day = values["test.date"]
        if isinstance(day, dt.datetime) and "test.time" not in values:
            local = day
        else:
            time = values.get("test.time", self._asked.defaults.get("test.time"))
            if time is None and self._asked.options.history:
                time = _NOON
            if time is None:
                self._add_problem(say("time_of_test_missing"), "test.date")
                return None
            local = dt.datetime.combine(day.date() if isinstance(day, dt.datetime) else day, time)
        try:
            if local.tzinfo is not None:
                local.astimezone(dt.UTC)
                return local
            earlier, later = (local.replace(tzinfo=self._zone, fold=fold) for fold in (0, 1))
            if earlier.astimezone(dt.UTC).astimezone(self._zone).replace(tzinfo=None) != local:
                self._add_problem(say("clocks_put_forward"), "test.date")
                return None
            if earlier.utcoffset() != later.utcoffset():
                self._add_problem(say("clocks_put_back"), "test.date")
                return None
            return local.replace(tzinfo=dt.timezone(earlier.utcoffset() or dt.timedelta()))
        except OverflowError:
            self._add_problem(say("outside_the_calendar"), "test.date")
            return None

    def _report(self, values: dict[str, Any], spoiled: set[str]) -> dict[str, Any]:
        """The report's members, as far as the row states them."""
        units: dict[str, str] = {}
        report: dict[str, Any] = {"units": units, "initial_test": {"readings": []}}
        if self._asked.options.history:
            report |= {"accepted_on_paper": True, "reason": "other"}
        for name in _AS_STATED:
            if f"test.{name}" in values:
                report[name] = values[f"test.{name}"]
        if "test.gauge_height" in values:
            report["gauge_height_above_assembly"] = self._measured("test.gauge_height", values["test.gauge_height"], units)
        shutoffs = {side: values[f"test.{side}_shutoff"] for side in ("inlet", "outlet") if f"test.{side}_shutoff" in values}
        found: dict[str, dict[tuple[str, str], dict[str, Any]]] = {"initial": {}, "final": {}}
        for field, value in values.items():
            if field.startswith(("initial.", "final.")):
                phase, line, component, member = field.split(".")
                beside = {} if line == "main" else {"line": line}
                self._note(
                    field, member, value, found[phase].setdefault((line, component), {"component": component, **beside}), units
                )
        if "test.line_pressure" in values:
            # No criterion is compared with it, so it follows the readings' unit.
            size, unit = values["test.line_pressure"]
            report["line_pressure"] = rules.convert(size, unit, units.setdefault("pressure", unit))
        for phase, readings in found.items():
            if readings:
                report[f"{phase}_test"] = {"readings": list(readings.values())}
        if shutoffs:
            report["initial_test"]["shutoffs"] = shutoffs
        repair = {name: values[f"repair.{name}"] for name in ("component", "part", "action") if f"repair.{name}" in values}
        if repair:
            report["repairs"] = [repair]
        if "pressure" not in units and not any(field.startswith(("initial.", "final.")) for field in spoiled):
            if self._asked.options.history and self._asked.options.pressure is None:
                # Nothing was measured, so whatever the unit it says nothing.
                units["pressure"] = "psi"
            elif self._asked.options.pressure is None:
                self._add_problem(say("pressure_unit_missing"))
            else:
                units["pressure"] = self._asked.options.pressure
        return report

    def _note(self, field: str, member: str, value: Any, reading: dict[str, Any], units: dict[str, str]) -> None:
        """Put one cell of a reading in."""
        if isinstance(value, tuple):
            reading[member] = self._measured(field, value, units)
            return
        if member == "leaked":
            member, value = "closed_tight", not value
        elif member in ("held_at", "opened_at"):
            member = "closed_tight" if member == "held_at" else "opened"
        if reading.setdefault(member, value) != value:
            self._add_problem(say("cells_contradict"), field)

    def _measured(self, field: str, value: tuple[float, str], units: dict[str, str]) -> float:
        dimension = self._asked.dimension(field) or "pressure"
        size, unit = value
        if units.setdefault(dimension, unit) != unit and not self._mixed:
            self._mixed = True
            self._add_problem(say("two_units_in_a_test", unit=unit, other=units[dimension]), field)
        return size


def _member(field: str) -> str:
    return field.partition(".")[2]


def document_of(thing: str, own: dict[str, Any]) -> dict[str, Any]:
    """A thing's fields as members of its facts; CellError where they speak in two units."""
    document: dict[str, Any] = {name: value.isoformat() if isinstance(value, dt.date) else value for name, value in own.items()}
    if "latitude" in own or "longitude" in own:
        document["location"] = {name: document.pop(name) for name in ("latitude", "longitude") if name in own}
    if contact := [name for name in own if name.startswith(_CONTACT)]:
        document["contact"] = {name.removeprefix(_CONTACT): document.pop(name) for name in contact}
    if "hazard" in own:
        found: rules.FoundHazard = document.pop("hazard")
        # Premises whose hazard nobody knows are registered without one.
        if thing == "assembly" or found.hazard != "unknown":
            document["hazard"] = found.hazard
        if "hazard" in document or found.word is not None:
            document["hazard_class"] = None if found.word is None else found.word.word
    if thing == "assembly" and "size" in own:
        size = document.pop("size")
        document["nominal_size"] = {"size": size[0], "units": {"length": size[1]}}
    if thing == "gauge":
        measured = [name for name in ("accuracy", "resolution", "as_found_error") if name in own]
        units = {own[name][1] for name in measured}
        if len(units) > 1:
            raise CellError("two_units_of_a_gauge")
        document |= {name: own[name][0] for name in measured}
        for unit in units:
            document["units"] = {"pressure": unit}
        calibration = {name: document.pop(name) for name in _OF_A_CALIBRATION if name in document}
        if calibration:
            if "calibrated_on" not in calibration:
                raise CellError("calibration_without_day")
            document["calibrations"] = [calibration]
    return document
