"""Which table or axis is at an address: interval arrays that are built once, kept in the file, and bisected.

Intervals are dealt into layers in which both ends rise, so that the intervals of a layer that meet a range stand side
by side: two bisections find them. Tables that do not enclose one another share one layer; a real definition has a few.
"""

from __future__ import annotations

import sys
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate

import attrs

__all__ = ["Intervals", "PlaceArrays", "numbers", "packed", "place_arrays"]

Intervals = Sequence[tuple[int, int]]


def packed(code: str, values: Iterable[int]) -> bytes:
    """Unsigned integers as little-endian bytes; ``code`` is ``I`` (four bytes) or ``Q`` (eight)."""
    items = array(code, values)
    if sys.byteorder == "big":
        items.byteswap()
    return items.tobytes()


def numbers(code: str, data: memoryview) -> Sequence[int]:
    """What :func:`packed` wrote, without a copy on a little-endian machine."""
    if sys.byteorder == "little":
        return data.cast(code)  # type: ignore[call-overload, no-any-return]  # the code is one of two
    items = array(code, bytes(data))
    items.byteswap()
    return items


@attrs.frozen(kw_only=True, eq=False, repr=False)
class PlaceArrays:
    """The intervals of all items, sorted for search.

    Attributes:
        starts, stops: of every interval; within a layer both rise.
        ranks: of the item that each interval belongs to.
        layers: the interval at which each layer ends.
        items: the item of each rank; ranks count by lowest address, then by item.
    """

    starts: Sequence[int]
    stops: Sequence[int]
    ranks: Sequence[int]
    layers: Sequence[int]
    items: Sequence[int]

    def touching(self, extents: Iterable[tuple[int, int]]) -> list[int]:
        """The items that meet any of the ranges ``[start, stop)``, by lowest address."""
        found: set[int] = set()
        ranges = list(extents)
        first = 0
        for last in self.layers:
            # Whichever are fewer are looked up among the others.
            if len(ranges) <= last - first:
                found.update(self._by_range(ranges, first, last))
            else:
                found.update(self._by_interval(ranges, first, last))
            first = last
        return [self.items[rank] for rank in sorted(found)]

    def _by_range(self, ranges: Intervals, low: int, last: int) -> Iterator[int]:
        for start, stop in ranges:
            low = bisect_right(self.stops, start, low, last)
            yield from self.ranks[low : bisect_left(self.starts, stop, low, last)]

    def _by_interval(self, ranges: Intervals, first: int, last: int) -> Iterator[int]:
        stops = [stop for _, stop in ranges]
        for place in range(first, last):
            near = bisect_right(stops, self.starts[place])
            if near < len(ranges) and ranges[near][0] < self.stops[place]:
                yield self.ranks[place]


def place_arrays(spans: Sequence[Intervals]) -> PlaceArrays:
    """Sort the intervals ``[start, stop)`` of the items 0, 1, 2, …; an item may have none."""
    by_place = sorted((min(intervals)[0], item) for item, intervals in enumerate(spans) if intervals)
    items = [item for _, item in by_place]
    rank_of = {item: rank for rank, item in enumerate(items)}
    layers: list[list[tuple[int, int, int]]] = []
    ends: list[int] = []
    for start, stop, item in sorted((a, b, item) for item, intervals in enumerate(spans) for a, b in intervals):
        # The ends fall from layer to layer, so the first that is not beyond this one takes it.
        layer = 0 if not ends or ends[0] <= stop else bisect_left(ends, -stop, key=lambda end: -end)
        if layer == len(layers):
            layers.append([])
            ends.append(stop)
        layers[layer].append((start, stop, rank_of[item]))
        ends[layer] = stop
    flat = [entry for entries in layers for entry in entries]
    return PlaceArrays(
        starts=[start for start, _, _ in flat],
        stops=[stop for _, stop, _ in flat],
        ranks=[rank for _, _, rank in flat],
        layers=list(accumulate(len(entries) for entries in layers)),
        items=items,
    )
