"""A walk through a log, leaf by leaf, that holds the tree's tiles and the signed heads against it; of reports or of facts alike.

Who can write to the database can make all that is in it agree; the signing key is not in it, so a head that it signed is believed, and one
whose signature does not hold never is.
"""

from collections import deque
from collections.abc import AsyncIterator, Sequence
from typing import Final
from uuid import UUID

import msgspec
from msgspec import Struct

from service.ledger import merkle
from service.ledger.store import HEAD_TYPES, WIDTH, HeadRow, LogStore, Tile
from service.ledger.tree import HeadContent
from service.signing import NotGoodError, SigningKeys, base64url

AT_ONCE: Final = 512
_HASH: Final = 32
_OF_A_LEAF: Final = ("row changed", "report missing", "fact changed", "fact missing")


class Trouble(Struct, frozen=True, kw_only=True):
    """One thing that is not as it was recorded; `subject` names the row, where it is not a report."""

    log_index: int
    what: str
    detail: str
    report_id: UUID | None = None
    subject: str | None = None

    def line(self) -> str:
        """As a line."""
        of = "" if self.log_index < 0 else f"log index {self.log_index}: "
        named = f"report {self.report_id}, " if self.report_id else "" if self.subject is None else f"{self.subject}: "
        return f"{named}{of}{self.what}: {self.detail}"


