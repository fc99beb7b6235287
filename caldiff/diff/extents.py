"""The differing bytes of two images: where, in runs, and with which bits.

Nothing here knows a definition. Bytes are compared as 64-bit words first, and whatever is worked out per byte is handed
on in chunks, so that two images that differ everywhere cost no more memory than a few chunks.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import pairwise
from typing import Literal

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.image.model import Image

__all__ = ["Bytes", "Chunk", "Offsets", "Presence", "Window", "joined", "ranges_to_look_up", "windows"]

Bytes = npt.NDArray[np.uint8]
Offsets = npt.NDArray[np.int64]
Presence = Literal["both", "before", "after"]

_WORD = 8
_CHUNK_WORDS = 1 << 15
"""words looked at byte by byte at once: a quarter of a mebibyte"""
_MOST_RANGES = 1 << 14
"""ranges looked up in a definition one by one; more are joined across small gaps first"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Chunk:
    """Some differing bytes, in order of address.

    Attributes:
        offsets: from the start of the window, shape ``(n,)``, rising.
        bits: which bits differ, shape ``(n,)``; all of them where one image has no such byte.
    """

    offsets: Offsets
    bits: Bytes


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Window:
    """A stretch of addresses without a gap that both images hold, or only one of them.

    ``before`` and ``after`` are views of the images' bytes, shape ``(size,)``, or None.
    """

    start: int
    size: int
    before: Bytes | None
    after: Bytes | None

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.start + self.size

    @property
    def presence(self) -> Presence:
        """Which image holds the bytes."""
        if self.before is None:
            return "after"
        return "before" if self.after is None else "both"

    @cached_property
    def words(self) -> npt.NDArray[np.uint32]:
        """The numbers of the 8-byte words that differ, the last of them perhaps shorter."""
        whole, rest = divmod(self.size, _WORD)
        if self.before is None or self.after is None:
            return np.arange(whole + (rest > 0), dtype=np.uint32)
        before, after = (side[: whole * _WORD].view(np.uint64) for side in (self.before, self.after))
        found = []
        for first in range(0, whole, _CHUNK_WORDS):
            block = slice(first, first + _CHUNK_WORDS)
            found.append((np.flatnonzero(before[block] != after[block]) + first).astype(np.uint32))
        if not np.array_equal(self.before[whole * _WORD :], self.after[whole * _WORD :]):
            found.append(np.array([whole], np.uint32))
        return np.concatenate(found) if found else np.empty(0, np.uint32)

    def chunks(self) -> Iterator[Chunk]:
        """The differing bytes, a bounded number of them at a time."""
        steps = np.arange(_WORD, dtype=np.int64)
        for first in range(0, self.words.size, _CHUNK_WORDS):
            offsets = (self.words[first : first + _CHUNK_WORDS, None] * np.int64(_WORD) + steps).ravel()
            if offsets[-1] >= self.size:
                offsets = offsets[offsets < self.size]
            if self.before is None or self.after is None:
                yield Chunk(offsets=offsets, bits=np.full(offsets.size, 0xFF, np.uint8))
                continue
            bits = self.before[offsets] ^ self.after[offsets]
            differing = np.flatnonzero(bits)
            yield Chunk(offsets=offsets[differing], bits=bits[differing])

    def runs(self, *, gap: int = 0) -> tuple[Offsets, Offsets]:
        """First and last-plus-one offsets of all runs of differing bytes, those within ``gap`` bytes made one."""
        pieces = [joined(*_runs(chunk.offsets), gap=gap) for chunk in self.chunks()]
        starts = np.concatenate([np.empty(0, np.int64), *(p[0] for p in pieces)])
        stops = np.concatenate([np.empty(0, np.int64), *(p[1] for p in pieces)])
        return joined(starts, stops, gap=gap)


def _runs(offsets: Offsets) -> tuple[Offsets, Offsets]:
    """Runs of consecutive offsets, as first and last-plus-one."""
    breaks = np.flatnonzero(np.diff(offsets) != 1)
    first = np.concatenate([offsets[:1], offsets[breaks + 1]])
    last = np.concatenate([offsets[breaks], offsets[-1:]])
    return first, last + 1


def joined(starts: Offsets, stops: Offsets, *, gap: int = 0) -> tuple[Offsets, Offsets]:
    """Ranges in order, those that lie at most ``gap`` bytes apart made one."""
    if starts.size == 0:
        return starts, stops
    apart = np.flatnonzero(starts[1:] - stops[:-1] > gap)
    return np.concatenate([starts[:1], starts[apart + 1]]), np.concatenate([stops[apart], stops[-1:]])


def windows(before: Image, after: Image) -> tuple[Window, ...]:
    """Every address that at least one image holds, cut where the presence in an image changes; in order."""
    edges = sorted({edge for image in (before, after) for s in image.segments for edge in (s.start, s.stop)})
    found = []
    for start, stop in pairwise(edges):
        ours, theirs = _bytes(before, start, stop), _bytes(after, start, stop)
        if ours is not None or theirs is not None:
            found.append(Window(start=start, size=stop - start, before=ours, after=theirs))
    return tuple(found)


def _bytes(image: Image, start: int, stop: int) -> Bytes | None:
    return np.frombuffer(image.view(start, stop), np.uint8) if image.holds(start, stop) else None


def ranges_to_look_up(parts: tuple[Window, ...]) -> list[tuple[int, int]]:
    """Address ranges that hold every differing byte: the runs, or fewer, longer ones where there are very many."""
    gap = 0 if sum(w.words.size for w in parts) <= _MOST_RANGES else _WORD
    while True:
        runs = [(w.start, *w.runs(gap=gap)) for w in parts]
        starts = np.concatenate([np.empty(0, np.int64), *(first + start for start, first, _ in runs)])
        stops = np.concatenate([np.empty(0, np.int64), *(last + start for start, _, last in runs)])
        starts, stops = joined(starts, stops, gap=gap)
        if starts.size <= _MOST_RANGES:
            return list(zip(starts.tolist(), stops.tolist(), strict=True))
        gap *= 2
