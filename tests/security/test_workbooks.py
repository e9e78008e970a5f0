"""Small workbooks that would be large in memory: fifty kilobytes in never mean hundreds of megabytes."""

import io
import random
import subprocess
import sys
import zipfile
from collections.abc import Callable

import openpyxl
import pytest

from service.imports.sheets import SheetError, xlsx_sheets

SMALL = 50_000
MOST_MEGABYTES = 250
MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
# What one process takes for reading a workbook, in megabytes beyond what it took before.
READING = """
import io, re, sys
from pathlib import Path
from service.imports.sheets import SheetError, xlsx_sheets
from service.imports import sheets
sheets._openpyxl()
data = sys.stdin.buffer.read()
# Not `ru_maxrss`, which begins at what the process that started this one had taken.
peak = lambda: int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
before = peak()
try:
    for sheet in xlsx_sheets(io.BytesIO(data)):
        for row in sheet.rows:
            pass
    said = "read"
except SheetError as error:
    said = str(error)
print((peak() - before) // 1024, said)
"""


def workbook() -> dict[str, bytes]:
    """The parts of a small workbook."""
    book = openpyxl.Workbook()
    book.active.append(["a", 1])
    file = io.BytesIO()
    book.save(file)
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts: dict[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, part in parts.items():
            archive.writestr(name, part)
    return file.getvalue()


def filled(name: str, before: bytes, piece: bytes, after: bytes) -> bytes:
    """The largest workbook of that kind that fifty kilobytes hold and that is not refused for its size alone."""
    parts = workbook()
    kinds = b'<Override PartName="/xl/sharedStrings.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/></Types>'
    if name == "xl/sharedStrings.xml" and name not in parts:
        parts["[Content_Types].xml"] = parts["[Content_Types].xml"].replace(b"</Types>", kinds)
    parts[name] = before + piece * (11_000_000 // len(piece)) + after
    # A picture besides, so that it is not refused for how far it unpacks.
    parts["xl/media/image1.png"] = random.Random(1).randbytes(SMALL - len(packed(parts)))  # noqa: S311 - reproducible on purpose
    data = packed(parts)
    assert len(data) < SMALL * 1.05
    return data


SHEET = b"<worksheet " + MAIN + b"><sheetData>"
BOMBS: dict[str, Callable[[], bytes]] = {
    "styles": lambda: filled("xl/styles.xml", b"<styleSheet " + MAIN + b"><cellXfs>", b"<xf/>", b"</cellXfs></styleSheet>"),
    "formats": lambda: filled(
        "xl/styles.xml", b"<styleSheet " + MAIN + b"><fonts>", b"<font><b/></font>", b"</fonts></styleSheet>"
    ),
    "texts": lambda: filled("xl/sharedStrings.xml", b"<sst " + MAIN + b">", b"<si/>", b"</sst>"),
    "texts with runs": lambda: filled("xl/sharedStrings.xml", b"<sst " + MAIN + b"><si>", b"<r><t>a</t></r>", b"</si></sst>"),
    "cells in a row": lambda: filled(
        "xl/worksheets/sheet1.xml", SHEET + b'<row r="1">', b"<c/>", b"</row></sheetData></worksheet>"
    ),
    "cells with values": lambda: filled(
        "xl/worksheets/sheet1.xml", SHEET + b'<row r="1">', b"<c><v>1</v></c>", b"</row></sheetData></worksheet>"
    ),
    "empty rows": lambda: filled("xl/worksheets/sheet1.xml", SHEET, b"<row/>", b"</sheetData></worksheet>"),
    "merged cells": lambda: filled(
        "xl/worksheets/sheet1.xml", SHEET + b"</sheetData><mergeCells>", b'<mergeCell ref="A1:B1"/>', b"</mergeCells></worksheet>"
    ),
    "sheets": lambda: filled("xl/workbook.xml", b"<workbook " + MAIN + b"><sheets>", b"<sheet/>", b"</sheets></workbook>"),
    "kinds of parts": lambda: filled("[Content_Types].xml", b"<Types>", b"<Default/>", b"</Types>"),
}


@pytest.mark.skipif(sys.platform != "linux", reason="the peak is read where Linux shows it")
@pytest.mark.parametrize("bomb", BOMBS)
def test_fifty_kilobytes_never_take_hundreds_of_megabytes(bomb: str) -> None:
    done = subprocess.run([sys.executable, "-c", READING], input=BOMBS[bomb](), capture_output=True, check=True, timeout=120)
    megabytes, _, said = done.stdout.decode().partition(" ")
    assert int(megabytes) < MOST_MEGABYTES, said


def test_one_element_with_a_million_attributes_is_refused() -> None:
    names = b" ".join(b'a%d=""' % n for n in range(200_000))
    parts = workbook()
    parts["xl/worksheets/sheet1.xml"] = SHEET + b'<row r="1"><c ' + names + b"/></row></sheetData></worksheet>"
    with pytest.raises(SheetError, match="too many cells"):
        list(xlsx_sheets(io.BytesIO(packed(parts))))


def test_styles_that_are_too_large_are_left_out_and_the_rest_is_read() -> None:
    parts = workbook()
    parts["xl/styles.xml"] = b"<styleSheet " + MAIN + b"><cellXfs>" + b"<xf/>" * 900_000 + b"</cellXfs></styleSheet>"
    # A picture, so that the workbook is not refused for how far it unpacks.
    parts["xl/media/image1.png"] = random.Random(1).randbytes(100_000)  # noqa: S311 - reproducible on purpose
    [sheet] = xlsx_sheets(io.BytesIO(packed(parts)))
    assert [list(row) for _, row in sheet.rows] == [["a", 1]]


def test_a_workbook_with_many_texts_and_wide_rows_is_read() -> None:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("One")
    for row in range(500):
        sheet.append([f"text {row} {column}" for column in range(300)])
    file = io.BytesIO()
    book.save(file)
    [read] = xlsx_sheets(file)
    assert sum(len(row) for _, row in read.rows) == 500 * 300
