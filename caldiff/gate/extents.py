"""Questions to the differing bytes of a comparison: which of them lie where."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence

import numpy as np

from caldiff.diff.model import Extent, Extents

__all__ = ["Span", "first_inside", "less", "outside"]

Span = tuple[int, int]
"""``[start, stop)``"""


def less(spans: Iterable[Span], taken: Iterable[Span]) -> tuple[Span, ...]:
    """What is left of some spans when others are taken out, in order of address."""
    left = sorted(spans)
    for start, stop in taken:
        left = [
            piece
            for low, high in left
            for piece in ((low, min(high, start)), (max(low, stop), high))
            if piece[0] < piece[1]
        ]
    return tuple(left)


def first_inside(extents: Sequence[Extent], spans: Iterable[Span]) -> int | None:
    """The lowest address within the spans that differs, or None."""
    starts, stops = _arrays(extents)
    found: list[int] = []
    for low, high in spans:
        at = int(np.searchsorted(stops, low, side="right"))
        if at < starts.size and max(int(starts[at]), low) < high:
            found.append(max(int(starts[at]), low))
    return min(found, default=None)


def outside(extents: Sequence[Extent], spans: Iterable[Span]) -> tuple[Span, ...]:
    """The parts of the extents that lie in none of the spans, in order of address."""
    starts, stops = _arrays(extents)
    pairs = zip(starts.tolist(), stops.tolist(), strict=True)
    apart = _joined(spans)
    ends = [stop for _, stop in apart]
    found: list[Span] = []
    for start, stop in pairs:
        first = last = bisect_right(ends, start)
        while last < len(apart) and apart[last][0] < stop:
            last += 1
        found += less([(start, stop)], apart[first:last])
    return tuple(found)


def _joined(spans: Iterable[Span]) -> list[Span]:
    """The same addresses as spans that do not overlap, in order."""
    found: list[Span] = []
    for start, stop in sorted(span for span in spans if span[0] < span[1]):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], stop))
        else:
            found.append((start, stop))
    return found


def _arrays(extents: Sequence[Extent]) -> tuple[np.ndarray, np.ndarray]:
    """Starts and stops, rising."""
    if isinstance(extents, Extents):
        return extents.starts, extents.stops
    starts = np.array([extent.start for extent in extents], np.int64)
    return starts, np.array([extent.stop for extent in extents], np.int64)
