"""The arithmetic of a Merkle tree log: RFC 9162, section 2.1, with SHA-256. Pure: hashes in, hashes out.

A tree over n leaves is split at the largest power of two below n. What a proof holds are roots of ranges of leaves, so proofs are listed
here as ranges `(start, end)`, and whoever keeps the leaves says what the root of each is. Checking a proof needs nothing but the proof.
"""

import hashlib
from collections.abc import Sequence
from typing import Final

EMPTY: Final = hashlib.sha256(b"").digest()
"""The root of a log without leaves (section 2.1.1)."""

Range = tuple[int, int]


def leaf_hash(data: bytes) -> bytes:
    """The hash of a leaf; a prefix distinguishes leaves from nodes, so that neither can pass for the other."""
    return hashlib.sha256(b"\x00" + data).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of a node above two."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def split(size: int) -> int:
    """The largest power of two below `size`, which is at least 2: where a tree of that size is parted."""
    return 1 << ((size - 1).bit_length() - 1)


def root(hashes: Sequence[bytes]) -> bytes:
    """The root over these leaf hashes, or over the roots of whole subtrees of one size."""
    if not hashes:
        return EMPTY
    if len(hashes) == 1:
        return hashes[0]
    at = split(len(hashes))
    return node_hash(root(hashes[:at]), root(hashes[at:]))


def inclusion_ranges(index: int, size: int) -> list[Range]:
    """The ranges whose roots prove that leaf `index` is in the tree of `size` leaves, lowest first (section 2.1.3.1)."""
    if not 0 <= index < size:
        raise ValueError("There is no leaf of that index in a tree of that size.")
    start, end, found = 0, size, []
    while end - start > 1:
        at = start + split(end - start)
        if index < at:
            found.append((at, end))
            end = at
        else:
            found.append((start, at))
            start = at
    return found[::-1]


def consistency_ranges(first: int, second: int) -> list[Range]:
    """The ranges whose roots prove that the tree of `first` leaves begins the one of `second` (section 2.1.4.1)."""
    if not 0 < first <= second:
        raise ValueError("A consistency proof leads from a tree with leaves to one that is no smaller.")
    start, end, whole, found = 0, second, True, []
    while first != end:
        at = start + split(end - start)
        if first <= at:
            found.append((at, end))
            end = at
        else:
            found.append((start, at))
            start, whole = at, False
    if not whole:
        # The tree of `first` leaves is listed as a node of its own unless it is the whole left side, which the checker has already.
        found.append((start, end))
    return found[::-1]


def included(leaf: bytes, index: int, size: int, path: Sequence[bytes], root_hash: bytes) -> bool:
    """Whether a path proves a leaf's hash to stand at `index` under that root (section 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    at, last, found = index, size - 1, leaf
    for item in path:
        if last == 0:
            return False
        if at & 1 or at == last:
            found = node_hash(item, found)
            while at and not at & 1:
                at, last = at >> 1, last >> 1
        else:
            found = node_hash(found, item)
        at, last = at >> 1, last >> 1
    return last == 0 and found == root_hash


def consistent(first: int, first_root: bytes, second: int, second_root: bytes, path: Sequence[bytes]) -> bool:
    """Whether a path proves that the tree of `first` leaves begins the one of `second` (section 2.1.4.2)."""
    if not 0 < first <= second:
        return False
    if first == second:
        return not path and first_root == second_root
    # The root of a tree of a power of two leaves is not repeated in the path.
    steps = [first_root, *path] if first & (first - 1) == 0 else list(path)
    if len(steps) < 1 + (first & (first - 1) == 0):
        return False
    at, last = first - 1, second - 1
    while at & 1:
        at, last = at >> 1, last >> 1
    of_first = of_second = steps[0]
    for step in steps[1:]:
        if last == 0:
            return False
        if at & 1 or at == last:
            of_first, of_second = node_hash(step, of_first), node_hash(step, of_second)
            while at and not at & 1:
                at, last = at >> 1, last >> 1
        else:
            of_second = node_hash(of_second, step)
        at, last = at >> 1, last >> 1
    return last == 0 and of_first == first_root and of_second == second_root


class Frontier:
    """A tree as it grows leaf by leaf: the roots of its whole subtrees, at most one a size, so that its root can be given at any size."""

    def __init__(self) -> None:
        self.size = 0
        self._subtrees: list[bytes] = []

    def append(self, leaf: bytes) -> None:
        """Take in the next leaf's hash."""
        self.size += 1
        self._subtrees.append(leaf)
        for _ in range((self.size & -self.size).bit_length() - 1):
            right = self._subtrees.pop()
            self._subtrees.append(node_hash(self._subtrees.pop(), right))

    def root(self) -> bytes:
        """The root over the leaves so far."""
        if not self._subtrees:
            return EMPTY
        *others, found = self._subtrees
        for left in reversed(others):
            found = node_hash(left, found)
        return found
