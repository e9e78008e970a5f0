"""Receipts: what a report said, what it was judged on and what the verdict was, signed, so that anyone can check it anywhere.

A receipt is a compact JWS over canonical JSON (RFC 8785). Its times are the record's own (when the test was performed, when the report
was received and judged), and the signature is deterministic: the same report and key give the same receipt, whenever it is asked for.
It holds the report's leaf hash too, which binds it to its place in the utility's log.
"""

from typing import Any, Final

import msgspec
import rfc8785
from msgspec import UNSET, Struct, UnsetType

import rules
from rules.inspection import InspectedAssembly, InspectionVerdict
from service.ledger.store import LoggedRow
from service.record.inspections.schemas import InspectionReport, KeptInspection
from service.record.reports.schemas import KeptFacts, Report
from service.signing import NotGoodError, SigningKeys, base64url

TYPE: Final = "nonreturn-receipt+json"


class ReceiptContent(Struct, frozen=True, kw_only=True):
    """What a receipt holds: the report, the registered facts that it was judged on, the verdict, its rulebook's id, date and digest.

    From these the verdict can be had again: the report's readings with `assembly`, `gauge` and `tester` are the test as judged, and
    `previous` the readings of the test before it. `leaf_hash` (base64url) is the report's place in the log, by content.
    """

    report: Report
    """The report."""
    assembly: rules.TestedAssembly
    """The assembly as the report was judged on it."""
    gauge: rules.GaugeUsed | UnsetType = UNSET
    """The gauge as the report was judged on it."""
    tester: rules.CertifiedTester | UnsetType = UNSET
    """The tester as the report was judged on it."""
    previous: rules.PreviousReadings | UnsetType = UNSET
    """The readings of the test before it."""
    verdict: rules.Verdict
    """The verdict."""
    leaf_hash: str
    """The hash of the report's leaf in the log, base64url."""


class InspectionReceiptContent(Struct, frozen=True, kw_only=True):
    """What the receipt of an inspection holds: as that of a test, with what was inspected and the inspector as it was judged on them."""

    report: InspectionReport
    """The inspection."""
    assembly: InspectedAssembly
    """What was inspected, as the report was judged on it."""
    inspector: rules.CertifiedTester | UnsetType = UNSET
    """The inspector's certificate as the report was judged on it."""
    previous: rules.PreviousReadings | UnsetType = UNSET
    """How the inspection came out that this one corrects."""
    verdict: InspectionVerdict
    """The verdict."""
    leaf_hash: str
    """The hash of the report's leaf in the log, base64url."""


AnyContent = ReceiptContent | InspectionReceiptContent


class Checked(Struct, frozen=True, kw_only=True):
    """A receipt as it was found: good, with what it holds and the key that proved it, or not good, and why."""

    because: str
    kid: str | None = None
    payload: bytes = b""
    content: AnyContent | None = None

    @property
    def valid(self) -> bool:
        """Whether the signature holds."""
        return self.content is not None


def canonical(utility: str, row: LoggedRow, leaf_hash: bytes) -> bytes:
    """The content of a report's receipt, as RFC 8785 writes it."""
    kept, shape = (KeptFacts, Report) if row.gauge_id is not None else (KeptInspection, InspectionReport)
    facts = msgspec.json.decode(row.content, type=kept)
    said = {name: getattr(facts, name) for name in kept.__struct_fields__}
    report = shape(id=row.id, utility=utility, received_at=row.received_at, log_index=row.log_index, **said)
    judged = msgspec.json.decode(row.judged)
    content: dict[str, Any] = {
        "report": msgspec.to_builtins(report),
        **{name: judged[name] for name in ("assembly", "gauge", "tester", "inspector") if name in judged},
        "verdict": msgspec.json.decode(row.verdict),
        "leaf_hash": base64url(leaf_hash),
    }
    if row.previous is not None:
        content["previous"] = msgspec.json.decode(row.previous)
    return rfc8785.dumps(content)


def decode(payload: bytes) -> AnyContent:
    """What a receipt holds, of a test or of an inspection; msgspec.DecodeError where it is in no form known here."""
    try:
        return msgspec.json.decode(payload, type=ReceiptContent)
    except msgspec.ValidationError:
        return msgspec.json.decode(payload, type=InspectionReceiptContent)


def check(keys: SigningKeys, token: str) -> Checked:
    """Whether one of these keys signed this receipt; never raises, whatever the token is."""
    try:
        opened = keys.open(TYPE, token.strip())
        content = decode(opened.payload)
    except NotGoodError as error:
        return Checked(because=str(error))
    except msgspec.DecodeError:
        return Checked(because="It is signed by this service, but its content is in no form known here.")
    return Checked(
        because="Signed by this service, and not altered since.", kid=opened.kid, payload=opened.payload, content=content
    )
