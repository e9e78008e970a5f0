"""What the log holds of a report: one leaf that binds every column of its row.

A leaf is canonical JSON (RFC 8785), short enough to hand out with a proof: the long texts stand in it as their SHA-256. Its place in the
tree is the report's log index. The service hashes it as it writes the row, so that a row changed later no longer fits its own hash.
"""

import datetime as dt
import hashlib
from uuid import UUID

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from service.ledger import merkle
from service.problems import problem
from service.record.reports.rows import ReportRow


class Leaf(Struct, frozen=True, kw_only=True):
    """A report's row in short; members in the order of RFC 8785, all of them text, so that plain encoding is canonical."""

    acceptance: str
    assembly_id: UUID
    company_id: UUID | None
    content: str
    content_hash: str
    gauge_id: UUID | None
    id: UUID
    judged: str
    key_id: UUID
    organisation_id: UUID
    outcome: str
    performed_at: dt.datetime
    performed_on: dt.date
    previous: str | None
    protection: str
    reason: str
    received_at: dt.datetime
    rulebook: str
    rulebook_digest: str
    supersedes: UUID | None
    tester_id: UUID | None
    utility: str
    verdict: str


_encode = msgspec.json.Encoder().encode
Texts = tuple[bytes, bytes, bytes, bytes | None]
"""A report's content, the test as judged, the verdict and the readings before it, in UTF-8."""


def leaf(utility: str, row: ReportRow, texts: Texts | None = None) -> bytes:
    """The leaf of a report, by its row; `texts` are its long texts in UTF-8, where they are at hand."""
    content, judged, verdict, previous = texts or (
        row.content.encode(),
        row.judged.encode(),
        row.verdict.encode(),
        _utf8(row.previous),
    )
    return _encode(
        Leaf(
            acceptance=row.acceptance,
            assembly_id=row.assembly_id,
            company_id=row.company_id,
            content=_digest(content),
            content_hash=row.content_hash.hex(),
            gauge_id=row.gauge_id,
            id=row.id,
            judged=_digest(judged),
            key_id=row.key_id,
            organisation_id=row.organisation_id,
            outcome=row.outcome,
            performed_at=row.performed_at.astimezone(dt.UTC),
            performed_on=row.performed_on,
            previous=None if previous is None else _digest(previous),
            protection=row.protection,
            reason=row.reason,
            received_at=row.received_at.astimezone(dt.UTC),
            rulebook=row.rulebook,
            rulebook_digest=row.rulebook_digest,
            supersedes=row.supersedes,
            tester_id=row.tester_id,
            utility=utility,
            verdict=_digest(verdict),
        )
    )


def leaf_hash(utility: str, row: ReportRow) -> bytes:
    """The hash under which a report stands in its utility's log."""
    return merkle.leaf_hash(leaf(utility, row))


def sound_leaf_hash(utility: str, row: ReportRow) -> bytes:
    """The hash of a row's leaf; ProblemError where the row no longer fits the hash that was written with it."""
    found = leaf_hash(utility, row)
    if row.leaf_hash not in (None, found):
        raise problem("report_altered")
    return found


def hashed(utility: str, row: ReportRow, texts: Texts | None = None) -> ReportRow:
    """The row as it is written: with its leaf's hash."""
    return replace(row, leaf_hash=merkle.leaf_hash(leaf(utility, row, texts)))


def _utf8(text: str | None) -> bytes | None:
    return None if text is None else text.encode()


def _digest(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()
