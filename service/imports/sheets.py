"""CSV and XLSX into rows of cells, a row at a time, with the numbers that a spreadsheet program shows.

Nothing of a file is trusted: what a workbook would unpack to is looked at before it is unpacked, its XML is read without entities,
formulas are no values, and whatever cannot be read is reported with its row. A cell is a text, a number, a yes or no, a date or time as the
workbook types it, or `Unread` with the reason.
"""

import csv
import datetime as dt
import io
import warnings
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import islice
from typing import IO, Any, Final, Literal

from defusedxml import DefusedXmlException
from msgspec import Struct

from service.imports.archive import ArchiveError, WithoutStyles, check_archive
from service.imports.texts import FileFaultError, Said, say

Encoding = Literal["utf-8", "utf-16", "windows-1252", "iso-8859-1", "iso-8859-15"]
Delimiter = Literal["comma", "semicolon", "tab", "pipe"]
DELIMITERS: Final[dict[str, str]] = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}

# Bounds on what one file may cost, not figures of the trade.
LONGEST_CELL: Final = 4_000
MOST_COLUMNS: Final = 300
MOST_ROWS: Final = 1_048_576
MOST_EMPTY_ROWS: Final = 50_000
"""How many empty rows of a workbook may stand together."""
MOST_SHEETS: Final = 50


_ROWS_AT_ONCE: Final = 100
_MIDNIGHT: Final = dt.datetime(1900, 1, 1)  # noqa: DTZ001 - only its time of day is of use


@cache
def _openpyxl() -> Any:
    """The reader of workbooks, which only an import needs: a serving process is the smaller without it."""
    import openpyxl.reader.excel  # noqa: PLC0415
    import openpyxl.utils.exceptions  # noqa: PLC0415

    if not openpyxl.DEFUSEDXML:
        raise RuntimeError("Workbooks are read with defusedxml only; take OPENPYXL_DEFUSEDXML out of the environment.")
    return openpyxl


class Unread(Struct, frozen=True):
    """A cell that is there and holds no value, with the reason."""

    reason: Said


Value = str | int | float | bool | dt.datetime | dt.date | dt.time | Unread | None
Row = tuple[int, Sequence[Value]]


class SheetError(FileFaultError):
    """The file cannot be read, or not from that row on."""

    def __init__(self, code: str, row: int | None = None, /, **values: str | int) -> None:
        super().__init__(code, **values)
        self.row = row


class Sheet(Struct):
    """A sheet of a file: its name (None in CSV) and its rows, numbered from 1 as a spreadsheet program numbers them."""

    name: str | None
    rows: Iterator[Row]


def csv_sheet(file: IO[bytes], *, encoding: Encoding = "utf-8", delimiter: Delimiter | None = None) -> Sheet:
    """The one sheet of a CSV file (RFC 4180); without a stated delimiter, the one that its first line shows most of."""
    start = file.read(4)
    if start.startswith(b"PK\x03\x04"):
        raise SheetError("zip_not_csv")
    if encoding == "utf-8" and start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise SheetError("utf_16")
    file.seek(0)
    if delimiter is None:
        text = _decoded(file, encoding)
        try:
            separator = _separator(text.readline(65_536))
        except UnicodeError:
            raise SheetError("wrong_encoding", encoding=encoding.upper()) from None
        finally:
            text.detach()
    else:
        separator = DELIMITERS[delimiter]
    return Sheet(name=None, rows=_csv_rows(file, encoding, separator))


def lines_of(file: IO[bytes]) -> int:
    """About how many rows a CSV file has: its lines. The file is left at its beginning."""
    file.seek(0)
    count = 0
    while piece := file.read(1 << 20):
        count += piece.count(b"\n")
    file.seek(0)
    return count


def _decoded(file: IO[bytes], encoding: str) -> io.TextIOWrapper:
    file.seek(0)
    return io.TextIOWrapper(file, encoding="utf-8-sig" if encoding == "utf-8" else encoding, newline="")


def _separator(first: str) -> str:
    outside = "".join(first.split('"')[::2])
    return max(DELIMITERS.values(), key=outside.count)


