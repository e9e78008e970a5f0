"""The log of a utility's reports as a Merkle tree (RFC 9162): heads that are signed and kept, and proofs against them.

Nothing of it happens while a report is recorded, but for its leaf hash. Whoever asks for a head or a proof lets the tree catch up first:
whole tiles of 256 hashes are kept, so that a head or a proof reads a few tiles, however many reports there are. Tiles and heads follow
from the reports alone, so processes that catch up at once write the same. A head is signed only where it goes on from the last one.
"""

import datetime as dt
from collections.abc import Sequence
from typing import Final
from uuid import UUID

import rfc8785
from msgspec import DecodeError, Struct, json

from service.ledger import merkle
from service.ledger.store import WIDTH, HeadRow, LogStore, Tile
from service.problems import ProblemError, not_found, problem
from service.record.reports.leaf import leaf, leaf_hash, sound_leaf_hash
from service.signing import NotGoodError, SigningKeys, base64url

_HEADS_AT_ONCE: Final = 32
_BEYOND: Final = 2**62
_TILES_AT_ONCE: Final = 64
_BITS: Final = WIDTH.bit_length() - 1
_HASH: Final = 32


class HeadContent(Struct, frozen=True, kw_only=True):
    """What a signed head says: at that time the log held so many reports, under that root (base64url)."""

    utility: str
    size: int
    root: str
    time: dt.datetime


class Inclusion(Struct, frozen=True, kw_only=True):
    """Proof that a report is in the log of `size` reports under `root`: RFC 9162, section 2.1.3. Hashes are base64url.

    `leaf` is the report's leaf to the byte, whose hash, with a zero byte before it, is `leaf_hash`.
    """

    utility: str
    """The utility whose log it is."""
    report_id: UUID
    log_index: int
    """The report's place in the log, counted from 0."""
    size: int
    """The size of the log, in reports."""
    root: str
    """Its root hash, base64url."""
    leaf: str
    """The report's leaf, byte for byte, base64url."""
    leaf_hash: str
    """The leaf's hash, base64url."""
    path: list[str]
    """The proof: hashes, base64url (RFC 9162, 2.1.3)."""


class Consistency(Struct, frozen=True, kw_only=True):
    """Proof that the log of `second` reports begins with that of `first`: RFC 9162, section 2.1.4. Hashes are base64url."""

    utility: str
    """The utility whose log it is."""
    first: int
    """The size of the earlier log, in reports."""
    first_root: str
    """Its root hash, base64url."""
    second: int
    """The size of the later log."""
    second_root: str
    """Its root hash, base64url."""
    path: list[str]
    """The proof: hashes, base64url (RFC 9162, 2.1.4)."""


