"""The tree of RFC 9162: its worked example, vectors, a registry package as oracle, and proofs that do not hold."""

from __future__ import annotations

from hashlib import sha256

import pymerkle
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.ledger.merkle import (
    Growing,
    consistency,
    holds_consistency,
    holds_inclusion,
    inclusion,
    leaf_hash,
    tree_hash,
)

# The leaves and roots of the tests of Certificate Transparency logs, from memory.
INPUTS = ["", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"]
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
SIZES = st.integers(min_value=1, max_value=70)


def leaves_of(count: int) -> list[bytes]:
    return [leaf_hash(n.to_bytes(4, "big")) for n in range(count)]


@pytest.mark.parametrize("size", range(9))
def test_the_roots_of_certificate_transparency(size: int) -> None:
    assert tree_hash([leaf_hash(bytes.fromhex(text)) for text in INPUTS[:size]]).hex() == ROOTS[size]


def node(left: bytes, right: bytes) -> bytes:
    """Section 2.1.1, written out."""
    return sha256(b"\x01" + left + right).digest()


def test_the_worked_example_of_rfc_9162() -> None:
    """Section 2.1.5: the tree of seven leaves, with the names that its nodes have there."""
    a, b, c, d, e, f, j = leaves = leaves_of(7)
    g, h, i = node(a, b), node(c, d), node(e, f)
    k, l = node(g, h), node(i, j)  # noqa: E741 - the standard's name
    assert tree_hash(leaves) == node(k, l)
    assert inclusion(leaves, 0) == (b, h, l)
    assert inclusion(leaves, 3) == (c, g, l)
    assert inclusion(leaves, 4) == (f, j, k)
    assert inclusion(leaves, 6) == (i, k)
    assert consistency(leaves, 3) == (c, d, g, l)
    assert consistency(leaves, 4) == (l,)
    assert consistency(leaves, 6) == (i, j, k)


def standard(old: int, leaves: list[bytes], *, known: bool) -> tuple[bytes, ...]:
    """SUBPROOF of section 2.1.4.1, as it is written there."""
    size = len(leaves)
    if old == size:
        return () if known else (root_by_split(leaves),)
    k = 1 << ((size - 1).bit_length() - 1)
    if old <= k:
        return (*standard(old, leaves[:k], known=known), root_by_split(leaves[k:]))
    return (*standard(old - k, leaves[k:], known=False), root_by_split(leaves[:k]))


def root_by_split(leaves: list[bytes]) -> bytes:
    """MTH of section 2.1.1, as it is written there."""
    if len(leaves) == 1:
        return leaves[0]
    k = 1 << ((len(leaves) - 1).bit_length() - 1)
    return node(root_by_split(leaves[:k]), root_by_split(leaves[k:]))


def test_against_pymerkle() -> None:
    """The registry package pymerkle counts leaves from one, and gives a path with the leaf itself at its start."""
    tree = pymerkle.InmemoryTree(algorithm="sha256")
    for size in range(1, 40):
        tree.append_entry((size - 1).to_bytes(4, "big"))
        leaves = leaves_of(size)
        assert tree_hash(leaves) == tree.get_root()
        for index in range(size):
            theirs = tree.prove_inclusion(index + 1, size).path
            assert (leaves[index], *inclusion(leaves, index)) == tuple(theirs)
        for old in range(1, size):
            # its paths of consistency are split in another way than the standard's, so its roots decide
            path = consistency(leaves, old)
            assert holds_consistency(old, size, path, tree.get_root(old), tree.get_root())
            assert path == standard(old, leaves, known=True)


@given(SIZES, st.data())
def test_every_proof_holds(size: int, data: st.DataObject) -> None:
    leaves = leaves_of(size)
    index, old = data.draw(st.integers(0, size - 1)), data.draw(st.integers(0, size))
    assert holds_inclusion(leaves[index], index, size, inclusion(leaves, index), tree_hash(leaves))
    assert holds_consistency(old, size, consistency(leaves, old), tree_hash(leaves[:old]), tree_hash(leaves))


@given(SIZES, st.data())
def test_no_changed_proof_of_inclusion_holds(size: int, data: st.DataObject) -> None:
    leaves = leaves_of(size)
    index = data.draw(st.integers(0, size - 1))
    path, root = list(inclusion(leaves, index)), tree_hash(leaves)
    parts = [leaves[index], root, *path]
    changed = flipped(parts, data)
    assert not holds_inclusion(changed[0], index, size, changed[2:], changed[1])
    assert not holds_inclusion(leaves[index], index, size, [*path, root], root)
    assert not path or not holds_inclusion(leaves[index], index, size, path[:-1], root)
    other = data.draw(st.integers(-1, size + 1).filter(lambda n: n != index))
    assert not holds_inclusion(leaves[index], other, size, path, root)


@given(SIZES.filter(lambda n: n > 1), st.data())
def test_no_changed_proof_of_consistency_holds(size: int, data: st.DataObject) -> None:
    leaves = leaves_of(size)
    old = data.draw(st.integers(1, size - 1))
    path, before, after = list(consistency(leaves, old)), tree_hash(leaves[:old]), tree_hash(leaves)
    changed = flipped([before, after, *path], data)
    assert not holds_consistency(old, size, changed[2:], changed[0], changed[1])
    assert not holds_consistency(old, size, [*path, before], before, after)
    assert not holds_consistency(old, size, path[:-1], before, after)
    other = data.draw(st.integers(-1, size + 1).filter(lambda n: n != old))
    assert not holds_consistency(other, size, path, before, after)
    rewritten = [*leaves[: old - 1], leaf_hash(b"another"), *leaves[old:]]
    assert not holds_consistency(old, size, consistency(rewritten, old), before, tree_hash(rewritten))


def flipped(parts: list[bytes], data: st.DataObject) -> list[bytes]:
    """The parts with one bit of one of them turned over."""
    at, bit = data.draw(st.integers(0, len(parts) - 1)), data.draw(st.integers(0, 255))
    value = int.from_bytes(parts[at], "big") ^ (1 << bit)
    return [*parts[:at], value.to_bytes(32, "big"), *parts[at + 1 :]]


def test_a_proof_in_a_smaller_tree_is_none_in_a_larger_one() -> None:
    """What is a root of a whole tree is a mere node of a larger one: the path has to go all the way up."""
    for size in (1, 2, 4, 8):
        leaves = leaves_of(size)
        path, root = inclusion(leaves, 0), tree_hash(leaves)
        assert holds_inclusion(leaves[0], 0, size, path, root)
        assert not holds_inclusion(leaves[0], 0, 2 * size, path, root)


def test_a_place_beyond_the_tree_is_not_proven() -> None:
    (leaf,) = leaves_of(1)
    assert holds_inclusion(leaf, 0, 1, (), leaf)
    assert not holds_inclusion(leaf, 1, 1, (), leaf)


def test_the_empty_tree_and_the_same_tree() -> None:
    leaves = leaves_of(5)
    root = tree_hash(leaves)
    assert holds_consistency(0, 5, (), sha256().digest(), root)
    assert not holds_consistency(0, 5, (), root, root)
    assert holds_consistency(5, 5, (), root, root)
    assert not holds_consistency(5, 5, (root,), root, root)
    assert not holds_consistency(5, 5, (), tree_hash(leaves[:4]), root)
    assert not holds_inclusion(root, 0, 0, (), root)


@pytest.mark.parametrize("index", [-1, 5])
def test_what_the_tree_has_not_cannot_be_proven(index: int) -> None:
    with pytest.raises(IndexError, match="no leaf"):
        inclusion(leaves_of(5), index)


@pytest.mark.parametrize("size", [-1, 6])
def test_a_larger_tree_cannot_be_proven(size: int) -> None:
    with pytest.raises(IndexError, match="tree of 5"):
        consistency(leaves_of(5), size)


def test_a_leaf_is_no_node() -> None:
    """A tree of two leaves and a leaf made of their hashes must not have one root (section 2.1.1)."""
    leaves = leaves_of(2)
    assert leaf_hash(leaves[0] + leaves[1]) != tree_hash(leaves)


def test_a_growing_tree_has_the_root_of_the_whole_one() -> None:
    leaves, tree = leaves_of(70), Growing()
    for size in range(71):
        assert (tree.size, tree.root) == (size, tree_hash(leaves[:size]))
        tree.extend(leaves[size : size + 1])
