"""Which images are alike: a hash of every block, so that thousands of images are told apart without being restored.

An image's sketch is a 32-bit hash of each of its blocks of 256 bytes, by the block's number in the address room.
Blocks that repeat one word all through, erased memory above all, are left out: sharing them is no likeness. Most
sketches of a vault are nearly that of another image, so they are kept as the blocks that differ. A sketch only says
where to look: what it ranks first is compared byte by byte afterwards.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.image.model import Image

__all__ = ["BLOCK", "Sketch", "distances", "marks", "sketch_of"]

BLOCK = 256
"""bytes; a power of two"""
_WORDS = BLOCK // 8
_MARKS = 128

Places = npt.NDArray[np.int64]
Hashes = npt.NDArray[np.uint32]
Marks = npt.NDArray[np.uint64]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Sketch:
    """Hashes of blocks, shape ``(n,)`` both, ``places`` rising: the number of a block is its address by 256.

    In what one sketch :meth:`less` another leaves, hash 0 stands for a block that only the other has.
    """

    places: Places
    hashes: Hashes

    def at(self, places: Places) -> Hashes:
        """The hashes of the blocks at these places, 0 where there is none."""
        if not self.places.size:
            return np.zeros(places.shape, dtype=np.uint32)
        found = np.minimum(np.searchsorted(self.places, places), self.places.size - 1)
        return np.where(self.places[found] == places, self.hashes[found], np.uint32(0))

    def less(self, base: Sketch) -> Sketch:
        """The blocks that differ from those of another sketch."""
        places = np.union1d(self.places, base.places)
        ours = self.at(places)
        other = ours != base.at(places)
        return Sketch(places=places[other], hashes=ours[other])

    def over(self, base: Sketch) -> Sketch:
        """The sketch of which this is what it leaves :meth:`less` the base."""
        places = np.union1d(self.places, base.places)
        hashes = np.where(np.isin(places, self.places), self.at(places), base.at(places))
        return Sketch(places=places[hashes != 0], hashes=hashes[hashes != 0])

    def dump(self) -> bytes:
        """As bytes: steps from place to place and hashes, deflated, little-endian."""
        steps = np.diff(self.places, prepend=np.int64(0))
        return zlib.compress(steps.astype("<i8").tobytes() + self.hashes.astype("<u4").tobytes(), 1)

    @classmethod
    def read(cls, data: bytes) -> Sketch:
        """What :meth:`dump` wrote. It is read from where only we write: nothing is checked."""
        raw = zlib.decompress(data)
        count = len(raw) // 12
        steps = np.frombuffer(raw, "<i8", count)
        return cls(places=np.cumsum(steps, dtype=np.int64), hashes=np.frombuffer(raw, "<u4", count, 8 * count))


def _coefficients(count: int) -> npt.NDArray[np.uint64]:
    """Odd numbers without a pattern: the sequence of the generator SplitMix64, from memory."""
    with np.errstate(over="ignore"):
        state = np.arange(1, count + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        state = (state ^ (state >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        state = (state ^ (state >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (state ^ (state >> np.uint64(31))) | np.uint64(1)


def sketch_of(image: Image) -> Sketch:
    """The sketch of an image. Bytes that a block lacks at the edge of a segment count as zeros."""
    blocks: dict[int, npt.NDArray[np.uint64]] = {}
    parts: list[tuple[int, npt.NDArray[np.uint64]]] = []
    for segment in image.segments:
        first, head = divmod(segment.start, BLOCK)
        count = -(-(head + len(segment.data)) // BLOCK)
        room = np.zeros(count * BLOCK, dtype=np.uint8)
        room[head : head + len(segment.data)] = np.frombuffer(segment.data, dtype=np.uint8)
        words = room.view("<u8").reshape(count, _WORDS)
        if first in blocks:  # the segment before ended in the block in which this one begins
            words[0] |= blocks[first]
            parts[-1] = (parts[-1][0], parts[-1][1][:-1])
        blocks = {first + count - 1: words[-1]}
        parts.append((first, words))
    found = [_hashed(first, words) for first, words in parts]
    none = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint32)
    return Sketch(
        places=np.concatenate([none[0], *(places for places, _ in found)]),
        hashes=np.concatenate([none[1], *(hashes for _, hashes in found)]),
    )


def _hashed(first: int, words: npt.NDArray[np.uint64]) -> tuple[Places, Hashes]:
    """A multilinear hash of every block: the upper half of a sum of products, 0 kept free."""
    if not len(words):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint32)
    told = (words != words[:, :1]).any(axis=1)
    sums = (words @ _coefficients(_WORDS))[told]
    return np.flatnonzero(told) + first, np.maximum((sums >> np.uint64(32)).astype(np.uint32), np.uint32(1))


def marks(sketch: Sketch, count: int = _MARKS) -> Marks:
    """The ``count`` smallest of a hash of every block with its place: of images that are alike, many are the same."""
    with np.errstate(over="ignore"):
        mixed = sketch.places.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) ^ sketch.hashes.astype(np.uint64)
        mixed = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= mixed >> np.uint64(32)
    mixed = np.unique(mixed)
    return mixed[:count]


def distances(asked: Sketch, base: Sketch, members: Sequence[Sketch]) -> tuple[Places, Places]:
    """How far each member of a family is: blocks that differ from those of ``asked``, and blocks that are the same.

    Args:
        asked: the image that is compared.
        base: the image that the family's sketches are kept against.
        members: what their sketches leave less that of the base.

    Returns:
        Two arrays of shape ``(1 + len(members),)``, the base first.
    """
    sizes = [len(member.places) for member in members]
    whose = np.repeat(np.arange(1, len(members) + 1), sizes)
    places = np.concatenate([np.zeros(0, dtype=np.int64), *(m.places for m in members)])
    theirs = np.concatenate([np.zeros(0, dtype=np.uint32), *(m.hashes for m in members)])
    ours, before = asked.at(places), base.at(places)
    differing = len(asked.less(base).places)
    same = int(np.count_nonzero(base.at(asked.places) == asked.hashes))

    def counted(change: npt.NDArray[np.int64], start: int) -> Places:
        return start + np.bincount(whose, weights=change, minlength=len(members) + 1).astype(np.int64)

    farther = (ours != theirs).astype(np.int64) - (ours != before)
    nearer = ((ours != 0) & (ours == theirs)).astype(np.int64) - ((ours != 0) & (ours == before))
    return counted(farther, differing), counted(nearer, same)
