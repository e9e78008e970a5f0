"""The audit of a utility's log: everything worked out again from the rows, and held against all that was kept of it.

Each row is hashed again and held against the hash written with it, the tree's tiles, the signed heads here, and heads that somebody kept
elsewhere. Who can write to the database can make all that is in it agree; the signing key is not in it, so a head kept elsewhere still
states. The audit changes nothing. It names each report that it finds, with what is wrong about it.

A clock that was set right looks like reports made to seem older: from some report on, all were received earlier than the one before. It
is reported once, where it began. Below a signed head that fits, the times are what they were when it was signed, so there it is a note.
"""

import datetime as dt
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Final
from uuid import UUID

import msgspec
from msgspec import UNSET, Struct

from rules.inspection import InspectionVerdict
from service.ledger import merkle
from service.ledger.store import WIDTH, HeadRow, LoggedRow, LogStore, Tile
from service.ledger.tree import TYPE, HeadContent
from service.record.inspections.schemas import KeptInspection
from service.record.reports.judging import content_hash
from service.record.reports.leaf import leaf_hash
from service.record.reports.schemas import KeptFacts
from service.signing import NotGoodError, SigningKeys, base64url

TOLERANCE: Final = dt.timedelta(minutes=5)
"""How far a report may have been received before the one recorded just before it: they are numbered when written, not when received."""
_AT_ONCE: Final = 512
_HASH: Final = 32


class Trouble(Struct, frozen=True, kw_only=True):
    """One thing that is not as it was recorded."""

    log_index: int
    what: str
    detail: str
    report_id: UUID | None = None

    def line(self) -> str:
        """As a line."""
        of = "" if self.log_index < 0 else f"log index {self.log_index}: "
        return f"{f'report {self.report_id}, ' if self.report_id else ''}{of}{self.what}: {self.detail}"


class Audited(Struct, frozen=True, kw_only=True):
    """How much was looked at, and what was found."""

    reports: int
    heads: int
    troubles: list[Trouble]
    notes: list[Trouble] = []


class _Verdict(Struct, frozen=True, kw_only=True):
    """What of a verdict stands in columns too."""

    class _Phase(Struct, frozen=True, kw_only=True):
        outcome: str
        protection: str
        mechanical_protection: str | None = None
        acts_as: str | None = None

        @property
        def mechanical(self) -> str:
            """Verdicts from before the hazard counted say it as their protection."""
            return self.mechanical_protection or self.protection

    class _Rulebook(Struct, frozen=True, kw_only=True):
        id: str
        digest: str

    outcome: str
    acceptance: str
    initial: _Phase
    final: _Phase | None
    rulebook: _Rulebook


async def audit(
    store: LogStore, keys: SigningKeys, utility: str, kept: Sequence[str], progress: Callable[[int, int], None]
) -> Audited:
    """Hold a utility's log against all that was kept of it, and against the signed heads in `kept`; `progress` hears how far it is."""
    size = await store.size(utility)
    found = _Audit(store, keys, utility, size)
    await found.take_in_kept(kept)
    for start in range(0, size, _AT_ONCE):
        end = min(start + _AT_ONCE, size)
        rows = {row.log_index: row for row in await store.reports(utility, start, end + 1)}
        for index in range(start, end):
            await found.take_in(index, rows.get(index), rows.get(index + 1))
        progress(end, size)
    await found.check_heads()
    await found.check_counts()
    return Audited(
        reports=size,
        heads=found.heads,
        troubles=sorted([*found.troubles, *found.steps(signed=False)], key=lambda item: (item.log_index, item.what, item.detail)),
        notes=found.steps(signed=True),
    )


