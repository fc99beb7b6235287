"""Tables that need no look, since all their cells are within all limits and close together: told of thousands at once.

Whatever is not simple, or not quite right, is left to be looked at by itself; so nothing is refused or accepted here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.definition import Definition
from caldiff.definition.model import Limits, Linear, StoredAxis, TableSpec
from caldiff.errors import CaldiffError
from caldiff.gate.policy import Limit, Step
from caldiff.image.model import Image
from caldiff.table.decode import decode_axis
from caldiff.table.layout import addresses, dtype_of
from caldiff.table.scale import raw_limits

__all__ = ["Sieve"]

_MOST_CELLS = 1 << 24
"""of one type of number, so that memory keeps to some hundred megabytes"""


@attrs.frozen(kw_only=True, eq=False)
class _Row:
    """A table of integers with the lowest and highest raw value that nothing is wrong with.

    ``spread``: a step between any two cells that is no larger is not too large; None where no step is.
    """

    spec: TableSpec
    low: int | None = None
    high: int | None = None
    spread: int | None = None

    def takes(self, least: int, most: int) -> bool:
        """Whether nothing is wrong with cells of which these are the extremes."""
        return (
            (self.low is None or least >= self.low)
            and (self.high is None or most <= self.high)
            and (self.spread is None or most - least <= self.spread)
        )


@attrs.frozen(kw_only=True, eq=False)
class _Group:
    """Tables that store one type of number.

    Attributes:
        dtype: of a stored number.
        start, stop: addresses that hold all of them.
        places: offset from ``start`` of every cell, table after table.
        firsts: index into ``places`` of each table's first cell.
    """

    rows: tuple[_Row, ...]
    dtype: np.dtype[Any]
    start: int
    stop: int
    places: npt.NDArray[np.intp]
    firsts: npt.NDArray[np.intp]

    @classmethod
    def of(cls, dtype: np.dtype[Any], rows: list[_Row]) -> _Group:
        """Lay them out."""
        cells = [row.spec.cells for row in rows]
        found = [addresses(c.at, c.shape, c.strides).ravel() for c in cells]
        start = min(c.hull[0] for c in cells)
        return cls(
            rows=tuple(rows),
            dtype=dtype,
            start=start,
            stop=max(c.hull[1] for c in cells),
            places=np.concatenate(found) - start,
            firsts=np.cumsum([0, *(f.size for f in found[:-1])]),
        )

    def clean(self, image: Image) -> Iterator[TableSpec]:
        """The tables that lie within their limits; none where the image does not hold them in one piece."""
        segment = image.segment_at(self.start)
        if segment is None or self.stop > segment.stop:
            return
        count = self.stop - self.start - self.dtype.itemsize + 1
        words = np.ndarray((count,), self.dtype, segment.data, self.start - segment.start, (1,))
        raw = words[self.places].astype(self.dtype.newbyteorder("="))
        least, most = (extreme.reduceat(raw, self.firsts).tolist() for extreme in (np.minimum, np.maximum))
        yield from (row.spec for row, *ends in zip(self.rows, least, most, strict=True) if row.takes(*ends))


class Sieve:
    """All tables of a definition with the limits and largest steps that are asked of them."""

    def __init__(
        self, definition: Definition, asked: Iterable[tuple[TableSpec, tuple[Limit, ...], tuple[Step, ...]]]
    ) -> None:
        self._definition = definition
        rows: dict[str, list[_Row]] = {}
        for spec, limits, steps in asked:
            row = _row(spec, limits, steps)
            if row is not None:
                rows.setdefault(dtype_of(spec.cells.type, spec.cells.byte_order).str, []).append(row)
        self._groups = [
            _Group.of(np.dtype(text), same)
            for text, same in rows.items()
            if sum(int(np.prod(row.spec.cells.shape)) for row in same) <= _MOST_CELLS
        ]

    def clean(self, image: Image) -> set[str]:
        """Names of tables with which nothing is wrong, neither with their cells nor with their axes."""
        axes: dict[str, bool] = {}
        return {
            spec.name
            for group in self._groups
            for spec in group.clean(image)
            if all(self._sound(image, axis.name, axes) for axis in spec.axes if isinstance(axis, StoredAxis))
        }

    def _sound(self, image: Image, name: str, known: dict[str, bool]) -> bool:
        """Whether a shared axis can be read, with nothing to say about it."""
        if name not in known:
            try:
                known[name] = not decode_axis(image, self._definition.axes[name]).problems
            except CaldiffError:
                known[name] = False
        return known[name]


def _row(spec: TableSpec, limits: tuple[Limit, ...], steps: tuple[Step, ...]) -> _Row | None:
    """The table as it is sieved; None where it must be looked at."""
    cells, linear = spec.cells, spec.scaling.conversion
    if spec.record is not None or spec.kind in {"text", "flags"} or 0 in cells.shape:
        return None
    if not isinstance(linear, Linear) or cells.type.kind not in "iu" or cells.mask is not None:
        return None
    if any(isinstance(axis, StoredAxis) and (not axis.shared or axis.count is not None) for axis in spec.axes):
        return None
    meant = (*(limit.tables for limit in limits), *(step.tables for step in steps))
    if any(tables.unit not in {None, spec.scaling.unit} for tables in meant):
        return None
    bounds = [raw_limits(linear, one) for one in _bounds(spec, limits)]
    return _Row(
        spec=spec,
        low=max((low for low, _ in bounds), default=None),
        high=min((high for _, high in bounds), default=None),
        spread=min((int(step.most // abs(linear.factor)) for step in steps), default=None),
    )


def _bounds(spec: TableSpec, limits: tuple[Limit, ...]) -> Iterator[Limits]:
    for limit in limits:
        if limit.bounds is not None:
            yield limit.bounds
        if limit.defined and spec.effective_limits is not None:
            yield spec.effective_limits
