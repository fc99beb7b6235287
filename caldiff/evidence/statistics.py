"""Mean, spread, extremes and percentiles of a channel per cell, over a stream.

Everything is weighted by time: a sample counts for the seconds that it stands for. Blocks are merged by the pairwise
rule for sums of squares (Chan, Golub and LeVeque, Updating Formulae and a Pairwise Algorithm for Computing Sample
Variances, 1979; from memory), which loses no digits where the spread is small against the mean.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.evidence.percentile import Sketch
from caldiff.table.model import Floats
from caldiff.value import Shown

__all__ = ["CellStatistics", "Moments"]

Indices = npt.NDArray[np.intp]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class CellStatistics(Shown):
    """What a channel did in each cell of a table; arrays of the table's shape, NaN where nothing was seen.

    Attributes:
        seconds: for which the channel was known in the cell.
        mean: over time. spread: standard deviation over time, of all that was seen (not an estimate of more).
        least, greatest: the extremes.
        percentiles: by the percentage asked for; within ``error``.
        error: how far a percentile may be off, in the channel's unit.
    """

    seconds: Floats
    mean: Floats
    spread: Floats
    least: Floats
    greatest: Floats
    percentiles: Mapping[float, Floats]
    error: float


class Moments:
    """Gathers one channel over the cells of one grid."""

    def __init__(self, cells: int, percentiles: Sequence[float] = ()) -> None:
        self._cells = cells
        self._wanted = tuple(percentiles)
        self._sketch = Sketch(cells) if percentiles else None
        self._seconds, self._mean, self._squares = (np.zeros(cells) for _ in range(3))
        self._least, self._greatest = np.full(cells, np.inf), np.full(cells, -np.inf)

    def add(self, cells: Indices, values: Floats, seconds: Floats) -> None:
        """Take in samples: cells, values (NaN and infinite ones are left out) and seconds, all of shape ``(n,)``."""
        known = np.isfinite(values)
        if not known.all():
            cells, values, seconds = cells[known], values[known], seconds[known]
        size = self._cells
        time = np.bincount(cells, seconds, minlength=size)
        with np.errstate(invalid="ignore"):
            mean = np.where(time > 0, np.bincount(cells, seconds * values, minlength=size) / time, 0.0)
        off = values - mean.take(cells)
        squares = np.bincount(cells, seconds * off * off, minlength=size)
        total = self._seconds + time
        with np.errstate(invalid="ignore"):
            share = np.where(total > 0, time / total, 0.0)
        apart = mean - self._mean
        self._mean += apart * share
        self._squares += squares + apart * apart * share * self._seconds
        self._seconds = total
        np.minimum.at(self._least, cells, values)
        np.maximum.at(self._greatest, cells, values)
        if self._sketch is not None:
            self._sketch.add(cells, values, seconds)

    def result(self, shape: tuple[int, ...]) -> CellStatistics:
        """What was seen, in arrays of a table's shape."""
        seen = self._seconds > 0
        with np.errstate(invalid="ignore"):
            spread = np.sqrt(self._squares / self._seconds)

        def shaped(array: Floats) -> Floats:
            out = np.where(seen, array, np.nan).reshape(shape)
            out.flags.writeable = False
            return out

        percentiles: dict[float, Floats] = {}
        if self._sketch is not None:
            found = self._sketch.percentiles(self._wanted)
            held = np.minimum(np.maximum(found, self._least), self._greatest)
            percentiles = {p: shaped(row) for p, row in zip(self._wanted, held, strict=True)}
        seconds = self._seconds.reshape(shape)
        seconds.flags.writeable = False
        return CellStatistics(
            seconds=seconds,
            mean=shaped(self._mean),
            spread=shaped(spread),
            least=shaped(self._least),
            greatest=shaped(self._greatest),
            percentiles=percentiles,
            error=self._sketch.step / 2 if self._sketch else 0.0,
        )
