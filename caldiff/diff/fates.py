"""The four fates: a differing byte is a decoded cell, declared checksum, declared identity or volatile, or unexplained.

Cells claim bits, everything else whole bytes. A byte is explained by cells only when all its changed bits are theirs.
What they leave over falls to the declared ranges, in the order checksum, identity, volatile; the rest is unexplained.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.definition import Definition
from caldiff.definition.model import Region
from caldiff.diff.extents import Bytes, Chunk, Offsets, Window
from caldiff.diff.model import Extents, Fates, Presence

__all__ = ["Claims", "Explained", "settle"]

_CELL, _CHECKSUM, _IDENTITY, _VOLATILE, _UNEXPLAINED = range(5)


class Claims:
    """The bits that decoded cells own, by address. Memory is taken for the pages that are claimed, no more."""

    def __init__(self, parts: Sequence[Window]) -> None:
        self._parts = parts
        self._starts = [w.start for w in parts]
        self._bits: dict[int, Bytes] = {}

    def add(self, start: int, bits: Bytes) -> None:
        """Claim the bits set in ``bits`` from the address on; where no image holds a byte nothing is claimed."""
        stop = start + bits.size
        for number in range(max(bisect_right(self._starts, start) - 1, 0), len(self._parts)):
            window = self._parts[number]
            if window.start >= stop:
                return
            low, high = max(start, window.start), min(stop, window.stop)
            if low < high:
                if number not in self._bits:
                    self._bits[number] = np.zeros(window.size, np.uint8)
                self._bits[number][low - window.start : high - window.start] |= bits[low - start : high - start]

    def of(self, number: int, offsets: Offsets) -> Bytes:
        """The claimed bits of some bytes of a window."""
        owned = self._bits.get(number)
        return np.zeros(offsets.size, np.uint8) if owned is None else owned[offsets]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Layers:
    """Which of some ranges is on top at an address: ``top[i]`` between ``edges[i]`` and the next edge, -1 for none."""

    edges: Offsets
    top: npt.NDArray[np.intp]

    @classmethod
    def of(cls, ranges: Sequence[tuple[int, int, int]]) -> _Layers:
        """From ``(start, stop, number)``, later ones laid over earlier ones."""
        edges = np.array(sorted({edge for start, stop, _ in ranges for edge in (start, stop)}), np.int64)
        top = np.full(edges.size + 1, -1, np.intp)
        for start, stop, number in ranges:
            top[np.searchsorted(edges, start) + 1 : np.searchsorted(edges, stop) + 1] = number
        return cls(edges=edges, top=top)

    def at(self, addresses: Offsets) -> npt.NDArray[np.intp]:
        """The number of the range on top at each address, -1 where there is none."""
        return self.top[np.searchsorted(self.edges, addresses, side="right")]


def _declared(definition: Definition) -> _Layers:
    """The fate that each address is declared to have, -1 for none."""

    def role(*wanted: str) -> Iterable[tuple[int, int]]:
        return ((r.start, r.stop) for r in definition.regions if r.role in wanted)

    return _Layers.of(
        [(*span, _VOLATILE) for span in role("volatile")]
        + [(*span, _IDENTITY) for span in role("identity")]
        + [(f.at, f.stop, _IDENTITY) for f in definition.identity.values()]
        + [(*span, _CHECKSUM) for span in role("checksum")]
        + [(f.at, f.stop, _CHECKSUM) for c in definition.checksums.values() for f in c.fields]
    )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Explained:
    """What one definition explains: the bits that its cells claim, and its declared ranges."""

    definition: Definition
    claims: Claims


def _fates(explained: Sequence[tuple[Explained, _Layers]], number: int, window: Window, chunk: Chunk) -> Bytes:
    """The fate of every byte of the chunk: where two definitions are asked, both must explain it."""
    settled: Bytes | None = None
    for one, declared in explained:
        fates = declared.at(chunk.offsets + window.start).astype(np.uint8)
        fates[fates == np.uint8(0xFF)] = _UNEXPLAINED
        fates[(chunk.bits & ~one.claims.of(number, chunk.offsets)) == 0] = _CELL
        if settled is None:
            settled = fates
        else:
            unexplained = (settled == _UNEXPLAINED) | (fates == _UNEXPLAINED)
            settled = np.where(unexplained, np.uint8(_UNEXPLAINED), np.minimum(settled, fates))
    return np.full(chunk.offsets.size, _UNEXPLAINED, np.uint8) if settled is None else settled


def settle(
    parts: Sequence[Window], explained: Sequence[Explained], regions: Sequence[Region]
) -> tuple[Fates, Extents, Extents]:
    """The fate of every differing byte.

    Args:
        parts: the windows of both images.
        explained: what explains bytes: nothing, one definition, or two that must agree.
        regions: what extents are named after and cut at, the smallest region on top.

    Returns:
        The count of every fate, all differing extents, and the unexplained ones.
    """
    layered = [(one, _declared(one.definition)) for one in explained]
    order = sorted(enumerate(regions), key=lambda r: (-r[1].size, -r[0]))
    named = _Layers.of([(region.start, region.stop, number) for number, region in order])
    counts = np.zeros(5, np.int64)
    every, unexplained = _Gathered(regions=regions), _Gathered(regions=regions)
    for number, window in enumerate(parts):
        for chunk in window.chunks():
            fates = _fates(layered, number, window, chunk)
            counts += np.bincount(fates, minlength=5)
            addresses = chunk.offsets + window.start
            kinds = named.at(addresses)
            every.add(addresses, kinds, window)
            left = np.flatnonzero(fates == _UNEXPLAINED)
            unexplained.add(addresses[left], kinds[left], window)
    cell, checksum, identity, volatile, rest = (int(n) for n in counts)
    fates_met = Fates(cell=cell, checksum=checksum, identity=identity, volatile=volatile, unexplained=rest)
    return fates_met, every.extents(), unexplained.extents()


_PRESENCES: tuple[Presence, ...] = ("both", "before", "after")


@attrs.define(kw_only=True, eq=False, repr=False)
class _Gathered:
    """Runs of addresses of one kind, chunk by chunk. A kind is a region (or none) and a presence."""

    regions: Sequence[Region]
    starts: list[Offsets] = attrs.field(factory=list)
    stops: list[Offsets] = attrs.field(factory=list)
    kinds: list[npt.NDArray[np.int32]] = attrs.field(factory=list)

    def add(self, addresses: Offsets, regions: npt.NDArray[np.intp], window: Window) -> None:
        """Take some addresses in, which rise, with the region of each (-1: none)."""
        if addresses.size == 0:
            return
        ends = np.flatnonzero((np.diff(addresses) != 1) | (np.diff(regions) != 0))
        firsts = np.concatenate([[0], ends + 1])
        starts, stops = addresses[firsts], addresses[np.append(ends, addresses.size - 1)] + 1
        kinds = ((regions[firsts] + 1) * len(_PRESENCES) + _PRESENCES.index(window.presence)).astype(np.int32)
        if self.stops and self.stops[-1][-1] == starts[0] and self.kinds[-1][-1] == kinds[0]:
            starts[0] = self.starts[-1][-1]  # a run that was cut between two chunks is made one again
            self.starts[-1], self.stops[-1], self.kinds[-1] = (
                self.starts[-1][:-1],
                self.stops[-1][:-1],
                self.kinds[-1][:-1],
            )
        self.starts.append(starts)
        self.stops.append(stops)
        self.kinds.append(kinds)

    def extents(self) -> Extents:
        """All that was taken in."""
        named = [("", None), *((r.name, r.role) for r in self.regions)]
        places = tuple((name, role, presence) for name, role in named for presence in _PRESENCES)
        starts, stops, kinds = (_one(pieces) for pieces in (self.starts, self.stops, self.kinds))
        return Extents(starts=starts, stops=stops, kinds=kinds, places=places)


def _one(pieces: list[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """The pieces as one read-only array; they are given up, since there may be many."""
    whole = np.concatenate(pieces) if pieces else np.empty(0, np.int64)
    pieces.clear()
    whole.flags.writeable = False
    return whole