async def head(store: LogStore, keys: SigningKeys, utility: str, *, now: dt.datetime) -> HeadRow:
    """The signed head of the log as it is; the one kept, where nothing was recorded since. ProblemError where it was altered."""
    # The last head is read before the size: read after it, one that another has just made would be of more leaves than were counted here.
    last = await _last_signed(store, keys, utility)
    size = await grow(store, utility)
    tree = _Tree(store, utility, size)
    if last is not None and (last.size > size or await tree.root(0, last.size) != last.root):
        raise altered(f"it does not extend its head of {last.size} {store.noun}")
    if last is not None and await store.nothing_since(utility, last, size):
        return last
    root = await tree.root(0, size)
    content = HeadContent(utility=utility, size=size, root=base64url(root), time=now)
    signed = keys.sign(store.head_type, rfc8785.dumps(json.decode(json.encode(content))))
    tail = await _hashes(store, utility, size // WIDTH * WIDTH, size)
    made = HeadRow(size=size, root=root, made_at=now, tail=b"".join(tail), signed=signed)
    kept = await store.keep_head(utility, made)
    # A head of this size that nobody here signed is left where it is, for the audit to name; the log goes on without it.
    return kept if is_signed(store, keys, kept) else made


async def _last_signed(store: LogStore, keys: SigningKeys, utility: str) -> HeadRow | None:
    """The largest head whose signature holds; what else is kept as a head is not trusted."""
    before = _BEYOND
    while rows := await store.heads_before(utility, before, _HEADS_AT_ONCE):
        for row in rows:
            if is_signed(store, keys, row):
                return row
        before = rows[-1].size
    return None


def is_signed(store: LogStore, keys: SigningKeys, row: HeadRow) -> bool:
    """Whether a kept head is one of ours, and says what it was signed for."""
    try:
        content = json.decode(keys.open(store.head_type, row.signed).payload, type=HeadContent)
    except (NotGoodError, DecodeError):
        return False
    return (content.size, content.root) == (row.size, base64url(row.root))


async def inclusion(store: LogStore, utility: str, report_id: UUID, size: int | None) -> Inclusion:
    """Proof that a report is in the log of that size, or in the log as it is; 404 where there is no such report."""
    row = await store.report(utility, report_id)
    if row is None:
        raise not_found("report")
    own = sound_leaf_hash(utility, row)
    size = _known_size("size", size, whole := await grow(store, utility))
    if row.log_index >= size:
        raise problem("report_recorded_later", parameter="size", log_index=row.log_index)
    tree = _Tree(store, utility, whole)
    root = await tree.root(0, size)
    path = [await tree.root(*item) for item in merkle.inclusion_ranges(row.log_index, size)]
    if not merkle.included(own, row.log_index, size, path, root):
        raise altered("the report's row does not match the log's tree")
    return Inclusion(
        utility=utility,
        report_id=report_id,
        log_index=row.log_index,
        size=size,
        root=base64url(root),
        leaf=leaf(utility, row).decode(),
        leaf_hash=base64url(own),
        path=[base64url(item) for item in path],
    )


async def consistency(store: LogStore, utility: str, first: int, second: int | None) -> Consistency:
    """Proof that the log of `second` reports, or the log as it is, begins with that of `first`."""
    second = _known_size("second", second, whole := await grow(store, utility))
    if first > second:
        raise problem("sizes_in_wrong_order", parameter="first", first=first, second=second)
    tree = _Tree(store, utility, whole)
    path = [await tree.root(*item) for item in merkle.consistency_ranges(first, second)]
    return Consistency(
        utility=utility,
        first=first,
        first_root=base64url(await tree.root(0, first)),
        second=second,
        second_root=base64url(await tree.root(0, second)),
        path=[base64url(item) for item in path],
    )


async def grow(store: LogStore, utility: str) -> int:
    """Let the kept tiles catch up with the reports; how many reports there are."""
    size = await store.size(utility)
    kept, whole, level = await store.tiles(utility, 0), size // WIDTH, 0
    while kept < whole:
        until = min(kept + _TILES_AT_ONCE, whole)
        hashes = await _hashes(store, utility, kept * WIDTH, until * WIDTH)
        await store.keep_tiles(utility, _tiled(0, kept, hashes))
        kept = until
    while (whole := kept // WIDTH) > 0:
        level, below = level + 1, level
        kept = await store.tiles(utility, level)
        while kept < whole:
            roots = await store.tile_roots(utility, below, kept * WIDTH, (kept + 1) * WIDTH)
            if len(roots) != WIDTH:
                raise altered(f"stored hashes of its tree are missing at level {below}")
            await store.keep_tiles(utility, _tiled(level, kept, roots))
            kept += 1
    return size


def _tiled(level: int, number: int, hashes: Sequence[bytes]) -> list[Tile]:
    """Whole tiles of those hashes, numbered on from `number`."""
    parts = [hashes[at : at + WIDTH] for at in range(0, len(hashes), WIDTH)]
    return [Tile(level=level, number=number + n, hashes=b"".join(part), root=merkle.root(part)) for n, part in enumerate(parts)]


async def _hashes(store: LogStore, utility: str, start: int, end: int) -> list[bytes]:
    """The leaf hashes of a range of reports, worked out for rows from before they were kept; ProblemError where a row is missing."""
    found = await store.leaf_hashes(utility, start, end)
    if list(found) != list(range(start, end)):
        raise altered(f"a report from log index {start} to {end - 1} is missing")
    if None in found.values():
        rows = {row.log_index: row for row in await store.reports(utility, start, end)}
        found = {index: kept or leaf_hash(utility, rows[index]) for index, kept in found.items()}
    return [value for value in found.values() if value is not None]


class _Tree:
    """The roots of ranges of a log, from its tiles and, beyond the last whole one, from the reports; what was read is remembered."""

    def __init__(self, store: LogStore, utility: str, size: int) -> None:
        self._store = store
        self._utility = utility
        self._size = size
        self._read: dict[tuple[int, int], list[bytes]] = {}

    async def root(self, start: int, end: int) -> bytes:
        """The root over the leaves from `start` up to `end`, a range as the tree parts itself."""
        width = end - start
        if width == 0:
            return merkle.EMPTY
        if width & (width - 1) == 0:
            return await self._subtree(start, width.bit_length() - 1)
        at = start + merkle.split(width)
        return merkle.node_hash(await self.root(start, at), await self.root(at, end))

    async def _subtree(self, start: int, height: int) -> bytes:
        """The root of a whole subtree of 2^height leaves: over a run of the hashes of one tile."""
        level, within = divmod(height, _BITS)
        number, offset = divmod(start >> (level * _BITS), WIDTH)
        run = 1 << within
        entries = self._read.get((level, number))
        if entries is None:
            entries = self._read[level, number] = await self._entries(level, number)
        return merkle.root(entries[offset : offset + run])

    async def _entries(self, level: int, number: int) -> list[bytes]:
        """The hashes of a tile; of one that is not whole yet, those that there are."""
        tile = await self._store.tile(self._utility, level, number)
        if tile is not None:
            return [tile.hashes[at : at + _HASH] for at in range(0, len(tile.hashes), _HASH)]
        start = number * WIDTH
        count = min(WIDTH, (self._size >> (level * _BITS)) - start)
        if level == 0:
            return await _hashes(self._store, self._utility, start, start + count)
        roots = await self._store.tile_roots(self._utility, level - 1, start, start + count)
        if len(roots) != count:
            raise altered(f"stored hashes of its tree are missing at level {level - 1}")
        return roots


def _known_size(member: str, asked: int | None, size: int) -> int:
    if asked is not None and asked > size:
        raise problem("log_too_small", parameter=member, size=size)
    return size if asked is None else asked


def altered(error: str) -> ProblemError:
    """The problem of a log that does not match what is kept of it."""
    return problem("log_altered", error=error)
