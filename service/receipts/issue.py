"""Giving receipts, and checking one against the record. Nothing is signed while a report is recorded: a receipt is made when asked for."""

from typing import Literal
from uuid import UUID

from msgspec import Struct

from service.ledger.store import LogStore
from service.problems import not_found
from service.receipts import token as receipts
from service.record.reports.leaf import leaf_hash, sound_leaf_hash
from service.record.reviews.schemas import Decision
from service.signing import SigningKeys, base64url

OnRecord = Literal["as_signed", "superseded", "void", "differs", "not_here"]


class Found(Struct, frozen=True, kw_only=True):
    """A receipt as checked: by its signature, then against the record here, which is asked only for a good one."""

    checked: receipts.Checked
    on_record: OnRecord | None
    decision: Decision | None = None


async def give(store: LogStore, keys: SigningKeys, utility: str, report_id: UUID) -> tuple[str, bytes]:
    """The receipt of a report and the hash of its leaf.

    404 where there is none, and a problem rather than a receipt for a row that was altered.
    """
    row = await store.report(utility, report_id)
    if row is None:
        raise not_found("report")
    leaf = sound_leaf_hash(utility, row)
    return keys.sign(receipts.TYPE, receipts.canonical(utility, row, leaf)), leaf


async def check(store: LogStore, keys: SigningKeys, token: str) -> Found:
    """Whether a receipt is good, and whether what it says is still the record here."""
    checked = receipts.check(keys, token)
    if checked.content is None:
        return Found(checked=checked, on_record=None)
    report = checked.content.report
    row = await store.report(report.utility, report.id)
    if row is None:
        return Found(checked=checked, on_record="not_here")
    if base64url(leaf_hash(report.utility, row)) != checked.content.leaf_hash:
        return Found(checked=checked, on_record="differs")
    on_record: OnRecord = "void" if row.void else "superseded" if row.superseded else "as_signed"
    return Found(checked=checked, on_record=on_record, decision=row.decision)
