"""The receipt page: what was tested, when, by whom and with what, each reading against its limit, and whether it is genuine.

For an owner or an inspector with a phone: no script, legible at 320 pixels, on paper, light and dark. Nothing is said by colour alone.
"""

import base64
import hashlib
from collections import OrderedDict
from functools import lru_cache
from html import escape
from typing import Final

import msgspec
import segno

from service.http.page import HEADERS as PAGE_HEADERS
from service.http.page import page
from service.receipts.open_report import Opened, State
from service.receipts.sheet import PhaseSheet, Row, Sheet

# The page of a receipt is nobody else's business: not kept by anyone between, not listed by anyone who searches.
HEADERS: Final = {
    **PAGE_HEADERS,
    "Content-Security-Policy": PAGE_HEADERS["Content-Security-Policy"].replace("form-action 'none'", "form-action 'self'"),
    "Cache-Control": "private, no-store",
    "X-Robots-Tag": "noindex",
}

STATUS: Final[dict[State, int]] = {
    "genuine": 200,
    "superseded": 200,
    "void": 200,
    "altered": 409,
    "unknown": 404,
    "not_here": 404,
    "forged": 422,
    "no_receipt": 422,
}

_SAYS: Final[dict[State, tuple[str, str]]] = {
    "genuine": ("Genuine", "This is the record, and nothing in it has been changed since it was received."),
    "superseded": ("Genuine, but corrected since", "A later report corrects this one. Do not rely on this one."),
    "void": (
        "Genuine, but voided since",
        "The water utility has voided this report, so it does not count as a test of this assembly. Do not rely on it.",
    ),
    "altered": (
        "ALTERED – do not rely on it",
        "The record of this report was changed after it was received, and no longer matches what was signed or printed. Contact the water utility before you rely on it.",
    ),
    "unknown": (
        "NOT GENUINE – no such record",
        "No report has this mark. The paper may be forged, or the address may be mistyped. Contact the water utility before you rely on it.",
    ),
    "not_here": (
        "Signed here, but not on record",
        "The signature is valid, but the report is not in this record. Contact the water utility before you rely on it.",
    ),
    "no_receipt": (
        "Not a receipt",
        "This is not a signed receipt, so it cannot be checked. A signed receipt is one long text that begins with “ey” and contains two dots. Paste all of it.",
    ),
    "forged": (
        "NOT GENUINE – forged or altered",
        "This receipt was not signed by this service, or it was altered after it was signed. Do not rely on it.",
    ),
}

_STYLE: Final = """<style>
.state { border: 3px solid; padding: .5rem .75rem; } .state b { display: block; font-size: 1.15rem; } .state.bad { border-style: dashed; border-width: 5px; }
.outcome { font-size: 1.3rem; font-weight: bold; } dl { display: grid; grid-template-columns: minmax(6rem, 11rem) 1fr; gap: .2rem .75rem; margin: 0; }
dt { font-weight: bold; } dd { margin: 0; } .bad-row td, .bad-row th { font-weight: bold; } table { table-layout: auto; } th, td { overflow-wrap: break-word; }
figure { margin: 1rem 0; overflow-x: auto; } figure img { min-width: 34rem; max-width: 100%; background: #fff; } .code img { width: 9rem; height: auto; background: #fff; }
textarea { width: 100%; box-sizing: border-box; min-height: 9rem; font: .9em/1.4 ui-monospace, monospace; background: var(--paper); color: var(--ink); border: 1px solid var(--line); }
button { font: inherit; padding: .5rem 1rem; min-height: 2.75rem; background: var(--deep); color: var(--paper); border: 0; } :focus-visible { outline: 3px solid var(--deep); outline-offset: 2px; }
@media (max-width: 30rem) { body { padding: 1rem .75rem 3rem; } th, td { padding-right: .35rem; font-size: .92rem; } }
@media print { :root { --ink: #000; --paper: #fff; --line: #777; --deep: #000; color-scheme: light; } body { max-width: none; font-size: 10.5pt; padding: 0; } .screen { display: none; }
  figure img { min-width: 0; width: 15cm; } h2, tr, figure, .state { break-inside: avoid; } h2 { break-after: avoid; margin-top: 1.2rem; } }
</style>"""


def receipt(opened: Opened, sheet: Sheet | None, address: str) -> bytes:
    """The page of a report, or of what pretends to be one; `address` is the page's own, for the code on the paper."""
    head, says = _SAYS[opened.state]
    bad = opened.state not in ("genuine", "superseded", "void")
    parts = [
        _STYLE,
        f'<div class="state{" bad" if bad else ""}" role="status"><b>{head}</b>{escape(says)}{_signature(opened)}{_later(opened)}</div>',
    ]
    if sheet is None:
        parts.append('<p><a href="/receipts">Check a signed receipt</a></p>')
        return page("Test report", "".join(parts))
    parts.append(_sheet(sheet))
    if opened.mark:
        parts.append(_paper(opened, address))
    return page(sheet.title, "".join(parts))


class PageCache:
    """The pages of receipts made last, at most `most` of them.

    A page depends on the opened report (its leaf hash, and the register's facts of today) and on its own address, never on who reads it.
    The database is read for each request all the same, so that a changed record, register or day gives another page.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._pages: OrderedDict[bytes, bytes] = OrderedDict()

    @staticmethod
    def key(opened: Opened, address: str) -> bytes:
        """A digest of all that the page depends on."""
        return hashlib.sha256(msgspec.json.encode((opened, address))).digest()

    def get(self, key: bytes) -> bytes | None:
        """The page of that key; None where it has not been made, or too long ago."""
        if key in self._pages:
            self._pages.move_to_end(key)
        return self._pages.get(key)

    def keep(self, key: bytes, body: bytes) -> None:
        """Keep a page, and drop the page that was not read for longest where there are too many."""
        self._pages[key] = body
        if len(self._pages) > self._most:
            self._pages.popitem(last=False)

    def __len__(self) -> int:
        """How many pages are kept."""
        return len(self._pages)


PAGES: Final = PageCache(256)
"""About 15 KB a page. It saves a sixth of the processor's time of a request, and the wait for the thread that computes."""


