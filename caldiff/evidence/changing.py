"""Which cells of a table changed, and by how much, as far as a log can be held against it."""

from __future__ import annotations

import numpy as np

from caldiff.diff.model import Surface, TableDiff
from caldiff.evidence.covered import Change
from caldiff.evidence.locate import Grid, Locator
from caldiff.table.model import Table

__all__ = ["change_of", "changed_cells"]


def change_of(diff: TableDiff, table: Table) -> Change | None:
    """The change of a table that ``compare`` found to differ; None where no cell nor the surface changed."""
    if diff.surface is not None:
        return _by_surface(diff.surface, table) if diff.surface.changed else None
    if diff.changed is None or diff.moved or diff.changed.shape != table.shape:
        return _made(np.ones(table.shape, np.bool_), np.full(table.shape, np.nan), moved=bool(diff.moved))
    if not diff.changed.any():
        return None
    step = np.full(table.shape, np.nan)
    if diff.before is not None and diff.before.shape == table.shape:
        with np.errstate(invalid="ignore"):
            step = table.physical - diff.before.physical
    return _made(diff.changed.copy(), np.where(diff.changed, step, 0.0))


def changed_cells(diff: TableDiff) -> int:
    """The number of changed cells of a table that a log says nothing of; all of them where none has a counterpart."""
    if diff.after is None:
        return 0
    change = change_of(diff, diff.after)
    return change.cells if change else 0


def _by_surface(surface: Surface, table: Table) -> Change:
    """After an axis moved, cell by cell misleads: each point of both grids counts for the cell nearest to it."""
    difference = surface.after - surface.before
    hit = np.abs(difference) > surface.tolerance
    if not hit.any():
        hit = np.abs(difference) == np.nanmax(np.abs(difference))
    grid = Grid(table.shape)
    places = [Locator(axis.physical).locate(points) for axis, points in zip(table.axes, surface.points, strict=True)]
    mesh = np.meshgrid(*(place.nearest for place in places), indexing="ij")
    cells = np.ravel_multi_index([index[hit] for index in mesh], grid.shape)
    steps = difference[hit]
    order = np.argsort(np.abs(steps), kind="stable")
    step = np.zeros(grid.cells)
    step[cells[order]] = steps[order]  # of several the last one stays, which is the largest
    return _made((step != 0).reshape(grid.shape), step.reshape(grid.shape), moved=True)


def _made(changed: np.ndarray, step: np.ndarray, *, moved: bool = False) -> Change:
    changed.flags.writeable = step.flags.writeable = False
    return Change(changed=changed, step=step, moved=moved)