def _csv_rows(file: IO[bytes], encoding: str, separator: str) -> Iterator[Row]:
    text = _decoded(file, encoding)
    reader, number = csv.reader(text, delimiter=separator, strict=True), 0
    try:
        while True:
            number += 1
            cells = next(reader, None)
            if cells is None:
                return
            if number > MOST_ROWS or len(cells) > MOST_COLUMNS:
                raise SheetError("too_large_a_sheet", number, rows=MOST_ROWS, columns=MOST_COLUMNS)
            yield number, [_text(cell) for cell in cells]
    except UnicodeError:
        raise SheetError("wrong_encoding", number, encoding=encoding.upper()) from None
    except csv.Error as error:
        raise SheetError("not_csv", number, error=str(error)) from None
    finally:
        # The file is its owner's to close.
        text.detach()


def _text(cell: str) -> Value:
    """A text as a cell; our own lists write a text that a spreadsheet would take for a formula behind an apostrophe, which is taken off."""
    if len(cell) > LONGEST_CELL:
        return Unread(say("cell_too_long", at_most=LONGEST_CELL))
    if "\0" in cell:
        return Unread(say("nul_in_cell"))
    result = cell.strip()
    if result.startswith("="):
        return Unread(say("formula"))
    if result[:1] == "'" and result[1:2] in ("=", "+", "-", "@"):
        result = result[1:]
    return result or None


def xlsx_sheets(file: IO[bytes]) -> Iterator[Sheet]:
    """The visible worksheets of a workbook, one after another: each is read to its end before the next is begun."""
    reader = _openpyxl()
    try:
        styled = check_archive(file)
        with warnings.catch_warnings():
            # What a reader of values alone need not know: styles, validations, extensions.
            warnings.simplefilter("ignore")
            book = _book(reader, file, styled=styled)
    except ArchiveError as error:
        raise SheetError(error.said.code, **error.said.parameters) from None
    except Exception as error:
        raise _unreadable(error) from error
    if len(book.worksheets) > MOST_SHEETS:
        raise SheetError("too_many_sheets", at_most=MOST_SHEETS)
    return (Sheet(name=sheet.title, rows=_xlsx_rows(sheet)) for sheet in book.worksheets if sheet.sheet_state == "visible")


def _book(openpyxl: Any, file: IO[bytes], *, styled: bool) -> Any:
    """The workbook, read as it is asked for; without its styles where they are too large."""
    reader = openpyxl.reader.excel.ExcelReader(file, read_only=True, data_only=False, keep_links=False)
    if not styled:
        reader.archive = WithoutStyles(reader.archive)
    reader.read()
    return reader.wb


def _xlsx_rows(sheet: Any) -> Iterator[Row]:
    # What the sheet says of its own size is not taken from it.
    sheet.reset_dimensions()
    rows, number, result = enumerate(sheet.iter_rows(), start=1), 0, 0
    while True:
        some: list[tuple[int, Any]] = []
        failed: Exception | None = None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                some += islice(rows, _ROWS_AT_ONCE)
            except Exception as error:  # noqa: BLE001 - reported below, after the rows before it
                failed = error
        for number, cells in some:
            if number > MOST_ROWS or len(cells) > MOST_COLUMNS:
                raise SheetError("too_large_a_sheet", number, rows=MOST_ROWS, columns=MOST_COLUMNS)
            result = number if cells else result
            if number - result > MOST_EMPTY_ROWS:
                raise SheetError("too_many_empty_rows", number, at_most=MOST_EMPTY_ROWS)
            yield number, [_value(cell) for cell in cells]
        if failed is not None:
            raise _unreadable(failed, number + 1) from failed
        if len(some) < _ROWS_AT_ONCE:
            return


def _value(cell: Any) -> Value:
    value = cell.value
    if value is None:
        return None
    if cell.data_type == "f":
        return Unread(say("formula"))
    if cell.data_type == "e":
        return Unread(say("cell_error", error=str(value)[:20]))
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, dt.timedelta):
        return (_MIDNIGHT + value).time() if dt.timedelta(0) <= value < dt.timedelta(days=1) else Unread(say("time_span"))
    if isinstance(value, bool | int | float | dt.datetime | dt.date | dt.time):
        return value
    return Unread(say("cell_unreadable"))


def _unreadable(error: Exception, row: int | None = None) -> SheetError:
    if isinstance(error, DefusedXmlException) or isinstance(error.__cause__, DefusedXmlException):
        return SheetError("workbook_entities", row)
    if isinstance(error, MemoryError):
        raise error
    # Whatever a reader of other people's files stumbles over (parts that are not there, flags of zip files that it does not know, numbers
    # that are none, XML nested without end), it is the file that is wrong.
    return SheetError("workbook_damaged", row)
