"""Opening a report's page: by the mark on the paper, or by a receipt that somebody holds.

A mark is the report's id and the first 16 bytes of its leaf hash. The hash binds every column of the report's row, so nobody can make
up a mark for a report that is not here, and a row that was altered after the paper was printed no longer fits the mark.
"""

import datetime as dt
import hmac
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import Struct

import rules
from service.ledger.store import LoggedRow, LogStore
from service.problems import problem
from service.receipts import token as receipts
from service.receipts.store import SheetFacts, SheetStore
from service.receipts.token import AnyContent
from service.record.reports.leaf import leaf_hash
from service.registry.calendar import today
from service.registry.store import RegistryStore
from service.signing import SigningKeys, base64url

MARK_BYTES = 16

State = Literal["genuine", "superseded", "void", "altered", "unknown", "not_here", "forged", "no_receipt"]
"""How a page's report stands: as recorded; corrected since; voided since; its row changed in the database; no such mark.

Signed by us but not in this
record; not signed by us at all; no receipt at all."""


class Opened(Struct, frozen=True, kw_only=True):
    """What there is to show; `because` says of a receipt why it is taken or not, `kid` by which key it was signed."""

    state: State
    because: str = ""
    kid: str | None = None
    content: AnyContent | None = None
    facts: SheetFacts | None = None
    standing: rules.Standing | None = None
    utility: str = ""
    mark: str = ""
    corrected_by: str | None = None
    """The mark of the report that corrects this one."""


def mark_of(report_id: UUID, leaf: bytes) -> str:
    """The mark of a report, as addresses and codes carry it."""
    return f"{report_id}.{base64url(leaf[:MARK_BYTES])}"


class SheetRecords:
    """What pages are made from."""

    def __init__(self, log: LogStore, sheets: SheetStore, registry: RegistryStore, keys: SigningKeys) -> None:
        self._log = log
        self._sheets = sheets
        self._registry = registry
        self._keys = keys

    async def by_mark(self, utility: str, mark: str, now: dt.datetime) -> Opened:
        """The report of a mark; `unknown` and `altered` are reported, without anything of the report."""
        written, _, code = mark.partition(".")
        try:
            report_id = UUID(written)
        except ValueError:
            return Opened(state="unknown")
        row = await self._log.report(utility, report_id)
        if row is None or row.leaf_hash is None:
            return Opened(state="unknown")
        if not hmac.compare_digest(base64url(row.leaf_hash[:MARK_BYTES]).encode(), code.encode()):
            return Opened(state="unknown")
        if leaf_hash(utility, row) != row.leaf_hash:
            return Opened(state="altered")
        return await self._found(utility, row, row.leaf_hash, now, kid=self._keys.current)

    async def by_receipt(self, token: str, now: dt.datetime) -> Opened:
        """What a receipt says, and whether it is still the record here."""
        checked = receipts.check(self._keys, token)
        if checked.content is None:
            return Opened(state="forged", because=checked.because)
        content = checked.content
        utility = content.report.utility
        row = await self._log.report(utility, content.report.id)
        if row is None:
            return Opened(state="not_here", because=checked.because, kid=checked.kid, content=content, utility=utility)
        leaf = leaf_hash(utility, row)
        if base64url(leaf) != content.leaf_hash:
            return Opened(state="altered", because=checked.because, kid=checked.kid, content=content, utility=utility)
        return await self._found(utility, row, leaf, now, kid=checked.kid, because=checked.because)

    async def _found(
        self, utility: str, row: LoggedRow, leaf: bytes, now: dt.datetime, *, kid: str | None, because: str = ""
    ) -> Opened:
        facts = await self._sheets.facts(utility, row.id)
        standing, corrected_by = None, None
        if facts is not None and facts.basis is not None:
            known = await self._registry.utility(utility)
            kept = msgspec.json.decode(facts.basis, type=rules.Standing)
            standing = rules.standing_on(kept, today(known, now), known.due_soon_days)
        if facts is not None and facts.superseded_by is not None:
            later = await self._log.report(utility, facts.superseded_by)
            corrected_by = None if later is None or later.leaf_hash is None else mark_of(later.id, later.leaf_hash)
        return Opened(
            state="void" if row.void else "superseded" if row.superseded else "genuine",
            because=because,
            kid=kid,
            content=receipts.decode(receipts.canonical(utility, row, leaf)),
            facts=facts,
            standing=standing,
            utility=utility,
            mark=mark_of(row.id, leaf),
            corrected_by=corrected_by,
        )

    async def receipt(self, utility: str, mark: str, now: dt.datetime) -> str:
        """The receipt behind a mark; ProblemError where there is none, or the row was altered."""
        opened = await self.by_mark(utility, mark, now)
        if opened.content is None:
            raise problem("mark_not_found")
        row = await self._log.report(utility, opened.content.report.id)
        if row is None or row.leaf_hash is None:
            raise problem("mark_not_found")
        return self._keys.sign(receipts.TYPE, receipts.canonical(utility, row, row.leaf_hash))
