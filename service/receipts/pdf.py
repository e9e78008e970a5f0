"""The printable test report, as PDF: the same sheet as the page, on letter paper, with the code that leads to the page."""

import io
import logging
import re
import tempfile
from functools import cache
from pathlib import Path
from typing import Final

import segno
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace
from pymupdf_fonts import fontbuffers

from service.http.page import CAUTION
from service.receipts.sheet import Sheet

_FONT: Final = "sheet"
_STYLES: Final = {"": "figo", "B": "figbo"}
# The libraries report font tables that they leave out; nobody who prints can do anything about it.
for _name in ("fontTools", "fpdf"):
    logging.getLogger(_name).setLevel(logging.ERROR)


@cache
def _fonts() -> tempfile.TemporaryDirectory[str]:
    """The fonts as files, which the library wants; kept as long as the process lives."""
    folder = tempfile.TemporaryDirectory(prefix="nonreturn-fonts-")
    for buffer in _STYLES.values():
        (Path(folder.name) / f"{buffer}.ttf").write_bytes(fontbuffers[buffer]())
    return folder


class _Paper(FPDF):
    """Letter paper with the caution at the foot of each page."""

    def footer(self) -> None:
        """Write the caution and the page's number."""
        self.set_y(-15)
        self.set_font(_FONT, size=8)
        self.cell(0, 5, f"{CAUTION}   {self.page_no()}", align="C")


def paper(sheet: Sheet, state: str, address: str) -> bytes:
    """The report as a PDF; `state` says in words whether it is genuine, `address` is that of its page."""
    pdf = _Paper(format="letter")
    for style, buffer in _STYLES.items():
        pdf.add_font(_FONT, style, Path(_fonts().name) / f"{buffer}.ttf")
    pdf.set_title(sheet.title)
    pdf.set_lang("en")
    pdf.set_margin(18)
    pdf.set_auto_page_break(auto=True, margin=20)
    pdf.add_page()
    code = io.BytesIO()
    segno.make(address, error="m", micro=False).save(code, kind="png", scale=8, border=4)
    pdf.image(code, x=pdf.w - 18 - 34, y=14, w=34, alt_text="Code that leads to the page of this report", link=address)
    _line(pdf, sheet.title, size=16, style="B", width=pdf.epw - 38)
    _line(pdf, sheet.outcome, size=14, style="B", width=pdf.epw - 38)
    _line(pdf, state, width=pdf.epw - 38)
    pdf.set_y(max(pdf.get_y(), 50))
    _line(pdf, sheet.summary)
    _line(pdf, f"Protection at that {'inspection' if sheet.inspected else 'test'}: {sheet.protection}")
    _line(pdf, sheet.acceptance)
    _head(pdf, "What was inspected" if sheet.inspected else "What was tested")
    _table(pdf, [[label, value] for label, value in sheet.facts], widths=(1, 3))
    for number, phase in enumerate(sheet.phases):
        if number == 1:
            _list(pdf, "Repaired", [f"{repair.part}: {repair.found}" for repair in sheet.repairs])
        _head(pdf, f"{phase.name}: {phase.outcome.lower()}")
        if phase.shutoffs:
            _line(pdf, phase.shutoffs)
        rows = [["Part", "Found", "Limit", "Result"]]
        rows += [[row.part, row.found, row.limit or "–", row.result] for row in phase.rows]
        _table(pdf, rows, widths=(3, 8, 3, 3), headed=True)
    if len(sheet.phases) == 1:
        _list(pdf, "Repaired", [f"{repair.part}: {repair.found}" for repair in sheet.repairs])
    pdf.ln(3)
    if sheet.drawing:
        pdf.image(io.BytesIO(inked(sheet.drawing).encode()), x=pdf.l_margin, w=150, alt_text=sheet.summary)
    _list(pdf, "Points to check", sheet.notes)
    _list(pdf, "What to do", sheet.actions)
    _list(pdf, "Judged by", [f"Rulebook {sheet.rulebook}.", *sheet.sources])
    _line(pdf, sheet.caution)
    _line(pdf, f"The page of this report: {address}", size=8)
    return bytes(pdf.output())


def _line(pdf: FPDF, words: str, *, size: int = 10, style: str = "", width: float = 0) -> None:
    pdf.set_font(_FONT, style, size)
    pdf.multi_cell(width, size * 0.5, words, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _head(pdf: FPDF, words: str) -> None:
    pdf.ln(2)
    _line(pdf, words, size=12, style="B")


def _list(pdf: FPDF, title: str, lines: list[str]) -> None:
    if lines:
        _head(pdf, title)
        for line in lines:
            _line(pdf, f"– {line}")


def _table(pdf: FPDF, rows: list[list[str]], *, widths: tuple[int, ...], headed: bool = False) -> None:
    pdf.set_font(_FONT, size=9)
    plain = FontFace()
    with pdf.table(
        col_widths=widths,
        text_align="LEFT",
        borders_layout="HORIZONTAL_LINES",
        line_height=5,
        first_row_as_headings=headed,
        headings_style=FontFace(emphasis="BOLD") if headed else plain,
    ) as table:
        for cells in rows:
            row = table.row()
            for cell in cells:
                row.cell(cell)


_STYLE_SHEET = re.compile(r"<style>(.*?)</style>", re.DOTALL)
_AT_MEDIA = re.compile(r"@media[^{]*\{[^{}]*\{[^{}]*\}\}")
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")
_LEFT_OUT = re.compile(r"<(title|desc|defs|style)\b.*?</\1>", re.DOTALL)


def inked(svg: str) -> str:
    """A drawing of ours as the PDF library reads it: its style sheet written into its elements, in black, without hatching."""
    [sheet] = _STYLE_SHEET.findall(svg)
    rules_ = {name: body for names, body in _RULE.findall(_AT_MEDIA.sub("", sheet)) for name in names.split(",")}

    def styled(match: re.Match[str]) -> str:
        return 'style="' + ";".join(rules_[f".{name}"] for name in match[1].split()) + '"'

    svg = re.sub(r'class="([^"]*)"', styled, _LEFT_OUT.sub("", svg))
    svg = re.sub(r'<text ([^>]*?)style="', rf'<text \1style="font-family:{_FONT};font-size:13px;fill:#000;', svg)
    # The font has no cross of that shape.
    return svg.replace("currentColor", "#000").replace("url(#hatch)", "none").replace("✗", "×")