def form(problem: str = "") -> bytes:
    """The page where a receipt is checked."""
    body = (
        f"{_STYLE}<p>Paste a signed receipt of a test report. This page says whether it is genuine, whether it was altered, and whether a later report corrects it.</p>"
        + (f'<p class="state bad" role="alert">{escape(problem)}</p>' if problem else "")
        + '<form method="post" action="/receipts"><p><label for="receipt"><b>Receipt</b></label></p>'
        '<p><textarea id="receipt" name="receipt" required spellcheck="false" autocomplete="off" autocapitalize="off"></textarea></p>'
        '<p><button type="submit">Check it</button></p></form>'
    )
    return page("Check a receipt", body)


@lru_cache(maxsize=256)
def code(address: str) -> str:
    """The QR code (ISO/IEC 18004) of an address, as an image's address; the address names the report and its leaf hash, so it never changes."""
    return str(segno.make(address, error="m", micro=False).svg_data_uri(scale=4, border=4, dark="#000", light="#fff"))


def _signature(opened: Opened) -> str:
    if opened.because:
        key = "" if opened.kid is None else f" (key {opened.kid})"
        return f"<p>Signature: {escape(opened.because)}{escape(key)}</p>"
    if opened.state in ("genuine", "superseded", "void") and opened.kid is not None:
        link = f"/receipts/{opened.utility}/{opened.mark}/receipt.jws"
        return f'<p class="screen">The signature is valid (key {escape(opened.kid)}). <a href="{escape(link)}">The signed receipt</a>, for anyone to check.</p>'
    return ""


def _later(opened: Opened) -> str:
    if opened.corrected_by is None:
        return ""
    return f'<p><a href="{escape(f"/receipts/{opened.utility}/{opened.corrected_by}")}">Open the report that corrects this one</a></p>'


def _sheet(sheet: Sheet) -> str:
    image = base64.b64encode(sheet.drawing.encode()).decode()
    act, acted = ("inspection", "inspected") if sheet.inspected else ("test", "tested")
    drawing = (
        f'<figure tabindex="0" role="group" aria-label="Drawing of the assembly"><img src="data:image/svg+xml;base64,{image}" alt="The assembly as the last test found it. {escape(sheet.summary)}"></figure>'
        if sheet.drawing
        else ""
    )
    facts = "".join(f"<dt>{escape(label)}</dt><dd>{escape(value)}</dd>" for label, value in sheet.facts)
    parts = [
        f'<p class="outcome">{escape(sheet.outcome)}</p><p>{escape(sheet.summary)}</p><p><b>Protection at that {act}:</b> {escape(sheet.protection)}</p>',
        f"<p>{escape(sheet.acceptance)}</p>",
        "" if sheet.standing is None else f"<p><b>This assembly today:</b> {escape(sheet.standing)}.</p>",
        f"<h2>What was {acted}</h2><dl>{facts}</dl>",
        *(_phase(phase) for phase in sheet.phases[:1]),
        _repairs(sheet.repairs),
        *(_phase(phase) for phase in sheet.phases[1:]),
        drawing,
        _list("Points to check", sheet.notes),
        _list("What to do", sheet.actions),
        f"<h2>Judged by</h2><p>Rulebook {escape(sheet.rulebook)}.</p>{_list('', sheet.sources)}",
        f'<p class="note">{escape(sheet.caution)}</p>',
    ]
    return "".join(parts)


def _list(title: str, lines: list[str]) -> str:
    if not lines:
        return ""
    head = f"<h2>{escape(title)}</h2>" if title else ""
    return f"{head}<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _phase(phase: PhaseSheet) -> str:
    rows = "".join(_row(row) for row in phase.rows)
    head = "<thead><tr><th scope='col'>Part</th><th scope='col'>Found</th><th scope='col'>Limit</th><th scope='col'>Result</th></tr></thead>"
    return f"<h2>{escape(phase.name)}: {escape(phase.outcome.lower())}</h2><p>{escape(phase.shutoffs)}</p><table>{head}<tbody>{rows}</tbody></table>"


def _row(row: Row) -> str:
    style = "" if row.good else ' class="bad-row"'
    cells = "".join(f"<td>{escape(item or '–')}</td>" for item in (row.found, row.limit, row.result))
    return f"<tr{style}><th scope='row'>{escape(row.part)}</th>{cells}</tr>"


def _repairs(repairs: list[Row]) -> str:
    return _list("Repaired", [f"{repair.part}: {repair.found}" for repair in repairs])


def _paper(opened: Opened, address: str) -> str:
    link = escape(f"/receipts/{opened.utility}/{opened.mark}/report.pdf")
    return (
        f'<h2>This page on paper</h2><div class="code"><img src="{code(address)}" alt="QR code that leads to this page"></div>'
        f'<p>The code leads to <span>{escape(address)}</span></p><p class="screen"><a href="{link}">Print the report (PDF)</a></p>'
    )


def says(state: State) -> str:
    """How a report stands, in a sentence."""
    return ": ".join(_SAYS[state])
