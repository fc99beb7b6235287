"""Two surfaces at the same operating points, for tables whose axes moved.

Cell by cell, a table whose axis moved says nothing: cell (3, 4) stands for another engine speed than before. Both
surfaces are therefore reckoned over the union of both grids, the way controllers do (common practice, no source):
straight lines between breakpoints in each dimension, and the end breakpoint's value beyond the ends.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from caldiff.diff.model import Surface
from caldiff.table.model import Floats

__all__ = ["MOST_POINTS", "Grid", "NoSurface", "interpolate", "same_points"]

MOST_POINTS = 1 << 20
"""the union of two grids may have this many operating points, so that no pair of images takes minutes or gigabytes"""

_NOISE = 16 * np.finfo(np.float64).eps
"""relative error that interpolation in doubles may add"""


class NoSurface(Exception):  # noqa: N818 - an answer between two modules of this room, never shown as an error
    """Why two tables have no common surface, in words."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Grid:
    """One table as a surface over its axes.

    Attributes:
        points: breakpoints per dimension in array order, shape ``(n,)``, strictly rising or strictly falling.
        values: shape ``tuple(len(p) for p in points)``.
        rounding: half a raw step in physical units, for every cell (the shape of ``values``) or one for all (``()``).
    """

    points: tuple[Floats, ...]
    values: Floats
    rounding: Floats


def interpolate(points: Sequence[Floats], values: Floats, at: Sequence[Floats]) -> Floats:
    """Multilinear interpolation over a grid, the ends held.

    Args:
        points: breakpoints per dimension, strictly rising.
        values: shape ``tuple(len(p) for p in points)``.
        at: operating points per dimension; every combination is reckoned.

    Returns:
        The values, shape ``tuple(len(a) for a in at)``. On a breakpoint they are the grid's own, to the bit.
    """
    for dimension, (knots, wanted) in enumerate(zip(points, at, strict=True)):
        if knots.size == 1:
            values = np.repeat(values, wanted.size, axis=dimension)
            continue
        left = np.searchsorted(knots[1:-1], wanted, side="right")
        share = (wanted - knots[left]) / (knots[left + 1] - knots[left])
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        share = share.reshape([-1 if d == dimension else 1 for d in range(values.ndim)])
        # This form, rather than left + share * step, meets both ends exactly.
        values = values.take(left, dimension) * (1.0 - share) + values.take(left + 1, dimension) * share
    return values


def same_points(before: Grid, after: Grid) -> Surface:
    """Both surfaces over the union of their breakpoints, and whether they differ by more than rounding.

    A stored cell is within half a raw step of what was meant. Interpolation weighs cells by shares that sum to one, so
    at every point the rounding of both sides together is at most the sum of their interpolated half steps. A difference
    that reaches that sum is a change.

    Raises:
        NoSurface: an axis is neither strictly rising nor falling, a value is not finite, the dimensions differ, doubles
            overflow, or the union of the grids is larger than ``MOST_POINTS``.
    """
    if len(before.points) != len(after.points):
        raise NoSurface("the number of axes changed")
    before, after = _rising(before), _rising(after)
    points = tuple(_union(b, a) for b, a in zip(before.points, after.points, strict=True))
    count = int(np.prod([p.size for p in points]))
    if count > MOST_POINTS:
        raise NoSurface(f"the union of both grids has {count} operating points, more than {MOST_POINTS}")
    with np.errstate(all="ignore"):  # what overflows on the way is refused below
        ours = interpolate(before.points, before.values, points)
        theirs = interpolate(after.points, after.values, points)
        rounding = _rounding(before, points) + _rounding(after, points)
        difference = np.abs(theirs - ours)
        noise = _NOISE * max(np.abs(ours).max(), np.abs(theirs).max())
    if not np.isfinite(difference).all():
        raise NoSurface("the numbers are too large to reckon with")
    beyond = (difference + noise >= rounding) & (difference > noise)
    place = np.unravel_index(np.argmax(np.where(beyond, difference, -1.0) if beyond.any() else difference), ours.shape)
    for array in (*points, ours, theirs):
        array.flags.writeable = False
    return Surface(
        points=points,
        before=ours,
        after=theirs,
        tolerance=float(np.broadcast_to(rounding, ours.shape)[place]),
        changed=bool(beyond.any()),
        largest=float(difference[place]),
        at=tuple(float(p[i]) for p, i in zip(points, place, strict=True)),
    )


def _union(ours: Floats, theirs: Floats) -> Floats:
    """The points of both, rising, each once (``np.union1d`` would load numpy.ma)."""
    points = np.sort(np.concatenate([ours, theirs]))
    return np.asarray(points[np.append(True, points[1:] != points[:-1])])


def _rounding(grid: Grid, points: tuple[Floats, ...]) -> Floats:
    return interpolate(grid.points, grid.rounding, points) if grid.rounding.ndim else grid.rounding


def _rising(grid: Grid) -> Grid:
    """The grid with every axis rising; a strictly falling one is turned round."""
    if not np.isfinite(grid.values).all():
        raise NoSurface("a value is not a finite number")
    turned = tuple(d for d, points in enumerate(grid.points) if _falls(points))
    if not turned:
        return grid
    return Grid(
        points=tuple(p[::-1] if d in turned else p for d, p in enumerate(grid.points)),
        values=np.flip(grid.values, turned),
        rounding=np.flip(grid.rounding, turned) if grid.rounding.ndim else grid.rounding,
    )


def _falls(points: Floats) -> bool:
    """Whether the points fall strictly, as opposed to rising strictly; NoSurface where they do neither."""
    if not points.size:
        raise NoSurface("an axis has no breakpoint")
    with np.errstate(all="ignore"):  # points that are not finite are refused below
        steps = points[1:] - points[:-1]
    rises, falls = bool((steps > 0).all()), bool((steps < 0).all())
    if not (rises or falls) or not np.isfinite(points[[0, -1]]).all():
        raise NoSurface("an axis does not rise strictly")
    return falls and not rises
