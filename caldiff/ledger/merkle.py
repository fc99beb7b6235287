"""The Merkle tree of RFC 9162, section 2.1: its hash, proofs that a leaf is in it, proofs that it only grew.

Trees are given as the hashes of their leaves, from :func:`leaf_hash`. Hashes are 32 bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from hashlib import sha256

__all__ = ["Growing", "consistency", "holds_consistency", "holds_inclusion", "inclusion", "leaf_hash", "tree_hash"]


def leaf_hash(data: bytes) -> bytes:
    """The hash of a leaf. It never equals that of a node, since each has a first byte of its own."""
    return sha256(b"\x00" + data).digest()


def _node(left: bytes, right: bytes) -> bytes:
    return sha256(b"\x01" + left + right).digest()


def tree_hash(leaves: Sequence[bytes]) -> bytes:
    """The root over leaf hashes; that of the empty tree is the hash of nothing."""
    return _levels(leaves)[-1][0] if leaves else sha256().digest()


class Growing:
    """A tree that leaves are added to: its size and root, without going over all of it again."""

    def __init__(self) -> None:
        self.size = 0
        self._whole: list[bytes] = []  # roots of whole subtrees, the largest first

    def extend(self, leaves: Iterable[bytes]) -> None:
        """Add leaf hashes."""
        for leaf in leaves:
            self._whole.append(leaf)
            self.size += 1
            pairs = self.size
            while not pairs & 1:
                right = self._whole.pop()
                self._whole.append(_node(self._whole.pop(), right))
                pairs >>= 1

    @property
    def root(self) -> bytes:
        """As :func:`tree_hash` has it."""
        if not self._whole:
            return tree_hash(())
        *larger, root = self._whole
        for left in reversed(larger):
            root = _node(left, root)
        return root


def _levels(leaves: Sequence[bytes]) -> list[list[bytes]]:
    """The nodes of every height. One without a neighbour goes up as it is: that splits as the standard's rule does."""
    levels = [list(leaves)]
    while len(below := levels[-1]) > 1:
        nodes = [_node(left, right) for left, right in zip(below[::2], below[1::2], strict=False)]
        levels.append(nodes + below[2 * len(nodes) :])
    return levels


def inclusion(leaves: Sequence[bytes], index: int) -> tuple[bytes, ...]:
    """The hashes that lead from one leaf to the root (PATH of section 2.1.3.1).

    Raises:
        IndexError: the tree has no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise IndexError(f"there is no leaf {index} in a tree of {len(leaves)}")
    path = []
    for level in _levels(leaves)[:-1]:
        if (beside := index ^ 1) < len(level):
            path.append(level[beside])
        index //= 2
    return tuple(path)


def consistency(leaves: Sequence[bytes], size: int) -> tuple[bytes, ...]:
    """The hashes that lead from the tree of the first ``size`` leaves to the whole one (PROOF of section 2.1.4.1).

    Empty where the trees are the same, and from the empty tree, with which every tree is consistent.

    Raises:
        IndexError: the tree has fewer leaves.
    """
    if not 0 <= size <= len(leaves):
        raise IndexError(f"there are no {size} leaves in a tree of {len(leaves)}")
    if size in {0, len(leaves)}:
        return ()
    levels = _levels(leaves)
    # The old tree's last node of every height that is whole in both begins the proof; where the old tree is that one
    # node alone, the verifier has it already as the old root.
    height = (size & -size).bit_length() - 1
    at = (size >> height) - 1
    path = [levels[height][at]] if at else []
    for level in levels[height:-1]:
        if (beside := at ^ 1) < len(level):
            path.append(level[beside])
        at //= 2
    return tuple(path)


def holds_inclusion(leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Whether the path proves the leaf (a hash) at its index in the tree of that size and root (section 2.1.3.2)."""
    if not 0 <= index < size:
        return False
    place, last, reckoned = index, size - 1, leaf
    for beside in path:
        if last == 0:
            return False
        if place & 1 or place == last:
            reckoned = _node(beside, reckoned)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            reckoned = _node(reckoned, beside)
        place, last = place >> 1, last >> 1
    return last == 0 and reckoned == root


def holds_consistency(old_size: int, size: int, path: Sequence[bytes], old_root: bytes, root: bytes) -> bool:
    """Whether the path proves that the tree of ``root`` begins with the leaves of the older one (section 2.1.4.2)."""
    if not 0 <= old_size <= size:
        return False
    if old_size == size:
        return not path and old_root == root
    if old_size == 0:
        return not path and old_root == tree_hash(())
    hashes = [old_root, *path] if old_size & (old_size - 1) == 0 else list(path)
    if not hashes:
        return False
    place, last = old_size - 1, size - 1
    while place & 1:
        place, last = place >> 1, last >> 1
    old = new = hashes[0]
    for beside in hashes[1:]:
        if last == 0:
            return False
        if place & 1 or place == last:
            old, new = _node(beside, old), _node(beside, new)
            while not place & 1 and place:
                place, last = place >> 1, last >> 1
        else:
            new = _node(new, beside)
        place, last = place >> 1, last >> 1
    return last == 0 and old == old_root and new == root
