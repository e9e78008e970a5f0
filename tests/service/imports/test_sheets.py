"""CSV and XLSX as they come: what is read, what is refused and in which row; cells read as their writer meant them."""

import datetime as dt
import io
import json
import math
import random
import re
import zipfile
from contextlib import suppress
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.imports import archive, cells, sheets
from service.imports.cells import CellError, Reading
from service.imports.columns import Asked
from service.imports.schemas import ImportOptions
from service.imports.sheets import Sheet, SheetError, Unread, csv_sheet, xlsx_sheets
from service.problems import ProblemError

NONE = Reading(unit=None, dates=None)


def rows(sheet: Sheet) -> list[tuple[int, list[Any]]]:
    return [(number, list(row)) for number, row in sheet.rows]


def of_csv(data: bytes, **options: Any) -> list[tuple[int, list[Any]]]:
    with io.BytesIO(data) as file:
        return rows(csv_sheet(file, **options))


# RFC 4180, section 2: rules 1, 2 (an end of the last line or none), 5 and 6 (line breaks, quotes and commas within quotes), 7 (a quote is doubled).
RFC_4180 = [
    (b"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [(1, ["aaa", "bbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
    (b"aaa,bbb,ccc\r\nzzz,yyy,xxx", [(1, ["aaa", "bbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
    (b'"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [(1, ["aaa", "b\r\nbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
    (b'"aaa","b""bb","ccc"', [(1, ["aaa", 'b"bb', "ccc"])]),
]


@pytest.mark.parametrize(("data", "expected"), RFC_4180)
def test_csv_is_read_as_rfc_4180_says(data: bytes, expected: Any) -> None:
    assert of_csv(data) == expected


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_the_delimiter_is_what_the_first_line_shows_outside_quotes(separator: str) -> None:
    data = f'"a,;,;b"{separator}b{separator}c\r\n1{separator}2{separator}\r\n'.encode()
    assert of_csv(data) == [(1, ["a,;,;b", "b", "c"]), (2, ["1", "2", None])]


def test_encodings_are_utf_8_or_as_reported_and_never_guessed() -> None:
    assert of_csv("\ufeffCafé,Å\n".encode()) == [(1, ["Café", "Å"])]
    assert of_csv("Café;Å\n".encode("windows-1252"), encoding="windows-1252") == [(1, ["Café", "Å"])]
    assert of_csv("Café,Å\n".encode("utf-16"), encoding="utf-16") == [(1, ["Café", "Å"])]
    with pytest.raises(SheetError, match="windows-1252"):
        of_csv("Café,Å\n".encode("windows-1252"))
    with pytest.raises(SheetError, match="UTF-16"):
        of_csv("Café,Å\n".encode("utf-16"))
    with pytest.raises(SheetError) as found:
        of_csv(b"a,b\n" * 5000 + b"\xff,b\n")
    assert found.value.row is not None


def test_blank_rows_count_and_formulas_nul_and_over_long_cells_are_no_values() -> None:
    read = of_csv(b"a,b\n\n=1+1,'=x\n" + b"x" * 4001 + b",c\0d\n")
    assert [number for number, _ in read] == [1, 2, 3, 4]
    assert isinstance(read[2][1][0], Unread)
    assert read[2][1][1] == "=x"
    assert all(isinstance(one, Unread) for one in read[3][1])


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'a,b\n"c,d\ne,f\n', "quotation mark"),
        (b'a\n"b"c\n', "not CSV"),
        (b",".join([b"x"] * 301), "columns"),
        (b"PK\x03\x04rest", "zip"),
    ],
)
def test_what_is_no_csv_is_refused_with_its_row(data: bytes, says: str) -> None:
    with pytest.raises(SheetError, match=says):
        of_csv(data)


def book(*made: tuple[str, list[list[Any]]], epoch: dt.datetime | None = None) -> bytes:
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    if epoch is not None:
        workbook.epoch = epoch
    for title, lines in made:
        sheet = workbook.create_sheet(title)
        for line in lines:
            sheet.append(line)
    file = io.BytesIO()
    workbook.save(file)
    return file.getvalue()


def of_xlsx(data: bytes) -> list[tuple[str | None, list[tuple[int, list[Any]]]]]:
    with io.BytesIO(data) as file:
        return [(sheet.name, rows(sheet)) for sheet in xlsx_sheets(file)]


def test_a_workbooks_cells_keep_their_types_and_its_dates_are_dates() -> None:
    moment = dt.datetime(2025, 4, 3, 14, 5)
    data = book(("One", [["a", 1, 2.5, True, None, dt.date(2025, 4, 3), moment, dt.time(9, 30)], [], ["z"]]), ("Two", [["b"]]))
    assert of_xlsx(data) == [
        ("One", [(1, ["a", 1, 2.5, True, None, dt.datetime(2025, 4, 3), moment, dt.time(9, 30)]), (2, []), (3, ["z"])]),
        ("Two", [(1, ["b"])]),
    ]


# ECMA-376 part 1, 18.17.4.1: serial 1 is 1 January 1900 (1900 system) and serial 0 is 1 January 1904 (1904 system); from memory.
@pytest.mark.parametrize(
    ("system", "serial", "day"), [("1900", 45750, "2025-04-03"), ("1900", 61, "1900-03-01"), ("1904", 44288, "2025-04-03")]
)
def test_serial_numbers_with_a_date_format_are_days_of_the_workbooks_calendar(system: str, serial: int, day: str) -> None:
    workbook = openpyxl.Workbook()
    workbook.active.append([serial])
    workbook.active["A1"].number_format = "m/d/yyyy"
    file = io.BytesIO()
    workbook.save(file)
    data = file.getvalue()
    if system == "1904":
        data = rewritten(data, "xl/workbook.xml", lambda xml: xml.replace(b"<workbookPr />", b'<workbookPr date1904="1" />'))
    [(_, [(_, [cell])])] = of_xlsx(data)
    assert cell == dt.datetime.fromisoformat(day)
    # Without the format it is a number, and no date is made of it.
    with pytest.raises(CellError, match="not a date"):
        cells.date(serial, NONE)


def rewritten(data: bytes, name: str, change: Any, **also: bytes) -> bytes:
    """A workbook with one of its parts changed, and others added."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.namelist():
            part = old.read(member)
            new.writestr(member, change(part) if member == name else part)
        for member, part in also.items():
            new.writestr(member, part)
    return out.getvalue()


def test_formulas_errors_and_hidden_sheets_are_not_taken() -> None:
    workbook = openpyxl.Workbook()
    workbook.active.append(["=1+1", "#N/A", "fine"])
    workbook.active["B1"].data_type = "e"
    workbook.create_sheet("Hidden").sheet_state = "hidden"
    file = io.BytesIO()
    workbook.save(file)
    [(_, [(_, read)])] = of_xlsx(file.getvalue())
    assert [isinstance(one, Unread) for one in read] == [True, True, False]


STRINGS = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
MAIN = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'


def shared() -> bytes:
    """A workbook whose one cell holds its text among the shared strings, as spreadsheet programs write it."""
    data = rewritten(
        book(("One", [["a"]])),
        "[Content_Types].xml",
        lambda xml: xml.replace(
            b"</Types>", f'<Override PartName="/xl/sharedStrings.xml" ContentType="{STRINGS}"/></Types>'.encode()
        ),
    )
    cell = b'<c r="A1" t="s"><v>0</v></c>'
    data = rewritten(data, "xl/worksheets/sheet1.xml", lambda xml: re.sub(rb"<c r=.*?</c>", cell, xml))
    names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    return (
        data
        if "xl/sharedStrings.xml" in names
        else rewritten(data, "", None, **{"xl/sharedStrings.xml": f"<sst {MAIN}><si><t>stated</t></si></sst>".encode()})
    )


def test_a_workbook_with_shared_strings_is_read() -> None:
    assert of_xlsx(shared()) == [("One", [(1, ["stated"])])]


ENTITIES = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'


@pytest.mark.parametrize(
    "part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml", "[Content_Types].xml"]
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_xml_that_declares_entities_is_refused_in_every_part(part: str, encoding: str) -> None:
    def poisoned(xml: bytes) -> bytes:
        body = xml.partition(b"?>")[2] if xml.startswith(b"<?xml") else xml
        return (ENTITIES + body).decode().replace('version="1.0"', f'version="1.0" encoding="{encoding}"').encode(encoding)

    with pytest.raises(SheetError, match="declares entities"):
        of_xlsx(rewritten(shared(), part, poisoned))


@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml"])
def test_what_would_unpack_to_far_more_is_not_unpacked(part: str) -> None:
    with pytest.raises(SheetError, match="far more"):
        of_xlsx(rewritten(shared(), part, lambda _: b" " * 40_000_000))


def test_many_parts_and_headers_that_lie_are_no_way_around(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(SheetError, match="far more"):
        of_xlsx(rewritten(shared(), "", None, **{f"xl/{n}.xml": b"" for n in range(2001)}))
    # A header that says less than there is: no more than it says is unpacked, and then the check sum does not fit.
    size = len(zipfile.ZipFile(io.BytesIO(shared())).read("xl/sharedStrings.xml"))
    large = rewritten(shared(), "xl/sharedStrings.xml", lambda xml: xml + b" " * 40_000_000)
    lying = large.replace((size + 40_000_000).to_bytes(4, "little"), size.to_bytes(4, "little"))
    assert lying != large
    with pytest.raises(SheetError, match="damaged"):
        of_xlsx(lying)
    monkeypatch.setattr(archive, "MOST_PART", 100)
    with pytest.raises(SheetError, match="too large"):
        of_xlsx(shared())


@pytest.mark.parametrize(
    "change",
    [
        lambda xml: xml.replace(b'<row r="1"', b'<row r="2000000000"'),
        lambda xml: xml.replace(b'<c r="A1"', b'<c r="ZZZ1"'),
        lambda xml: xml.replace(b'<c r="A1"', b'<c r="7up"'),
        lambda xml: xml.replace(b"<v>0</v>", b"<v>77</v>"),
        lambda xml: xml[: len(xml) // 2],
        lambda _: b"",
    ],
)
def test_a_workbook_that_lies_about_its_cells_is_refused(change: Any) -> None:
    with pytest.raises(SheetError):
        of_xlsx(rewritten(shared(), "xl/worksheets/sheet1.xml", change))


def test_a_sheet_that_lies_about_its_size_is_read_as_it_is() -> None:
    data = rewritten(
        book(("One", [["a"]])), "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'ref="A1"', b'ref="A1:XFD1048576"')
    )
    assert of_xlsx(data) == [("One", [(1, ["a"])])]


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, b"a,b\n"])
def test_what_is_no_workbook_is_refused(data: bytes) -> None:
    with pytest.raises(SheetError, match="not an XLSX"):
        of_xlsx(data)


def test_a_workbook_packed_as_none_is_refused() -> None:
    # ECMA-376, part 2: parts are stored or deflated, nothing else (from memory). Found by fuzzing: method 9 failed in the reader.
    data = bytearray(book(("One", [["a"]])))
    at = data.find(b"PK\x01\x02")
    data[at + 10 : at + 12] = b"\x09\x00"
    with pytest.raises(SheetError, match="uses a compression"):
        of_xlsx(bytes(data))


def test_a_workbook_whose_zip_says_what_no_reader_knows_is_refused() -> None:
    # The zip format's flag 5: compressed patched data (from memory). Found by fuzzing: it failed in the reader.
    data = bytearray(book(("One", [["a"]])))
    for start, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = -1
        while (place := data.find(start, place + 1)) >= 0:
            data[place + at] |= 1 << 5
    with pytest.raises(SheetError, match="damaged"):
        of_xlsx(bytes(data))


QUANTITIES = [
    ("length", '3/4"', 0.75, "in"),
    ("length", "1 1/2 in", 1.5, "in"),
    ("length", "1-1/2 in.", 1.5, "in"),
    ("length", "50 mm", 50.0, "mm"),
    ("length", "2″", 2.0, "in"),
    ("length", ".75 Inches", 0.75, "in"),
    ("pressure", "5.2psid", 5.2, "psi"),
    ("pressure", "-0.4 kPa", -0.4, "kPa"),
]


@pytest.mark.parametrize(("dimension", "written", "size", "unit"), QUANTITIES)
def test_quantities_are_read_with_their_units(dimension: str, written: str, size: float, unit: str) -> None:
    assert cells.quantity(dimension, written, NONE) == (size, unit)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("2", "unit is missing"),
        (2, "unit is missing"),
        ("2 psi", "not a unit of length"),
        ("two in", "not a number"),
        ("0,75 in", "comma"),
        ("1/0 in", "zero"),
        (dt.datetime(2025, 3, 4), "3/4"),
        (True, "not a number"),
        ("1/" + "9" * 400 + " in", ""),
        ("9" * 400 + " in", "too large"),
        ("9" * 400 + "/2 in", "too large"),
        (10**400, "too large"),
        (math.inf, "too large"),
    ],
)
def test_a_quantity_without_a_unit_or_a_number_is_refused(written: Any, says: str) -> None:
    if says:
        with pytest.raises(CellError, match=says):
            cells.quantity("length", written, NONE)
    else:
        assert cells.quantity("length", written, NONE)[0] == 0.0


MDY, DMY = Reading(unit=None, dates="mdy"), Reading(unit=None, dates="dmy")
DATES = [
    ("2025-04-03", NONE, "2025-04-03"),
    ("2025/4/3", NONE, "2025-04-03"),
    ("3 Apr 2025", NONE, "2025-04-03"),
    ("April 3rd, 2025", NONE, "2025-04-03"),
    ("03-Apr-2025", NONE, "2025-04-03"),
    ("03/04/2025", MDY, "2025-03-04"),
    ("03/04/2025", DMY, "2025-04-03"),
    ("3.4.2025", DMY, "2025-04-03"),
    ("13/04/2025", NONE, "2025-04-13"),
    ("8/15/2022", NONE, "2022-08-15"),
    ("05-Jan-24", NONE, "2024-01-05"),
    ("05-Jan-99", NONE, "1999-01-05"),
    ("Mar 2011", Reading(unit=None, dates=None, months=True), "2011-03-01"),
]


@pytest.mark.parametrize(("written", "how", "day"), DATES)
def test_dates_are_read_where_they_can_mean_one_day(written: str, how: Reading, day: str) -> None:
    assert cells.date(written, how).isoformat() == day


@pytest.mark.parametrize(
    ("written", "how", "says"),
    [
        ("03/04/2025", NONE, "dates=mdy"),
        ("Mar 2011", NONE, "day of the month is missing"),
        ("3/4/25", MDY, "year"),
        ("2025-02-29", NONE, "no such day"),
        ("13/13/2025", MDY, "no such day"),
        ("31/02/2025", NONE, "no such day or time: `31/02/2025`"),
        ("31/02/2025", MDY, "no such day"),
        ("30/02/2025", NONE, "no such day"),
        ("45750", NONE, "not a date"),
        (45750, NONE, "not a date"),
        ("yesterday", NONE, "not a date"),
        ("3 Xyz 2025", NONE, "not a month"),
        ("0000-01-01", NONE, "no such day"),
    ],
)
def test_dates_that_can_mean_two_days_or_none_are_refused(written: Any, how: Reading, says: str) -> None:
    with pytest.raises(CellError, match=says):
        cells.date(written, how)


@pytest.mark.parametrize(
    ("written", "time"),
    [
        ("9:05", "09:05:00"),
        ("2:05 PM", "14:05:00"),
        ("12:00 am", "00:00:00"),
        ("12:30 p.m.", "12:30:00"),
        ("23:59:58", "23:59:58"),
    ],
)
def test_times_of_day(written: str, time: str) -> None:
    assert cells.time(written, None).isoformat() == time


@pytest.mark.parametrize("written", ["25:00", "13:00 pm", "0:10 am", "noon", "9", 0.5])
def test_what_is_no_time_of_day_is_refused(written: Any) -> None:
    with pytest.raises(CellError):
        cells.time(written, None)


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(st.text(max_size=30), st.from_regex(r"[\d/.:\- aApPmMzZT+,\"]{1,25}", fullmatch=True)),
    st.sampled_from(["date", "time", "length", "reading", "codes"]),
)
def test_no_text_in_any_cell_breaks_the_reader(written: str, what: str) -> None:
    read = {
        "date": lambda: cells.moment(written, MDY),
        "time": lambda: cells.time(written, None),
        "length": lambda: cells.quantity("length", written, NONE),
        "reading": lambda: cells.reading("opened", written, NONE),
        "codes": lambda: cells.codes(written, NONE),
    }[what]
    with suppress(CellError):
        read()


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200), st.sampled_from(["utf-8", "utf-16", "windows-1252"]))
def test_no_bytes_break_the_reader_of_csv(data: bytes, encoding: Any) -> None:
    with suppress(SheetError):
        of_csv(data, encoding=encoding)


def test_no_damage_breaks_the_reader_of_workbooks() -> None:
    whole, source = book(("One", [["a", 1, dt.date(2025, 4, 3)], ["b", "=1", 2.5]])), random.Random(7)  # noqa: S311 - the same damage every time
    for _ in range(150):
        data = bytearray(whole)
        for _ in range(source.randrange(1, 6)):
            data[source.randrange(len(data))] = source.randrange(256)
        with suppress(SheetError):
            of_xlsx(bytes(data))


def test_limits_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheets, "MOST_ROWS", 3)
    with pytest.raises(SheetError) as found:
        of_csv(b"a\nb\nc\nd\n")
    assert found.value.row == 4


def test_a_value_reported_for_a_whole_file_is_bounded_as_a_cell_is() -> None:
    # Found by fuzzing: more digits than an integer is read with were a failure of the service.
    for value in ("1/" + "9" * 5_000, "9" * 5_000):
        with pytest.raises(ProblemError, match="4000"):
            Asked(ImportOptions(defaults=json.dumps({"premises.latitude": value})))
