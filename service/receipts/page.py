"""The receipt page: what was tested, when, by whom and with what, each reading against its limit, and whether it is genuine.

For an owner or an inspector with a phone: no script, legible at 320 pixels, on paper, light and dark. Nothing is said by colour alone.
"""

import base64
import hashlib
from collections import OrderedDict
from functools import lru_cache
from typing import Final

import msgspec
import segno

from service.http.page import HEADERS as PAGE_HEADERS
from service.http.page import page
from service.receipts.open_report import Opened, State
from service.receipts.sheet import Sheet

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
        (
            "The record of this report was changed after it was received, and no longer matches what was signed or printed. "
            "Contact the water utility before you rely on it."
        ),
    ),
    "unknown": (
        "NOT GENUINE – no such record",
        (
            "No report has this mark. The paper may be forged, or the address may be mistyped. "
            "Contact the water utility before you rely on it."
        ),
    ),
    "not_here": (
        "Signed here, but not on record",
        "The signature is valid, but the report is not in this record. Contact the water utility before you rely on it.",
    ),
    "no_receipt": (
        "Not a receipt",
        (
            "This is not a signed receipt, so it cannot be checked. A signed receipt is one long text that begins with “ey” "
            "and contains two dots. Paste all of it."
        ),
    ),
    "forged": (
        "NOT GENUINE – forged or altered",
        "This receipt was not signed by this service, or it was altered after it was signed. Do not rely on it.",
    ),
}


def receipt(opened: Opened, sheet: Sheet | None, address: str) -> bytes:
    """The page of a report, or of what pretends to be one; `address` is the page's own, for the code on the paper."""
    head, says = _SAYS[opened.state]
    return page(
        "receipts/receipt.html",
        title="Test report" if sheet is None else sheet.title,
        bad=opened.state not in ("genuine", "superseded", "void"),
        head=head,
        says=says,
        opened=opened,
        sheet=sheet,
        drawing=base64.b64encode(sheet.drawing.encode()).decode() if sheet is not None and sheet.drawing else "",
        code=code(address) if sheet is not None and opened.mark else "",
        address=address,
    )


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
    return page("receipts/form.html", title="Check a receipt", problem=problem)


@lru_cache(maxsize=256)
def code(address: str) -> str:
    """The QR code (ISO/IEC 18004) of an address, as an image's address.

    The address names the report and its leaf hash, so its code never changes.
    """
    return str(segno.make(address, error="m", micro=False).svg_data_uri(scale=4, border=4, dark="#000", light="#fff"))


def says(state: State) -> str:
    """How a report stands, in a sentence."""
    return ": ".join(_SAYS[state])