class _Audit:
    """One walk through a log, report by report in the order of recording."""

    def __init__(self, store: LogStore, keys: SigningKeys, utility: str, size: int) -> None:
        self._store = store
        self._keys = keys
        self._utility = utility
        self._size = size
        self._tree = merkle.Frontier()
        self._tail: deque[tuple[int, bytes, UUID | None]] = deque(maxlen=WIDTH)
        self._heads = self._heads_in_order()
        self._next: HeadRow | None = None
        self._kept: dict[int, dict[str, str]] = {}
        self._good_until = self._signed_until = 0
        self._heads_reported = False
        self._tile: Tile | None = None
        self._levels: list[list[bytes]] = []
        self._latest: dt.datetime | None = None
        self._steps: list[Trouble] = []
        self.heads = 0
        self.troubles: list[Trouble] = []

    def _report(self, what: str, detail: str, index: int = -1, report_id: UUID | None = None) -> None:
        self.troubles.append(Trouble(log_index=index, what=what, detail=detail, report_id=report_id))

    async def take_in_kept(self, kept: Sequence[str]) -> None:
        """Note what heads kept elsewhere say of this utility; those of others are not ours to judge here."""
        for token in kept:
            try:
                head = msgspec.json.decode(self._keys.open(TYPE, token).payload, type=HeadContent)
            except (NotGoodError, msgspec.DecodeError) as error:
                self._report("kept head not good", f"{token[:20]}…: {error}")
                continue
            if head.utility == self._utility:
                self._kept.setdefault(head.size, {})[token] = head.root
                if head.size > self._size:
                    self._report("reports removed", f"A kept head covers {head.size} reports; the log has {self._size}.")
        last = await self._store.last_head(self._utility)
        self._signed_until = max([0 if last is None else last.size, *self._kept])
        self._next = await anext(self._heads, None)
        await self.check_heads()

    async def take_in(self, index: int, row: LoggedRow | None, following: LoggedRow | None) -> None:
        """The next report, or the gap where it should be."""
        sealed = await self._sealed(index)
        if row is None:
            self._report("report missing", "No report has that place in the log.", index)
            # The tree goes on with what was kept, so that one gap is reported once.
            own, report_id = sealed or merkle.EMPTY, None
        else:
            own, report_id = leaf_hash(self._utility, row), row.id
            wrong = list(disagreements(row))
            if row.leaf_hash not in (None, own):
                self._report("row changed", "It does not fit the hash that was written with it" + _named(wrong), index, row.id)
            elif sealed not in (None, own):
                self._report("row changed", "It does not fit the hash that the log's tree took in" + _named(wrong), index, row.id)
            elif wrong:
                self._report("row changed", "Its columns do not fit what it says" + _named(wrong), index, row.id)
            self._check_time(row, following)
        self._tree.append(own)
        self._tail.append((index, own, report_id))
        if self._tree.size % WIDTH == 0:
            await self._check_tiles()
        await self.check_heads()

    def _check_time(self, row: LoggedRow, following: LoggedRow | None) -> None:
        """Reports are received in the order of their places in the log, but for what waits a little."""
        latest = self._latest
        if (
            latest is not None
            and following is not None
            and row.received_at < latest - TOLERANCE
            and row.received_at - TOLERANCE <= following.received_at < latest - TOLERANCE
        ):
            said = (
                f"Received at {row.received_at}, and so on from there; before it, at {latest}. "
                "The service's clock was set back, or these were back-dated."
            )
            self._steps.append(Trouble(log_index=row.log_index, what="clock set back", detail=said, report_id=row.id))
            self._latest = row.received_at
        elif latest is not None and row.received_at < latest - TOLERANCE:
            self._report(
                "out of order", f"Received at {row.received_at}, the one recorded before it at {latest}.", row.log_index, row.id
            )
        elif (
            following is not None
            and row.received_at > following.received_at + TOLERANCE
            and (latest is None or following.received_at >= latest - TOLERANCE)
        ):
            said = f"Received at {row.received_at}, the one recorded after it at {following.received_at}."
            self._report("out of order", said, row.log_index, row.id)
        elif latest is None or row.received_at > latest:
            self._latest = row.received_at

    async def _sealed(self, index: int) -> bytes | None:
        """The leaf hash that the tree took in; None where it has not got so far."""
        number, at = divmod(index, WIDTH)
        if at == 0:
            self._tile = await self._store.tile(self._utility, 0, number)
        return None if self._tile is None else self._tile.hashes[at * _HASH : (at + 1) * _HASH]

    async def _check_tiles(self) -> None:
        """The tiles that end here: each root over its own hashes, each hash the root of the tile below. A leaf was compared by itself."""
        number, tile = self._tree.size // WIDTH - 1, self._tile
        for level in range(1, 8):
            if tile is None:
                if self._tree.size <= self._signed_until:
                    self._report("tile missing", f"Of the tree's tiles, number {number} of level {level - 1} is missing.")
                return
            if merkle.root([tile.hashes[at : at + _HASH] for at in range(0, len(tile.hashes), _HASH)]) != tile.root:
                self._report("tile changed", f"The root of tile {number} of level {tile.level} is not that of its hashes.")
            if len(self._levels) < level:
                self._levels.append([])
            below = self._levels[level - 1]
            below.append(tile.root)
            if len(below) < WIDTH:
                return
            number //= WIDTH
            tile = await self._store.tile(self._utility, level, number)
            if tile is not None and tile.hashes != b"".join(below):
                self._report("tile changed", f"Tile {number} of level {level} does not hold the roots of the tiles below it.")
            below.clear()

    async def _heads_in_order(self) -> AsyncIterator[HeadRow]:
        after = -1
        while rows := await self._store.heads(self._utility, after=after, limit=_AT_ONCE):
            for row in rows:
                yield row
            after = rows[-1].size

    async def check_heads(self) -> None:
        """The heads of the size that the walk has come to, kept here and kept elsewhere."""
        size = self._tree.size
        for token, root in self._kept.pop(size, {}).items():
            if self._next is None or self._next.signed != token:
                self._report("head missing", f"A kept head of {size} reports was signed here, and is not kept here any more.")
            if root != base64url(self._tree.root()):
                self._report(
                    "kept head differs",
                    f"The log of {size} reports is not the one that a kept head was signed for{self._since()}.",
                )
            else:
                self._good_until = size
        while self._next is not None and self._next.size <= size:
            if self._next.size == size:
                self._check_head(self._next)
            self.heads += 1
            self._next = await anext(self._heads, None)

    def _check_head(self, head: HeadRow) -> None:
        try:
            said = msgspec.json.decode(self._keys.open(TYPE, head.signed).payload, type=HeadContent)
            if said != HeadContent(utility=self._utility, size=head.size, root=base64url(head.root), time=head.made_at):
                self._report("head changed", f"The head of {head.size} reports does not say what was signed.")
        except (NotGoodError, msgspec.DecodeError) as error:
            self._report("head not good", f"The head of {head.size} reports: {error}")
        start = head.size // WIDTH * WIDTH
        for index, own, report_id in self._tail:
            at = (index - start) * _HASH
            if index >= start and head.tail[at : at + _HASH] != own and not self._reported(index):
                self._report(
                    "row changed", f"It does not fit the hash kept with the head of {head.size} reports.", index, report_id
                )
        if head.root == self._tree.root():
            self._good_until = head.size
        elif not self._heads_reported:
            # All later heads differ for the same reason.
            self._heads_reported = True
            self._report(
                "head differs", f"The log of {head.size} reports is not the one that was signed at {head.made_at}{self._since()}."
            )

    def _reported(self, index: int) -> bool:
        return any(trouble.log_index == index and trouble.what in ("row changed", "report missing") for trouble in self.troubles)

    def _since(self) -> str:
        return f"; what differs stands at log index {self._good_until} or later" if self._good_until else ""

    def steps(self, *, signed: bool) -> list[Trouble]:
        """Where the clock was set back: below a signed head that fits, or where nothing is signed yet."""
        return [step for step in self._steps if (step.log_index < self._good_until) is signed]

    async def check_counts(self) -> None:
        """What stands beside the log: numbers beyond its count, heads beyond its end, and the change feed."""
        while self._next is not None:
            if self._next.size > await self._store.size(self._utility):
                self._report("reports removed", f"A head was signed of {self._next.size} reports; there are {self._size}.")
            self._next = await anext(self._heads, None)
        for report_id, index in await self._store.uncounted(self._utility):
            self._report("report added", "Its log index is beyond the number of recorded reports.", index, report_id)
        for report_id, index in await self._store.unannounced(self._utility):
            self._report("report added", "The change feed does not contain it.", index, report_id)
        for vanished in await self._store.vanished(self._utility):
            self._report("report missing", f"The change feed names report {vanished}, which is missing.")
        for report, version, there in await self._store.strayed_reviews(self._utility):
            if there:
                self._report("decision added", f"The change feed does not contain decision {version} on report {report}.")
            else:
                self._report(
                    "decision removed", f"The change feed names decision {version} on report {report}, which is missing."
                )
        for sequence in await self._store.missing_changes(self._utility):
            self._report("change missing", f"The change feed lacks number {sequence}.")


