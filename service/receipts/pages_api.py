"""The pages of reports, for people who hold a paper or a receipt and no key: to have the mark is to be allowed to look."""

from urllib.parse import parse_qs

import msgspec

from service.http.callers import caller
from service.http.endpoint import Answer, Call, operation
from service.http.media_types import HTML, JOSE
from service.problems import problem
from service.receipts import page as receipt
from service.receipts.open_report import Opened, SheetRecords
from service.receipts.page import PAGES, PageCache
from service.receipts.sheet import Sheet, sheet
from service.receipts.store import SheetStore

FORM = "application/x-www-form-urlencoded"
PDF = "application/pdf"


def _records(call: Call) -> SheetRecords:
    services = call.services
    return SheetRecords(services.log, SheetStore(services.pool), services.registry, services.keys.keys())


def _address(call: Call, opened: Opened) -> str:
    """The page's own address, as the code on the paper carries it: by the operator's setting, else by how it was asked for."""
    base = call.services.settings.public_url or str(call.request.base_url)
    return f"{base.rstrip('/')}/receipts/{opened.utility}/{opened.mark}"


async def _page(call: Call, opened: Opened) -> Answer:
    address = _address(call, opened)
    key = PageCache.key(opened, address)
    body = PAGES.get(key)
    if body is None:
        body = await call.compute(lambda: receipt.receipt(opened, _sheet(opened), address))
        if opened.content is not None:
            # A page that says only what was not found is made at once, and callers can make up any number of them.
            PAGES.keep(key, body)
    return Answer(body=body, status=receipt.STATUS[opened.state], media_type=HTML, headers=receipt.HEADERS)


def _sheet(opened: Opened) -> Sheet | None:
    return None if opened.content is None else sheet(opened.content, opened.facts, opened.standing)


@operation(
    "GET",
    "/receipts/{utility:str}/{mark:str}",
    id="readReceiptPage",
    summary="Show a test report by its mark",
    answers={200: bytes},
    tag="receipts",
    media_types={200: (HTML,)},
    public=False,
)
async def receipt_page(call: Call) -> Answer:
    """Show the report of a mark, or say plainly that there is none."""
    opened = await _records(call).by_mark(call.utility, call.text("mark"), call.clock.now())
    return await _page(call, opened)


@operation(
    "GET",
    "/receipts/{utility:str}/{mark:str}/report.pdf",
    id="readReportPaper",
    summary="Print a test report",
    answers={200: bytes},
    tag="receipts",
    media_types={200: (PDF,)},
    public=False,
)
async def report_paper(call: Call) -> Answer:
    """Give the report as PDF."""
    opened = await _records(call).by_mark(call.utility, call.text("mark"), call.clock.now())
    result = _sheet(opened)
    if result is None:
        raise problem("mark_not_found")
    # Loaded when first asked for: fonts and the PDF library would weigh on every start.
    from service.receipts.pdf import paper  # noqa: PLC0415

    services = call.services
    body = await services.papers.run(caller.get().address, paper, result, receipt.says(opened.state), _address(call, opened))
    name = f'inline; filename="report-{opened.mark[:36]}.pdf"'
    return Answer(body=body, media_type=PDF, headers={"Cache-Control": "private, no-store", "Content-Disposition": name})


@operation(
    "GET",
    "/receipts/{utility:str}/{mark:str}/receipt.jws",
    id="readReceiptByMark",
    summary="Read the signed receipt of a mark",
    answers={200: bytes},
    tag="receipts",
    media_types={200: (JOSE,)},
    public=False,
)
async def signed(call: Call) -> Answer:
    """Give the signed receipt."""
    token = await _records(call).receipt(call.utility, call.text("mark"), call.clock.now())
    return Answer(body=token.encode(), media_type=JOSE, headers={"Cache-Control": "private, no-store"})


@operation(
    "GET", "/receipts", id="receiptForm", summary="Check a receipt by hand", answers={200: bytes}, tag="receipts", public=False
)
async def receipt_form(_call: Call) -> Answer:
    """Give the page where a receipt is pasted."""
    return Answer(body=receipt.form(), media_type=HTML, headers=receipt.HEADERS)


def receipt_in(pasted: str) -> str:
    """The receipt in what was pasted: the bare text, broken in lines perhaps, or the whole answer that gave it."""
    if pasted.lstrip().startswith("{"):
        try:
            pasted = msgspec.json.decode(pasted, type=dict[str, str]).get("receipt", "")
        except msgspec.DecodeError:
            return "{"
    return "".join(pasted.split())


@operation(
    "POST",
    "/receipts",
    id="checkReceiptPage",
    summary="Check a receipt by hand",
    answers={200: bytes},
    tag="receipts",
    body_media_type=FORM,
    public=False,
)
async def checked_page(call: Call, document: bytes = b"") -> Answer:  # noqa: ARG001 - it declares the body, which the call carries
    """Show what a pasted receipt says and whether it is genuine."""
    try:
        pasted = parse_qs(call.body.decode("ascii"), max_num_fields=5).get("receipt", [""])[0]
    except ValueError:
        pasted = ""
    token = receipt_in(pasted)
    if not token:
        body = receipt.form("Paste a receipt first: the text that begins with “ey” and contains two dots.")
        return Answer(body=body, status=422, media_type=HTML, headers=receipt.HEADERS)
    if token.count(".") != 2:  # noqa: PLR2004 - a compact JWS has three parts
        opened = Opened(state="no_receipt")
    else:
        opened = await _records(call).by_receipt(token, call.clock.now())
    return await _page(call, opened)


operations = [receipt_page, report_paper, signed, receipt_form, checked_page]
