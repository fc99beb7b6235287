r"""The differing bytes of two images as one digest: what an entry records, so that nothing can be said otherwise later.

No definition has a part in it: two images alone give it (docs/recording.md has one reckoned by hand). Form 1::

    caldiff raw changes, form 1\n
    number of runs            8 bytes
    address of every run      8 bytes each
    length of every run       8 bytes each
    presence of every run     1 byte each: 0 both images hold it, 1 only the one before, 2 only the one after
    every byte before         of all runs that the image before holds, one after the other
    every byte after          likewise

Numbers are unsigned, their high byte first. A run is as long as can be: neighbouring addresses that all differ, all of
one presence. Runs are in order of address.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence

import numpy as np

from caldiff.canonical import Digest
from caldiff.diff.extents import Bytes, Offsets, Window, windows
from caldiff.diff.model import Extent, Extents
from caldiff.image.model import Image

__all__ = ["bytes_by_region", "raw_changes_digest"]

_FORM = b"caldiff raw changes, form 1\n"
_PRESENCES = ("both", "before", "after")
_CHUNK = 1 << 18
"""bytes gathered at once: two images may differ everywhere"""


def raw_changes_digest(before: Image, after: Image) -> Digest:
    """The digest of every differing run of two images, with its bytes before and after."""
    parts = [(window, *_runs(window)) for window in windows(before, after)]
    state = hashlib.sha256(_FORM)
    state.update(sum(starts.size for _, starts, _ in parts).to_bytes(8, "big"))
    for window, starts, _ in parts:
        state.update((starts + window.start).astype(">u8").tobytes())
    for _, starts, stops in parts:
        state.update((stops - starts).astype(">u8").tobytes())
    for window, starts, _ in parts:
        state.update(bytes([_PRESENCES.index(window.presence)]) * starts.size)
    for side in ("before", "after"):
        for window, starts, stops in parts:
            for piece in _held(getattr(window, side), starts, stops):
                state.update(piece.data)
    return Digest(hex=state.hexdigest())


def _runs(window: Window) -> tuple[Offsets, Offsets]:
    """First and last-plus-one offsets of the differing runs; what only one image holds is one run."""
    if window.presence == "both":
        return window.runs()
    return np.zeros(1, np.int64), np.full(1, window.size, np.int64)


def _held(data: Bytes | None, starts: Offsets, stops: Offsets) -> Iterator[Bytes]:
    """The bytes of some runs of a window, one after the other, a bounded number of them at a time."""
    if data is None or starts.size == 0:
        return
    if starts.size == 1:
        yield data[starts[0] : stops[0]]
        return
    ends = np.cumsum(stops - starts)
    shifts = stops - ends
    """of a run: from the position among all differing bytes to the offset in the window"""
    for first in range(0, int(ends[-1]), _CHUNK):
        positions = np.arange(first, min(first + _CHUNK, int(ends[-1])), dtype=np.int64)
        yield data[positions + shifts[np.searchsorted(ends, positions, side="right")]]


def bytes_by_region(extents: Sequence[Extent]) -> dict[tuple[str, str | None], int]:
    """How many bytes lie in each region, by its name and role; ``("", None)`` is no region."""
    found: dict[tuple[str, str | None], int] = {}
    if isinstance(extents, Extents):
        sizes = np.zeros(len(extents.places), np.int64)
        np.add.at(sizes, extents.kinds, extents.stops - extents.starts)
        counted = [(place[:2], int(size)) for place, size in zip(extents.places, sizes, strict=True) if size]
    else:
        counted = [((extent.region, extent.role), extent.size) for extent in extents]
    for place, size in counted:
        found[place] = found.get(place, 0) + size
    return found
