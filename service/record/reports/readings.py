"""Reports with their readings, as items of a list and as rows of a file: a column a reading, headed by the contract's members.

`initial_test.check_1.held_at` is what check 1 held in the initial test, `final_test.bypass.check_2.held_at` what check 2 of a detector
assembly's bypass held in the final test.
"""

from collections.abc import Iterator
from typing import Any, Final, get_args, get_type_hints

import msgspec
from msgspec import UNSET
from msgspec.structs import replace

import rules
from service.http.files import Table, table_of
from service.record.reports.rows import ReportListItem
from service.record.reports.schemas import KeptFacts

_content = msgspec.json.Decoder(KeptFacts).decode
_LIST: Final = ".readings"
_MAIN: Final = "main"


def with_readings(item: ReportListItem, content: str) -> ReportListItem:
    """The item with what the report says of its readings."""
    facts = _content(content)
    return replace(
        item, units=facts.units, line_pressure=facts.line_pressure, initial_test=facts.initial_test, final_test=facts.final_test
    )


def _places() -> Iterator[tuple[str, str, str]]:
    """Line, component and member of every reading that a kind that is tested can have, in the order of the catalogue."""
    kinds = [kind for kind in rules.catalogue().kinds if kind.field_testable]
    shapes = {shape.__struct_config__.tag: shape for shape in get_args(get_args(get_type_hints(rules.Phase)["readings"])[0])}
    tested = dict.fromkeys((line, part) for kind in kinds for line in kind.lines for part in kind.components_on(line))
    for line, component in sorted(tested, key=lambda place: place[0] != _MAIN):
        for member in shapes[component].__struct_fields__:
            if member != "line":
                yield line, component, member


def _table() -> Table:
    plain = table_of(ReportListItem)
    places = list(_places())
    at = {name: index for index, name in enumerate(plain.columns)}
    columns: list[str] = []
    for name in plain.columns:
        if not name.endswith(_LIST):
            columns.append(name)
            continue
        phase = name.removesuffix(_LIST)
        columns += [".".join([phase, *([] if line == _MAIN else [line]), part, member]) for line, part, member in places]

    def row(item: ReportListItem) -> list[Any]:
        kept, cells = plain.row(item), []
        for name in plain.columns:
            if not name.endswith(_LIST):
                cells.append(kept[at[name]])
                continue
            phase = getattr(item, name.removesuffix(_LIST))
            readings = [] if phase is UNSET else phase.readings
            found = {(reading.line, reading.__struct_config__.tag): reading for reading in readings}
            cells += [getattr(found.get((line, part)), member, UNSET) for line, part, member in places]
        return cells

    return Table(columns=columns, row=row)


TABLE: Final = _table()
"""The rows of a file of reports."""
