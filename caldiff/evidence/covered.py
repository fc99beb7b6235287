"""What a log says of a calibration's tables, as frozen values. Arrays are read-only and have the table's shape."""

from __future__ import annotations

from collections.abc import Mapping

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.evidence.statistics import CellStatistics
from caldiff.table.model import Floats, Table
from caldiff.value import Shown, Value

__all__ = ["AxisCoverage", "Change", "Coverage", "LeftOut", "TableCoverage"]

Bools = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class AxisCoverage(Value):
    """How far the engine went along one axis of a table.

    Attributes:
        name, quantity, unit: of the axis.
        seconds: for which the quantity was known.
        below, above: seconds beyond the lowest and the highest breakpoint, where the end holds.
        least, greatest: the extremes that were seen; None where nothing was.
    """

    name: str
    quantity: str
    unit: str
    seconds: float
    below: float
    above: float
    least: float | None
    greatest: float | None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Change(Shown):
    """What became of a table's cells since another image.

    Attributes:
        changed: the cells that changed. Where an axis moved, those whose surroundings changed: the surface before and
            after differ at an operating point that is nearest to the cell.
        step: by how much, after minus before, in physical units; 0 where nothing changed, NaN where that is no number
            (the table is new, or of another size).
        moved: an axis moved, so that ``step`` is the largest difference of the surfaces around the cell.
    """

    changed: Bools
    step: Floats
    moved: bool = False

    @property
    def cells(self) -> int:
        """The number of changed cells."""
        return int(np.count_nonzero(self.changed))


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TableCoverage(Shown):
    """Where the engine went in one table.

    Attributes:
        table: as the image holds it.
        axes: one per dimension, in array order.
        samples, seconds: of which the cell is the nearest one.
        shares: seconds by the shares that interpolation gives each cell; they add up to the same.
        visits: how often the engine entered the cell (the nearest one), a gap in the samples counting as leaving it.
        statistics: of the channels that were asked for, by quantity.
        change: since the image that was asked for; None where none was, or the table is the same in both.
    """

    table: Table
    axes: tuple[AxisCoverage, ...]
    samples: Counts
    seconds: Floats
    shares: Floats
    visits: Counts
    statistics: Mapping[str, CellStatistics] = attrs.field(factory=dict)
    change: Change | None = None

    @property
    def name(self) -> str:
        """The table's name."""
        return self.table.name

    @property
    def visited(self) -> Bools:
        """The cells that were the nearest one to some sample."""
        return self.samples > 0

    @property
    def changed(self) -> int:
        """The number of changed cells."""
        return self.change.cells if self.change else 0

    @property
    def evident(self) -> int:
        """The number of changed cells that were visited."""
        return int(np.count_nonzero(self.change.changed & self.visited)) if self.change else 0

    @property
    def least_seconds(self) -> float:
        """The seconds of the changed cell with the fewest; 0 where no cell changed."""
        return float(self.seconds[self.change.changed].min()) if self.change and self.change.cells else 0.0

    @property
    def evidence(self) -> float | None:
        """The share of the change with evidence, 0 to 1: of the sizes of all steps together, those in visited cells.

        By count where a step is no number; None where no cell changed.
        """
        if self.change is None or not self.change.cells:
            return None
        sizes = np.abs(self.change.step[self.change.changed])
        total = float(sizes.sum())
        if not np.isfinite(total) or not total:
            return self.evident / self.changed
        return float(sizes[self.visited[self.change.changed]].sum()) / total

    def __repr__(self) -> str:
        changed = f", {self.evident} of {self.changed} changed cells visited" if self.change else ""
        return f"<TableCoverage {self.name}: {int(self.visited.sum())} of {self.samples.size} cells visited{changed}>"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class LeftOut(Value):
    """A table of which the log says nothing.

    Attributes:
        reason: in words.
        changed: the number of its cells that changed since the image that was asked for.
    """

    name: str
    reason: str
    changed: int = 0


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Coverage(Shown):
    """Where the engine went in the tables of a calibration.

    Attributes:
        label: of the calibration. since: of the image that changes are told from, or None.
        samples, seconds: that were taken in. Samples that stand for no time (the last before a gap) are not.
        tables: those whose axes all have channels; the changed ones first, else in the definition's order.
        left_out: the others; the changed ones first.
    """

    label: str
    since: str | None
    samples: int
    seconds: float
    tables: tuple[TableCoverage, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def changed(self) -> int:
        """The number of changed cells, those in tables of which the log says nothing included."""
        return sum(t.changed for t in self.tables) + sum(t.changed for t in self.left_out)

    @property
    def evident(self) -> int:
        """The number of changed cells that were visited."""
        return sum(t.evident for t in self.tables)

    def __getitem__(self, name: str) -> TableCoverage:
        """The coverage of a table. Raises KeyError where it has none."""
        for table in self.tables:
            if table.name == name:
                return table
        raise KeyError(name)

    def __repr__(self) -> str:
        changed = f", {self.evident} of {self.changed} changed cells visited" if self.since else ""
        return f"<Coverage of {self.label!r}: {self.seconds:.0f} s over {len(self.tables)} tables{changed}>"
