"""The log's tree hashing against RFC 9162's own example, the vectors of Certificate Transparency, and pymerkle."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymerkle import InmemoryTree, verify_consistency, verify_inclusion

from service.ledger import merkle

# Certificate Transparency's published reference vectors for RFC 6962 hashing, which RFC 9162 keeps: eight leaves, the root of each size.
LEAVES = [
    bytes.fromhex(one)
    for one in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
ROOTS = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]
# The same vectors' proofs: (index, size) and (first, second), each with its path.
INCLUSION = {
    (0, 1): [],
    (0, 8): [
        "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
    ],
    (5, 8): [
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
    (2, 3): ["fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"],
}
CONSISTENCY = {
    (1, 1): [],
    (1, 8): INCLUSION[(0, 8)],
    (6, 8): [
        "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    ],
    (2, 5): [
        "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
    ],
}
HASHES = [merkle.leaf_hash(one) for one in LEAVES]


def path(hashes: list[bytes], ranges: list[merkle.Range]) -> list[bytes]:
    """The roots of those ranges of leaves."""
    return [merkle.root(hashes[start:end]) for start, end in ranges]


@pytest.mark.parametrize("size", range(9))
def test_the_root_of_each_size_is_the_published_one(size: int) -> None:
    assert merkle.root(HASHES[:size]).hex() == ROOTS[size]


@pytest.mark.parametrize(("index", "size"), INCLUSION)
def test_an_inclusion_path_is_the_published_one(index: int, size: int) -> None:
    made = path(HASHES, merkle.inclusion_ranges(index, size))
    assert [one.hex() for one in made] == INCLUSION[(index, size)]
    assert merkle.included(HASHES[index], index, size, made, bytes.fromhex(ROOTS[size]))


@pytest.mark.parametrize(("first", "second"), CONSISTENCY)
def test_a_consistency_path_is_the_published_one(first: int, second: int) -> None:
    made = path(HASHES, merkle.consistency_ranges(first, second))
    assert [one.hex() for one in made] == CONSISTENCY[(first, second)]
    assert merkle.consistent(first, bytes.fromhex(ROOTS[first]), second, bytes.fromhex(ROOTS[second]), made)


# RFC 9162, section 2.1.5: a tree of seven leaves d0 to d6, with a..f, j the leaves, g = (a, b), h = (c, d), i = (e, f), k = (g, h), l = (i, j).
RANGES = {"a": (0, 1), "b": (1, 2), "c": (2, 3), "d": (3, 4), "e": (4, 5), "f": (5, 6), "j": (6, 7)}
RANGES |= {"g": (0, 2), "h": (2, 4), "i": (4, 6), "k": (0, 4), "l": (4, 7)}


@pytest.mark.parametrize(("index", "nodes"), [(0, "bhl"), (3, "cgl"), (4, "fjk"), (6, "ik")])
def test_the_inclusion_paths_of_the_standards_example(index: int, nodes: str) -> None:
    assert merkle.inclusion_ranges(index, 7) == [RANGES[one] for one in nodes]


@pytest.mark.parametrize(("first", "nodes"), [(3, "cdgl"), (4, "l"), (6, "ijk")])
def test_the_consistency_paths_of_the_standards_example(first: int, nodes: str) -> None:
    assert merkle.consistency_ranges(first, 7) == [RANGES[one] for one in nodes]


def test_pymerkle_finds_the_same_roots_and_accepts_our_proofs() -> None:
    theirs, entries = InmemoryTree(algorithm="sha256"), [f"entry {n}".encode() for n in range(70)]
    for one in entries:
        theirs.append_entry(one)
    ours = [merkle.leaf_hash(one) for one in entries]
    for size in range(1, 71):
        root = theirs.get_root(size)
        assert merkle.root(ours[:size]) == root
        for index in {0, size // 3, size - 1}:
            proof = theirs.prove_inclusion(index + 1, size)  # it counts leaves from 1
            verify_inclusion(ours[index], root, proof, index=index + 1, size=size)
            assert proof.path == [ours[index], *path(ours, merkle.inclusion_ranges(index, size))]
            assert merkle.included(ours[index], index, size, proof.path[1:], root)
        for first in {1, size // 2 or 1, size}:
            verify_consistency(theirs.get_root(first), root, theirs.prove_consistency(first, size), first, size)
            steps = path(ours, merkle.consistency_ranges(first, size))
            assert merkle.consistent(first, theirs.get_root(first), size, root, steps)


@given(size=st.integers(1, 300), seed=st.integers(0, 2**32))
def test_a_proof_holds_for_what_it_was_made_for_and_for_nothing_else(size: int, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 - nothing secret
    hashes = [chance.randbytes(32) for _ in range(size)]
    index, first, root = chance.randrange(size), chance.randint(1, size), merkle.root(hashes)
    way = path(hashes, merkle.inclusion_ranges(index, size))
    assert merkle.included(hashes[index], index, size, way, root)
    assert not merkle.included(chance.randbytes(32), index, size, way, root)
    assert not merkle.included(hashes[index], index, size, [*way, root], root)
    assert not merkle.included(hashes[index], index, size, way[:-1], root) or not way
    assert not merkle.included(hashes[index], size, size, way, root)
    steps, before = path(hashes, merkle.consistency_ranges(first, size)), merkle.root(hashes[:first])
    assert merkle.consistent(first, before, size, root, steps)
    assert not merkle.consistent(first, chance.randbytes(32), size, root, steps)
    assert not merkle.consistent(first, before, size, chance.randbytes(32), steps)
    assert not merkle.consistent(first, before, size, root, [*steps, root])
    assert not merkle.consistent(first, before, size, root, steps[:-1]) or not steps
    assert not merkle.consistent(size + 1, before, size, root, steps)


@pytest.mark.parametrize(("index", "size"), [(-1, 3), (3, 3), (0, 0)])
def test_there_is_no_proof_of_what_is_not_in_the_tree(index: int, size: int) -> None:
    with pytest.raises(ValueError, match="no leaf"):
        merkle.inclusion_ranges(index, size)


@pytest.mark.parametrize(("first", "second"), [(0, 3), (4, 3)])
def test_there_is_no_proof_from_nothing_nor_backwards(first: int, second: int) -> None:
    with pytest.raises(ValueError, match="consistency"):
        merkle.consistency_ranges(first, second)


@given(st.lists(st.binary(min_size=32, max_size=32), max_size=70))
def test_a_tree_grown_leaf_by_leaf_has_the_root_of_the_whole(hashes: list[bytes]) -> None:
    grown = merkle.Frontier()
    for size, one in enumerate(hashes):
        assert grown.root() == merkle.root(hashes[:size])
        grown.append(one)
    assert (grown.root(), grown.size) == (merkle.root(hashes), len(hashes))
