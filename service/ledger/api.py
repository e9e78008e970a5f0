"""The logs of a utility, of its reports and of its facts: signed tree heads to keep, and proofs to check against them (RFC 9162)."""

import datetime as dt
from typing import Annotated, Any, Literal
from uuid import UUID

from msgspec import Meta, Struct

from service.http.endpoint import Answer, Call, operation
from service.http.media_types import JOSE, JSON
from service.http.paging import Limit, page, page_of
from service.ledger import tree as records
from service.ledger.store import HeadRow, LogStore
from service.ledger.tree import Consistency, Inclusion
from service.signing import base64url

BASE = "/v1/utilities/{utility:str}/log"
Size = Annotated[int, Meta(ge=1, le=2**62)]
Log = Literal["reports", "facts"]


class TreeHead(Struct, frozen=True, kw_only=True):
    """A tree head: `head` is the compact JWS to keep, the rest is what it says. `root` is base64url."""

    head: str
    """The signed tree head as a compact JWS; keep this."""
    utility: str
    """The utility whose log it is."""
    log: Log
    """Which of its two logs."""
    size: int
    """How many reports, or facts, the log held."""
    root: str
    """The root hash of the Merkle tree over them, base64url."""
    time: dt.datetime
    """When the head was signed."""


class LogQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which log."""

    log: Log = "reports"
    """The log of reports, or that of facts."""


class HeadQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Heads of more than that many reports, or facts."""

    log: Log = "reports"
    """The log of reports, or that of facts."""
    after: Annotated[int, Meta(ge=-1, le=2**62)] = -1
    """Heads of logs with more reports, or facts, than this."""
    limit: Limit = 100


class InclusionQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which report, in the log of which size; in the log as it is where none is given."""

    report_id: UUID
    """The report to prove."""
    size: Size | None = None
    """The size of the log to prove it in; without it, the log as it is now."""


class ConsistencyQuery(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """From the log of which size to that of which; to the log as it is where none is given."""

    log: Log = "reports"
    """The log of reports, or that of facts."""
    first: Size
    """The size of the earlier log, in reports or facts."""
    second: Size | None = None
    """The size of the later log; without it, the log as it is now."""


def _tree_head(utility: str, log: Log, row: HeadRow) -> TreeHead:
    return TreeHead(head=row.signed, utility=utility, log=log, size=row.size, root=base64url(row.root), time=row.made_at)


def _store(call: Call, log: Log) -> LogStore:
    return call.services.log if log == "reports" else call.services.facts


@operation(
    "GET",
    BASE + "/head",
    id="readTreeHead",
    summary="Read the signed tree head",
    answers={200: TreeHead},
    tag="log",
    right="read",
    media_types={200: (JSON, JOSE)},
)
async def head(call: Call, query: LogQuery) -> Answer:
    """Sign the log as it is, or give the head kept where nothing was recorded since; bare where `Accept` asks for it.

    Keep it, to prove later what the log contained. Facts are all else that is recorded: registrations, decisions, incidents and so on.
    """
    row = await records.head(_store(call, query.log), call.services.keys.keys(), call.utility, now=call.clock.now())
    vary = {"Vary": "Accept"}
    if call.prefers(JOSE):
        return Answer(body=row.signed.encode(), media_type=JOSE, headers=vary)
    return Answer(body=_tree_head(call.utility, query.log, row), headers=vary)


@operation(
    "GET",
    BASE + "/heads",
    id="listTreeHeads",
    summary="List signed tree heads",
    answers={200: page_of(TreeHead)},
    tag="log",
    right="read",
)
async def heads(call: Call, query: HeadQuery) -> Answer:
    """List the heads kept, the smallest first."""
    found = await _store(call, query.log).heads(call.utility, after=query.after, limit=query.limit + 1)
    return page(call, [_tree_head(call.utility, query.log, row) for row in found], query.limit, lambda item: str(item.size))


@operation(
    "GET",
    BASE + "/inclusion",
    id="proveInclusion",
    summary="Prove that a report is in the log",
    answers={200: Inclusion},
    tag="log",
    right="read",
)
async def inclusion(call: Call, query: InclusionQuery) -> Answer:
    """Prove a report to be in the log."""
    return Answer(body=await records.inclusion(call.services.log, call.utility, query.report_id, query.size))


@operation(
    "GET",
    BASE + "/consistency",
    id="proveConsistency",
    summary="Prove that the log only grew",
    answers={200: Consistency},
    tag="log",
    right="read",
)
async def consistency(call: Call, query: ConsistencyQuery) -> Answer:
    """Prove the log of one size to begin the log of another."""
    return Answer(body=await records.consistency(_store(call, query.log), call.utility, query.first, query.second))


operations: list[Any] = [head, heads, inclusion, consistency]