class Walk:
    """One walk through a log, in the order of recording; `troubles` are what it found."""

    def __init__(self, store: LogStore, keys: SigningKeys, utility: str, size: int) -> None:
        self._store = store
        self._keys = keys
        self._utility = utility
        self._size = size
        self._noun = store.noun
        self._changed = "row changed" if store.noun == "reports" else "fact changed"
        self._tree = merkle.Frontier()
        self._tail: deque[tuple[int, bytes, UUID | None]] = deque(maxlen=WIDTH)
        self._heads = self._heads_in_order()
        self._next: HeadRow | None = None
        self._kept: dict[int, dict[str, str]] = {}
        self._good_until = self._signed_until = 0
        self._heads_reported = False
        self._tile: Tile | None = None
        self._levels: list[list[bytes]] = []
        self.heads = 0
        self.troubles: list[Trouble] = []

    def _of_the_other_log(self, token: str) -> bool:
        """Whether a token is a good head of another log than the one walked through."""
        for head_type in HEAD_TYPES:
            try:
                self._keys.open(head_type, token)
            except NotGoodError:
                continue
            return True
        return False

    async def take_leaf(self, index: int, own: bytes, report_id: UUID | None = None) -> None:
        """The next leaf's hash; the tiles and heads that end with it are checked."""
        self._tree.append(own)
        self._tail.append((index, own, report_id))
        if self._tree.size % WIDTH == 0:
            await self._check_tiles()
        await self.check_heads()

    async def check_end(self) -> None:
        """Heads and tiles beyond the log's end."""
        while self._next is not None:
            if self._next.size > await self._store.size(self._utility):
                said = f"A head was signed of {self._next.size} {self._noun}; there are {self._size}."
                self.report(f"{self._noun} removed", said)
            self._next = await anext(self._heads, None)
        for level, number in await self._store.stray_tiles(self._utility):
            self.report("tile added", f"Tile {number} of level {level} is beyond the log's end.")

    def report(self, what: str, detail: str, index: int = -1, report_id: UUID | None = None, subject: str | None = None) -> None:
        """Note one thing that is not as it was recorded."""
        self.troubles.append(Trouble(log_index=index, what=what, detail=detail, report_id=report_id, subject=subject))

    async def take_in_kept(self, kept: Sequence[str]) -> None:
        """Note what heads kept elsewhere say of this utility; those of others are not ours to judge here."""
        for token in kept:
            try:
                head = msgspec.json.decode(self._keys.open(self._store.head_type, token).payload, type=HeadContent)
            except (NotGoodError, msgspec.DecodeError) as error:
                if not self._of_the_other_log(token):
                    self.report("kept head not good", f"{token[:20]}…: {error}")
                continue
            if head.utility == self._utility:
                self._kept.setdefault(head.size, {})[token] = head.root
                if head.size > self._size:
                    self.report(
                        f"{self._noun} removed", f"A kept head covers {head.size} {self._noun}; the log has {self._size}."
                    )
        last = await self._store.last_head(self._utility)
        self._signed_until = max([0 if last is None else last.size, *self._kept])
        self._next = await anext(self._heads, None)
        await self.check_heads()

    async def sealed(self, index: int) -> bytes | None:
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
                    self.report("tile missing", f"Of the tree's tiles, number {number} of level {level - 1} is missing.")
                return
            if merkle.root([tile.hashes[at : at + _HASH] for at in range(0, len(tile.hashes), _HASH)]) != tile.root:
                self.report("tile changed", f"The root of tile {number} of level {tile.level} is not that of its hashes.")
            if len(self._levels) < level:
                self._levels.append([])
            below = self._levels[level - 1]
            below.append(tile.root)
            if len(below) < WIDTH:
                return
            number //= WIDTH
            tile = await self._store.tile(self._utility, level, number)
            if tile is not None and tile.hashes != b"".join(below):
                self.report("tile changed", f"Tile {number} of level {level} does not hold the roots of the tiles below it.")
            below.clear()

    async def _heads_in_order(self) -> AsyncIterator[HeadRow]:
        after = -1
        while rows := await self._store.heads(self._utility, after=after, limit=AT_ONCE):
            for row in rows:
                yield row
            after = rows[-1].size

    async def check_heads(self) -> None:
        """The heads of the size that the walk has come to, kept here and kept elsewhere."""
        size = self._tree.size
        for token, root in self._kept.pop(size, {}).items():
            if self._next is None or self._next.signed != token:
                self.report("head missing", f"A kept head of {size} {self._noun} was signed here, and is not kept here any more.")
            if root != base64url(self._tree.root()):
                self.report(
                    "kept head differs",
                    f"The log of {size} {self._noun} is not the one that a kept head was signed for{self._since()}.",
                )
            else:
                self._good_until = size
        while self._next is not None and self._next.size <= size:
            if self._next.size == size:
                self._check_head(self._next)
            self.heads += 1
            self._next = await anext(self._heads, None)

    def _check_head(self, head: HeadRow) -> None:
        # A head whose signature does not hold is compared, and never trusted: whoever altered the log could have written it.
        signed = False
        try:
            said = msgspec.json.decode(self._keys.open(self._store.head_type, head.signed).payload, type=HeadContent)
            if said != HeadContent(utility=self._utility, size=head.size, root=base64url(head.root), time=head.made_at):
                self.report("head changed", f"The head of {head.size} {self._noun} does not say what was signed.")
            else:
                signed = True
        except (NotGoodError, msgspec.DecodeError) as error:
            self.report("head not good", f"The head of {head.size} {self._noun}: {error}")
        start = head.size // WIDTH * WIDTH
        for index, own, report_id in self._tail:
            at = (index - start) * _HASH
            if index >= start and head.tail[at : at + _HASH] != own and not self._reported(index):
                self.report(
                    self._changed, f"It does not fit the hash kept with the head of {head.size} {self._noun}.", index, report_id
                )
        if head.root == self._tree.root():
            self._good_until = head.size if signed else self._good_until
        elif not self._heads_reported:
            # All later heads differ for the same reason.
            self._heads_reported = True
            self.report(
                "head differs",
                f"The log of {head.size} {self._noun} is not the one that was signed at {head.made_at}{self._since()}.",
            )

    def _reported(self, index: int) -> bool:
        return any(
            trouble.log_index == index and trouble.what in ("row changed", "report missing", "fact missing")
            for trouble in self.troubles
        )

    def _since(self) -> str:
        return f"; what differs stands at log index {self._good_until} or later" if self._good_until else ""