def disagreements(row: LoggedRow) -> list[str]:
    """The columns of a row that say something else than its own texts do."""
    if row.gauge_id is None:
        return _disagreements_of_inspection(row)
    try:
        facts = msgspec.json.decode(row.content, type=KeptFacts)
        verdict = msgspec.json.decode(row.verdict, type=_Verdict)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return ["content or verdict, which cannot be read"]
    last = verdict.final or verdict.initial
    failed = next((phase for phase in (last, verdict.initial) if phase.outcome == "fail"), None)
    said = {
        "assembly_id": facts.assembly_id,
        "tester_id": facts.tester_id,
        "gauge_id": facts.gauge_id,
        "performed_at": facts.performed_at,
        "reason": facts.reason,
        "supersedes": None if facts.supersedes is UNSET else facts.supersedes,
        "content_hash": content_hash(facts),
        "outcome": verdict.outcome,
        "initial_outcome": verdict.initial.outcome,
        "protection": last.protection,
        "mechanical_protection": last.mechanical,
        "failed_protection": None if failed is None else failed.mechanical,
        "acts_as": row.acts_as if failed is not None and failed.acts_as is None else failed and failed.acts_as,
        "acceptance": verdict.acceptance,
        "rulebook": verdict.rulebook.id,
        "rulebook_digest": verdict.rulebook.digest,
    }
    return [name for name, value in said.items() if getattr(row, name) != value]


def _disagreements_of_inspection(row: LoggedRow) -> list[str]:
    try:
        facts = msgspec.json.decode(row.content, type=KeptInspection)
        verdict = msgspec.json.decode(row.verdict, type=InspectionVerdict)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return ["content or verdict, which cannot be read"]
    said = {
        "assembly_id": facts.assembly_id,
        "tester_id": None if facts.tester_id is UNSET else facts.tester_id,
        "performed_at": facts.performed_at,
        "reason": facts.reason,
        "supersedes": None if facts.supersedes is UNSET else facts.supersedes,
        "content_hash": content_hash(facts),
        "outcome": verdict.outcome,
        "initial_outcome": None,
        "protection": verdict.protection,
        "mechanical_protection": verdict.mechanical_protection,
        "failed_protection": verdict.mechanical_protection if verdict.outcome == "fail" else None,
        "acts_as": verdict.acts_as,
        "acceptance": verdict.acceptance,
        "rulebook": verdict.rulebook.id,
        "rulebook_digest": verdict.rulebook.digest,
    }
    return [name for name, value in said.items() if getattr(row, name) != value]


def _named(columns: Sequence[str]) -> str:
    return f" (see {', '.join(columns)})." if columns else "."
