"""Percentiles of a stream, cell by cell, without keeping it.

Seconds are counted in equal steps of the value. A step is a power of two, and steps begin at its multiples: the
smallest for which the whole range seen so far takes at most :data:`STEPS`. When the range grows, two steps become one,
and no second is moved to another place: what comes out depends on what was seen, not on how it was cut into blocks.

The percentile p of a cell is the lowest value at or below which at least p % of its time was spent. The middle of its
step is given, held to the cell's extremes: at most half a step off, and a step is at most 1/255 of the range over all
cells (or 1/2**40 of the largest value, where that is more).
"""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, frexp, ldexp

import numpy as np
import numpy.typing as npt

from caldiff.table.model import Floats

__all__ = ["STEPS", "Sketch"]

STEPS = 512
"""of the value, over the whole range"""
_FINEST = 40
"""bits of the largest value that a step resolves at most, so that the number of a step is exact"""
_SMALLEST = -1000
"""exponent of the smallest step"""


class Sketch:
    """Seconds per cell and step of the value. Only cells that were visited take memory: 4 KiB each."""

    def __init__(self, cells: int) -> None:
        self._rows = np.full(cells, -1, np.intp)
        self._seconds = np.zeros((0, STEPS))
        self._exponent: int | None = None
        self._first = 0
        self._low, self._high = np.inf, -np.inf

    @property
    def step(self) -> float:
        """The width of a step, twice the greatest error; 0 before anything was seen."""
        return 0.0 if self._exponent is None else ldexp(1.0, self._exponent)

    def add(self, cells: npt.NDArray[np.intp], values: Floats, seconds: Floats) -> None:
        """Count samples: their cells, finite values and seconds, all of shape ``(n,)``."""
        if not cells.size:
            return
        self._widen(float(values.min()), float(values.max()))
        self._make_rows(cells)
        steps = np.floor(values / self.step).astype(np.int64) - self._first
        flat = self._rows[cells] * STEPS + steps
        self._seconds += np.bincount(flat, seconds, minlength=self._seconds.size).reshape(self._seconds.shape)

    def percentiles(self, wanted: Sequence[float]) -> Floats:
        """The percentiles 0 to 100 of every cell, shape ``(len(wanted), cells)``; NaN for a cell without samples."""
        found = np.full((len(wanted), self._rows.size), np.nan)
        seen = np.flatnonzero(self._rows >= 0)
        if not seen.size:
            return found
        reached = self._seconds[self._rows[seen]].cumsum(axis=1)
        for n, percent in enumerate(wanted):
            goal = reached[:, -1:] * (percent / 100) * (1 - 1e-12)
            steps = np.argmax((reached >= goal) & (reached > 0), axis=1)
            found[n, seen] = (steps + self._first + 0.5) * self.step
        return found

    def _make_rows(self, cells: npt.NDArray[np.intp]) -> None:
        fresh = np.zeros(self._rows.size, np.bool_)
        fresh[cells] = True
        fresh &= self._rows < 0
        count = int(np.count_nonzero(fresh))
        if count:
            have = len(self._seconds)
            self._rows[fresh] = np.arange(have, have + count)
            self._seconds = np.concatenate([self._seconds, np.zeros((count, STEPS))])

    def _widen(self, low: float, high: float) -> None:
        """Make the steps wide enough for the range."""
        if low >= self._low and high <= self._high:
            return
        self._low, self._high = min(low, self._low), max(high, self._high)
        exponent, first = _steps(self._low, self._high)
        if self._exponent is not None:
            finer = np.arange(self._first, self._first + STEPS)
            coarser = (finer >> min(exponent - self._exponent, 62)) - first
            kept = (coarser >= 0) & (coarser < STEPS)  # what falls out was never counted in
            moved = np.zeros_like(self._seconds)
            np.add.at(moved.T, coarser[kept], self._seconds.T[kept])
            self._seconds = moved
        self._exponent, self._first = exponent, first


def _steps(low: float, high: float) -> tuple[int, int]:
    """The exponent of the smallest step that takes the range, and the number of its first one."""
    largest = max(abs(low), abs(high))
    exponent = max(frexp(largest)[1] - _FINEST, _SMALLEST) if largest else _SMALLEST
    if high > low:
        exponent = max(exponent, frexp(high / 2 - low / 2)[1] + 1 - STEPS.bit_length())
    while floor(ldexp(high, -exponent)) - floor(ldexp(low, -exponent)) >= STEPS:
        exponent += 1
    return exponent, floor(ldexp(low, -exponent))
