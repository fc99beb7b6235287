"""``cover``: where the engine went in the tables of a calibration, and in the cells that changed.

One pass over the samples, block by block, whatever their number. Each distinct axis is located once, and tables on the
same axes share all that is counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import TypeVar

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition.model import Axis, FixedAxis
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, TableDiff
from caldiff.errors import TableError, UsageError
from caldiff.evidence.changing import change_of, changed_cells
from caldiff.evidence.covered import AxisCoverage, Change, Coverage, LeftOut, TableCoverage
from caldiff.evidence.locate import Grid, Locator
from caldiff.evidence.spots import AxisKey, Piece, Rows, Spots, key_of, pieces
from caldiff.evidence.statistics import CellStatistics, Moments
from caldiff.table.calibration import Calibration
from caldiff.table.model import Floats, Table

__all__ = ["cover", "quantities_of"]


def quantities_of(calibration: Calibration, tables: Iterable[str] | None = None) -> dict[str, str]:
    """The quantities that the axes of tables stand for (of all by default), with the unit that each is wanted in.

    Where axes of one quantity have different units, the first in the definition's order counts.
    """
    definition = calibration.definition
    units: dict[str, str] = {}
    for spec in definition.tables.values() if definition else ():
        for axis in spec.axes:
            if axis.quantity:
                units.setdefault(axis.quantity, _unit(axis))
    if tables is None:
        return units
    specs = (definition.find_table(name) for name in tables) if definition else ()
    wanted = {axis.quantity for spec in specs if spec for axis in spec.axes}
    return {quantity: unit for quantity, unit in units.items() if quantity in wanted}


def cover(  # noqa: PLR0913 - one keyword a choice
    samples: Iterable[Rows],
    calibration: Calibration,
    *,
    tables: Iterable[str] | None = None,
    statistics: Sequence[str] = (),
    percentiles: Sequence[float] = (),
    since: Calibration | Comparison | None = None,
) -> Coverage:
    """Where the engine went.

    Args:
        samples: in order of time, log after log; values in the units that :func:`quantities_of` wants. Read once.
        calibration: what ran.
        tables: names of the tables wanted; all by default.
        statistics: quantities to be told of per cell.
        percentiles: 0 to 100, of each of them.
        since: the image that changes are told from, or the comparison of it with ``calibration``.

    Raises:
        UsageError: a percentile is not within 0 to 100, or ``since`` compares something else.
        TableError: a table that was asked for is not there.
    """
    if not all(0 <= p <= 100 for p in percentiles):  # noqa: PLR2004 - per cent
        raise UsageError("a percentile is a number from 0 to 100")
    comparison = _comparison(since, calibration)
    diffs = {diff.name: diff for diff in comparison.tables} if comparison else {}
    plan = _Plan.of(calibration, _names(calibration, tables), diffs)
    spots = Spots(plan.axes)
    tallies = {
        keys: _Tally(shape=shape, keys=keys, statistics=statistics, percentiles=percentiles)
        for keys, shape in plan.grids().items()
    }
    count, seconds = 0, 0.0
    for piece in pieces(samples):
        count, seconds = count + piece.seconds.size, seconds + float(piece.seconds.sum())
        spots.move(piece)
        for tally in tallies.values():
            tally.add(piece, spots)
    found = [plan.covered(table, keys, tallies[keys], spots) for table, keys in plan.tables if tallies[keys].known]
    left = [
        *plan.left_out,
        *(plan.unseen(table, keys, spots) for table, keys in plan.tables if not tallies[keys].known),
    ]
    return Coverage(
        label=calibration.label,
        since=comparison.before.label if comparison else None,
        samples=count,
        seconds=seconds,
        tables=tuple(sorted(found, key=lambda t: not t.changed)),
        left_out=tuple(sorted(left, key=lambda t: not t.changed)),
    )


def _comparison(since: Calibration | Comparison | None, calibration: Calibration) -> Comparison | None:
    if since is None or isinstance(since, Calibration):
        return None if since is None else compare(since, calibration)
    if since.after is not calibration and since.after.image.content != calibration.image.content:
        raise UsageError("the comparison is of another image than the one that ran")
    return since


def _names(calibration: Calibration, tables: Iterable[str] | None) -> list[str]:
    if tables is None:
        return list(calibration)
    found = []
    for name in tables:
        spec = calibration.definition.find_table(name) if calibration.definition else None
        if spec is None:
            raise TableError(f"there is no table '{name}'", file=calibration.label)
        found.append(spec.name)
    return list(dict.fromkeys(found))


# -------------------------------------------------------------------------------------------------------------- tables


GridKey = tuple[AxisKey, ...]
Number = TypeVar("Number", np.float64, np.int64)


def _unit(axis: Axis) -> str:
    return axis.unit if isinstance(axis, FixedAxis) else axis.scaling.unit


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Plan:
    """Which tables a log can be held against, and on which axes."""

    tables: tuple[tuple[Table, GridKey], ...]
    axes: Mapping[AxisKey, Floats]
    left_out: tuple[LeftOut, ...]
    diffs: Mapping[str, TableDiff]

    @classmethod
    def of(cls, calibration: Calibration, names: Sequence[str], diffs: Mapping[str, TableDiff]) -> _Plan:
        """Sort the tables into those with axes that samples can be located on, and the others."""
        units = quantities_of(calibration)
        tables: list[tuple[Table, GridKey]] = []
        axes: dict[AxisKey, Floats] = {}
        left_out: list[LeftOut] = []
        for name in names:
            found = _readable(calibration, name, units)
            if isinstance(found, str):
                cells = changed_cells(diffs[name]) if name in diffs else 0
                left_out.append(LeftOut(name=name, reason=found, changed=cells))
                continue
            keys = tuple(map(key_of, found.axes))
            axes.update(zip(keys, (axis.physical for axis in found.axes), strict=True))
            tables.append((found, keys))
        return cls(tables=tuple(tables), axes=axes, left_out=tuple(left_out), diffs=diffs)

    def grids(self) -> dict[GridKey, tuple[int, ...]]:
        """The distinct axes of tables, with their shape."""
        return {keys: table.shape for table, keys in self.tables}

    def covered(self, table: Table, keys: GridKey, tally: _Tally, spots: Spots) -> TableCoverage:
        """What is known of a table."""
        diff = self.diffs.get(table.name)
        axes = tuple(spots.coverage(axis, key) for axis, key in zip(table.axes, keys, strict=True))
        return tally.covered(table, axes, change_of(diff, table) if diff else None)

    def unseen(self, table: Table, keys: GridKey, spots: Spots) -> LeftOut:
        """A table whose axes have no channel, or not at the same time."""
        missing = list(dict.fromkeys(key[0] for key in keys if not spots.seen(key)))
        reason = f"no channel for {' and '.join(missing)}" if missing else "no log has all of its channels"
        diff = self.diffs.get(table.name)
        return LeftOut(name=table.name, reason=reason, changed=changed_cells(diff) if diff else 0)


def _readable(calibration: Calibration, name: str, units: Mapping[str, str]) -> Table | str:
    """The table, or why no log can be held against it."""
    spec = calibration.definition.tables[name] if calibration.definition else None
    if spec is None or not spec.axes:
        return "it has no axes"
    for axis in spec.axes:
        if not axis.quantity:
            return f"the definition does not say what its axis {axis.name} stands for"
        if _unit(axis) != units[axis.quantity]:
            return f"its axis {axis.name} is in {_unit(axis)}, other axes of {axis.quantity} in {units[axis.quantity]}"
    try:
        table = calibration[name]
    except TableError as error:
        return f"unreadable: {error.reason}"
    for values in table.axes:
        if not Locator.takes(values.physical):
            return f"its axis {values.name} does not rise strictly"
    return table


class _Tally:
    """What is counted over the cells of one grid."""

    def __init__(
        self, *, shape: tuple[int, ...], keys: GridKey, statistics: Sequence[str], percentiles: Sequence[float]
    ) -> None:
        self._grid, self._keys = Grid(shape), keys
        self._quantities = tuple(dict.fromkeys(key[0] for key in keys))
        cells = self._grid.cells
        self._samples, self._visits = np.zeros(cells, np.int64), np.zeros(cells, np.int64)
        self._seconds, self._shares = np.zeros(cells), np.zeros(cells)
        self._moments = {quantity: Moments(cells, percentiles) for quantity in dict.fromkeys(statistics)}
        self._last = -1
        self.known = False
        """whether a piece had all channels"""

    def add(self, piece: Piece, spots: Spots) -> None:
        """Take in a piece, if it has the channels."""
        if any(quantity not in piece.values for quantity in self._quantities):
            self._last = -1
            return
        self.known = True
        places = [spots[key] for key in self._keys]
        seconds, joined = piece.seconds, piece.joined
        known = [mask for quantity in self._quantities if (mask := piece.known[quantity]) is not None]
        at = None
        if known:
            at = np.flatnonzero(np.logical_and.reduce(known))
            places = [place.at(at) for place in places]
            seconds, joined = seconds[at], joined[at] & (np.diff(at, prepend=-1) == 1)
        cells = self._grid.nearest(places)
        self._samples += np.bincount(cells, minlength=self._grid.cells)
        self._seconds += np.bincount(cells, seconds, minlength=self._grid.cells)
        self._shares += self._grid.shared(places, seconds)
        self._count_visits(cells, joined)
        if at is not None and (not at.size or at[-1] != piece.seconds.size - 1):
            self._last = -1
        for quantity, moments in self._moments.items():
            if quantity in piece.values:
                values = piece.values[quantity]
                moments.add(cells, values if at is None else values[at], seconds)

    def _count_visits(self, cells: npt.NDArray[np.intp], joined: npt.NDArray[np.bool_]) -> None:
        if not cells.size:
            return
        entered = np.empty(cells.size, np.bool_)
        entered[0] = cells[0] != self._last
        np.not_equal(cells[1:], cells[:-1], out=entered[1:])
        entered |= ~joined
        self._visits += np.bincount(cells[entered], minlength=self._grid.cells)
        self._last = int(cells[-1])

    def covered(self, table: Table, axes: tuple[AxisCoverage, ...], change: Change | None) -> TableCoverage:
        """What was counted, for one of the tables on these axes; they share the arrays."""
        return TableCoverage(
            table=table,
            axes=axes,
            samples=_shaped(self._samples, table.shape),
            seconds=_shaped(self._seconds, table.shape),
            shares=_shaped(self._shares, table.shape),
            visits=_shaped(self._visits, table.shape),
            statistics=self._statistics,
            change=change,
        )

    @cached_property
    def _statistics(self) -> Mapping[str, CellStatistics]:
        return {quantity: moments.result(self._grid.shape) for quantity, moments in self._moments.items()}


def _shaped(array: npt.NDArray[Number], shape: tuple[int, ...]) -> npt.NDArray[Number]:
    view = array.reshape(shape)
    view.flags.writeable = False
    return view
