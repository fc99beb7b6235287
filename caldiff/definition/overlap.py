"""Which parts of a definition lie on the same bits: exact, down to interleaved cells and masks within a word."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import product

import attrs

from caldiff.definition.model import Cells

__all__ = ["Clash", "Part", "clashes"]

_MOST_RUNS = 100_000
"""cells scattered more than that are taken as one block"""


@attrs.frozen(kw_only=True)
class Part:
    """Something that lies in the image: ``[start, stop)``, and where exactly if it is made of cells."""

    owner: str
    start: int
    stop: int
    cells: Cells | None = None


@attrs.frozen(kw_only=True)
class Clash:
    """Two parts that share bits, from an address on; ``first`` and ``second`` may be the same part."""

    first: Part
    second: Part
    at: int


@attrs.frozen
class _Run:
    """Bytes without a gap; ``bits`` says which bits of each belong to the cell, empty for all."""

    start: int
    stop: int
    part: Part
    bits: bytes = b""

    def meets(self, other: _Run) -> bool:
        """Whether a bit is in both."""
        low, high = max(self.start, other.start), min(self.stop, other.stop)
        if low >= high:
            return False
        if not self.bits and not other.bits:
            return True
        return any(self.bit(at) & other.bit(at) for at in range(low, high))

    def bit(self, at: int) -> int:
        return self.bits[at - self.start] if self.bits else 0xFF


def clashes(parts: Iterable[Part]) -> list[Clash]:
    """The clashes, each pair of parts once. Of many parts on one place not every pair is named."""
    found: dict[tuple[int, int], Clash] = {}
    active: list[_Run] = []
    runs = [run for part in _close(parts) for run in _runs(part)]
    for run in sorted(runs, key=lambda r: r.start):
        active = [other for other in active if other.stop > run.start]
        met = [other for other in active if run.meets(other)]
        for other in met:
            clash = Clash(first=other.part, second=run.part, at=run.start)
            found.setdefault((id(other.part), id(run.part)), clash)
        # Of those that lie on one another the one that reaches furthest stays, so that the list stays short.
        furthest = max([run, *met], key=lambda r: r.stop)
        active = [other for other in active if other not in met] + [furthest]
    return list(found.values())


def _close(parts: Iterable[Part]) -> list[Part]:
    """The parts whose block meets another part's, or that may lie on themselves."""
    ordered = sorted(parts, key=lambda part: (part.start, part.stop))
    near: list[Part] = []
    furthest = -1
    for place, part in enumerate(ordered):
        following = ordered[place + 1].start if place + 1 < len(ordered) else part.stop
        if part.start < furthest or following < part.stop or _folded(part):
            near.append(part)
        furthest = max(furthest, part.stop)
    return near


def _folded(part: Part) -> bool:
    """Whether a stride is smaller than what it steps over, so that cells may lie on one another."""
    if part.cells is None:
        return False
    reach = part.cells.type.size
    for count, stride in _steps(part.cells):
        if count > 1 and stride < reach:
            return True
        reach += (count - 1) * stride
    return False


def _steps(cells: Cells) -> list[tuple[int, int]]:
    """Count and stride of every dimension, the fastest first."""
    return sorted(zip(cells.shape, map(abs, cells.strides), strict=True), key=lambda pair: pair[1])


def _runs(part: Part) -> Iterator[_Run]:
    cells = part.cells
    if cells is None:
        yield _Run(part.start, part.stop, part)
        return
    length = cells.type.size
    left: list[tuple[int, int]] = []
    for count, stride in _steps(cells):
        if stride == length and not left and cells.mask is None:
            length *= count
        elif count > 1:
            left.append((count, stride))
    if math.prod(count for count, _ in left) > _MOST_RUNS:
        yield _Run(part.start, part.stop, part)
        return
    whole = (1 << 8 * length) - 1
    bits = b"" if cells.mask is None else (cells.mask & whole).to_bytes(length, cells.byte_order)
    for offsets in product(*(range(0, count * stride, stride) for count, stride in left)):
        start = part.start + sum(offsets)
        yield _Run(start, start + length, part, bits)
