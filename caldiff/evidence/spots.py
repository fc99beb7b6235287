"""Samples piece by piece, and where those of a piece lie on each distinct axis."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Protocol

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.evidence.covered import AxisCoverage
from caldiff.evidence.locate import BLOCK, Located, Locator
from caldiff.table.model import AxisValues, Floats
from caldiff.value import Shown

__all__ = ["AxisKey", "Piece", "Rows", "Spots", "key_of", "pieces"]

_STEADY = 1e-6
"""seconds that the time of a sample may lie off what the one before stands for, without being a gap"""

Bools = npt.NDArray[np.bool_]
AxisKey = tuple[str, bytes]
"""quantity and breakpoints: axes that agree in both are one"""


def key_of(axis: AxisValues) -> AxisKey:
    """What an axis is found by."""
    return axis.spec.quantity, axis.physical.tobytes()


class Rows(Protocol):
    """Samples, all arrays of shape ``(n,)``: seconds from the log's start, seconds each stands for, values (or NaN)."""

    @property
    def time(self) -> Floats:
        """Seconds from the log's start."""

    @property
    def weight(self) -> Floats:
        """Seconds that each stands for."""

    @property
    def values(self) -> Mapping[str, Floats]:
        """By quantity, NaN where one is not known."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Piece(Shown):
    """Some consecutive samples, few enough to stay in the cache; arrays of shape ``(n,)``.

    Attributes:
        seconds: that each stands for, above 0.
        joined: it follows on the one before, without a gap.
        values, known: by quantity; ``known`` is None where no value is NaN.
    """

    seconds: Floats
    joined: Bools
    values: Mapping[str, Floats]
    known: Mapping[str, Bools | None]


def pieces(samples: Iterable[Rows]) -> Iterator[Piece]:
    """Samples in pieces, without those that stand for no time."""
    end = np.nan
    for rows in samples:
        for start in range(0, rows.time.size, BLOCK):
            part = slice(start, start + BLOCK)
            time, seconds = rows.time[part], rows.weight[part]
            values = {name: array[part] for name, array in rows.values.items()}
            counts = seconds > 0
            if not counts.all():
                time, seconds = time[counts], seconds[counts]
                values = {name: array[counts] for name, array in values.items()}
            if not time.size:
                continue
            ends = time + seconds
            gap = time - np.concatenate([[end], ends[:-1]])
            end = float(ends[-1])
            known = {name: _known(array) for name, array in values.items()}
            yield Piece(seconds=seconds, joined=np.abs(gap) <= _STEADY, values=values, known=known)


def _known(values: Floats) -> Bools | None:
    missing = np.isnan(values)
    return ~missing if missing.any() else None


class Spots:
    """Where the samples of the present piece lie on each distinct axis; each is located once, when first asked for."""

    def __init__(self, axes: Mapping[AxisKey, Floats]) -> None:
        self._locators = {key: Locator(points) for key, points in axes.items()}
        self._ranges = {key: _Range(points) for key, points in axes.items()}
        self._places: dict[AxisKey, Located] = {}
        self._piece: Piece | None = None

    def move(self, piece: Piece) -> None:
        """Go on to a piece."""
        self._piece, self._places = piece, {}
        for key, span in self._ranges.items():
            if key[0] in piece.values:
                span.add(piece.values[key[0]], piece.known[key[0]], piece.seconds)

    def __getitem__(self, key: AxisKey) -> Located:
        """The places on an axis whose quantity the piece has; of no meaning where the value is NaN."""
        if key not in self._places:
            if self._piece is None:
                raise KeyError(key)
            self._places[key] = self._locators[key].locate(self._piece.values[key[0]])
        return self._places[key]

    def seen(self, key: AxisKey) -> bool:
        """Whether any piece had the quantity of an axis."""
        return self._ranges[key].asked

    def coverage(self, axis: AxisValues, key: AxisKey) -> AxisCoverage:
        """How far the engine went along an axis."""
        span = self._ranges[key]
        return AxisCoverage(
            name=axis.name,
            quantity=key[0],
            unit=axis.unit,
            seconds=span.seconds,
            below=span.below,
            above=span.above,
            least=span.least if span.seconds else None,
            greatest=span.greatest if span.seconds else None,
        )


class _Range:
    """How far a quantity went, and for how long beyond the ends of an axis."""

    def __init__(self, points: Floats) -> None:
        self._low, self._high = float(points.min()), float(points.max())
        self.seconds = self.below = self.above = 0.0
        self.least, self.greatest = np.inf, -np.inf
        self.asked = False

    def add(self, values: Floats, known: Bools | None, seconds: Floats) -> None:
        self.asked = True
        if known is not None:
            values, seconds = values[known], seconds[known]
        if not values.size:
            return
        self.seconds += float(seconds.sum())
        least, greatest = float(values.min()), float(values.max())
        if least < self._low:
            self.below += float(seconds[values < self._low].sum())
        if greatest > self._high:
            self.above += float(seconds[values > self._high].sum())
        self.least, self.greatest = min(least, self.least), max(greatest, self.greatest)
