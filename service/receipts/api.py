"""Receipts of reports: given to who may read the report, checked for anyone. The keys that prove them are public."""

from typing import Any

from msgspec import Raw, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.media_types import JOSE, JSON
from service.receipts import issue as records
from service.receipts.issue import OnRecord
from service.receipts.open_report import mark_of
from service.receipts.token import InspectionReceiptContent, ReceiptContent
from service.record.reviews.schemas import Decision
from service.signing import KeySet

JWK_SET = "application/jwk-set+json"


class Receipt(Struct, frozen=True, kw_only=True):
    """A receipt: a compact JWS (RFC 7515), the key of `/.well-known/jwks.json` that proves it, and the page that shows it to people."""

    receipt: str
    """The receipt: a JWS in compact form (RFC 7515)."""
    kid: str
    """The id of the key in `/.well-known/jwks.json` that proves it."""
    page: str
    """The path of the page that shows the report to people."""


class ReceiptToVerify(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A receipt, as it was given."""

    receipt: str
    """The receipt: a JWS in compact form."""


class _Verification(Struct, frozen=True, kw_only=True):
    valid: bool
    """Whether this service signed the receipt and nobody changed it."""
    because: str
    """Why it is genuine, or why not."""
    kid: str | None
    """The id of the key that proves it."""
    key_retired: bool | None
    """Whether that key signs no more; it still proves what it signed."""
    on_record: OnRecord | None
    """How the receipt compares with the record kept here."""
    decision: Decision | None
    """What a person decided of the report last; null where nobody decided, or where the record here is not what was signed."""


class Verification(_Verification, frozen=True, kw_only=True):
    """Whether a receipt is good, and why or why not.

    Only of a good one: what it holds, which key proved it, and `on_record`, whether it is still the record here (`as_signed`), was
    corrected by a later report (`superseded`), was voided (`void`), `differs` from what is kept now, or names a report that is `not_here`.
    """

    content: ReceiptContent | None
    """What the receipt of a test holds; null where it is not genuine."""
    inspection: InspectionReceiptContent | None
    """What the receipt of an inspection holds."""


class _VerificationRaw(_Verification, frozen=True, kw_only=True):
    content: Raw | None
    inspection: Raw | None


@operation(
    "GET",
    "/v1/utilities/{utility:str}/reports/{id:uuid}/receipt",
    id="readReceipt",
    summary="Read the signed receipt of a report",
    answers={200: Receipt},
    tag="receipts",
    right="read",
    companies=True,
    media_types={200: (JSON, JOSE)},
)
async def receipt(call: Call) -> Answer:
    """Sign a report's receipt; as the bare JWS where `Accept` asks for it."""
    keys = call.services.keys.keys()
    token, leaf = await records.give(call.services.log, keys, call.utility, call.id("id"))
    if call.prefers(JOSE):
        return Answer(body=token.encode(), media_type=JOSE, headers={"Vary": "Accept"})
    page = f"/receipts/{call.utility}/{mark_of(call.id('id'), leaf)}"
    return Answer(body=Receipt(receipt=token, kid=keys.current or "", page=page), headers={"Vary": "Accept"})


@operation(
    "POST",
    "/v1/receipts/verify",
    id="verifyReceipt",
    summary="Verify a receipt",
    answers={200: Verification},
    tag="receipts",
)
async def verify(call: Call, document: ReceiptToVerify) -> Answer:
    """Check a receipt; no key is needed."""
    keys = call.services.keys.keys()
    found = await records.check(call.services.log, keys, document.receipt)
    checked = found.checked
    return Answer(
        body=_VerificationRaw(
            valid=checked.valid,
            because=checked.because,
            kid=checked.kid,
            key_retired=checked.kid != keys.current if checked.valid else None,
            on_record=found.on_record,
            decision=found.decision,
            content=Raw(checked.payload) if isinstance(checked.content, ReceiptContent) else None,
            inspection=Raw(checked.payload) if isinstance(checked.content, InspectionReceiptContent) else None,
        )
    )


@operation(
    "GET",
    "/.well-known/jwks.json",
    id="readKeySet",
    summary="Read the public keys",
    answers={200: KeySet},
    tag="receipts",
    media_types={200: (JWK_SET,)},
)
async def key_set(call: Call) -> Answer:
    """Give the key that signs now and those that signed before (RFC 7517)."""
    return Answer(
        body=call.services.keys.keys().published(), media_type=JWK_SET, headers={"Cache-Control": "public, max-age=300"}
    )


operations: list[Any] = [receipt, verify, key_set]
