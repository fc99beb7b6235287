"""Two-dimensional layers of an array as grids: which rows and columns are shown, and their labels.

Rows and columns that hold nothing of interest are left out where three or more of them follow one another, and a gap
says so; what is cut beyond a bound is counted. ``--all`` shows everything.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import islice, product
from typing import Protocol

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.render.figures import (
    AxisFigures,
)
from caldiff.render.grid import Gap, Grid, Line, kept, laid
from caldiff.render.look import Look, wrapped
from caldiff.render.words import axis_label
from caldiff.table.model import Table

__all__ = ["INDENT", "Bools", "Cells", "Index", "Ruler", "plane_lines", "ruler_of"]

_ROWS, _COLUMNS, _LAYERS = 24, 32, 4
"""that are shown without ``--all``"""
INDENT = 4

Index = tuple[int, ...]
Bools = npt.NDArray[np.bool_]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Ruler:
    """The labels along one dimension: what it stands for, and each breakpoint after and before."""

    name: str
    after: Callable[[int], str]
    before: Callable[[int], str]

    def both(self, index: int) -> str:
        """The breakpoint after, and what it was where that differs."""
        now, was = self.after(index), self.before(index)
        return now if now == was else f"{now} (was {was})"


def ruler_of(before: Table, after: Table, dimension: int) -> Ruler:
    """The labels along one dimension of a table: its axis, or bare indices where it has none."""
    if dimension >= len(after.axes) or dimension >= len(before.axes):
        name = "" if after.raw.ndim == 1 else "column" if dimension == after.raw.ndim - 1 else "row"
        return Ruler(name=name, after=lambda i: f"[{i}]", before=lambda i: f"[{i}]")
    figures = AxisFigures(before.axes[dimension], after.axes[dimension])
    return Ruler(
        name=axis_label(after.axes[dimension].spec),
        after=lambda i: figures.text(1, i),
        before=lambda i: figures.text(0, i),
    )


class Cells(Protocol):
    """Fills lines. An index of None stands for columns that are left out."""

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """The lines of one row of a grid."""

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The lines of an array of one dimension."""


def plane_lines(
    hit: Bools, rulers: Sequence[Ruler], cells: Callable[[Sequence[Index]], Cells], look: Look, *, whole: bool
) -> list[str]:
    """Every layer of an array that has a hit; ``cells`` is given the indices that will be shown, layer by layer."""
    prefixes = [p for p in product(*map(range, hit.shape[:-2])) if whole or hit[p].any()]
    out: list[str] = []
    for prefix in islice(prefixes, None if whole else _LAYERS):
        if prefix:
            words = ", ".join(f"{rulers[n].name or 'layer'} {rulers[n].both(i)}" for n, i in enumerate(prefix))
            out += wrapped(look.text(words), look.width, indent=INDENT)
        out += _layer(hit[prefix], prefix, rulers, cells, look, whole=whole)
    if not whole and len(prefixes) > _LAYERS:
        out += _cut(look, layers=len(prefixes) - _LAYERS)
    return out


def _layer(  # noqa: PLR0913 - what a layer is made of
    hit: Bools,
    prefix: Index,
    rulers: Sequence[Ruler],
    cells: Callable[[Sequence[Index]], Cells],
    look: Look,
    *,
    whole: bool,
) -> list[str]:
    flat = hit.ndim == 1
    plane = hit.reshape(1, -1) if flat else hit
    columns, more_columns = _shown([bool(c.any()) for c in plane.T], _COLUMNS, whole=whole)
    rows, more_rows = _shown([bool(r.any()) for r in plane], _ROWS, whole=whole)

    def at(row: int, column: int) -> Index:
        return (*prefix, column) if flat else (*prefix, row, column)

    fill = cells([at(r, c) for r in rows if isinstance(r, int) for c in columns if isinstance(c, int)])
    lines: list[tuple[Line, ...] | Gap] = []
    for row in rows:
        if isinstance(row, Gap):
            lines.append(row)
            continue
        across = [None if isinstance(c, Gap) else at(row, c) for c in columns]
        lines.append(fill.curve(across) if flat else fill.row(across, look.text(rulers[-2].both(row))))
    grid = Grid(
        across=look.text(rulers[-1].name),
        down="" if flat else look.text(rulers[-2].name),
        heads=_heads(rulers[-1], columns, look),
        rows=tuple(lines),
        gaps={n: c.count for n, c in enumerate(columns) if isinstance(c, Gap)},
    )
    return [*laid(grid, look, indent=INDENT), *_cut(look, rows=more_rows, columns=more_columns)]


def _shown(hit: list[bool], most: int, *, whole: bool) -> tuple[Sequence[int | Gap], int]:
    """The indices to show along one dimension, and how many with a hit are cut off."""
    if whole:
        return range(len(hit)), 0
    places = kept(hit)
    rest = sum(hit[p] for p in places[most:] if isinstance(p, int))
    return (places[:most], rest) if rest else (places, 0)


def _cut(look: Look, **counts: int) -> list[str]:
    parts = [f"{count} more {what}" for what, count in counts.items() if count]
    text = f"{' and '.join(parts)} with changes not shown; --all shows them"
    return wrapped(text, look.width, indent=INDENT) if parts else []


def _heads(ruler: Ruler, columns: Sequence[int | Gap], look: Look) -> tuple[Line, ...]:
    """The column labels; those from before above them where they differ."""

    def line(label: Callable[[int], str], name: str) -> Line:
        texts = [f"{c.count}{look.glyph('…')}" if isinstance(c, Gap) else look.text(label(c)) for c in columns]
        return Line(label=name, cells=tuple((text, "faint") for text in texts))

    new, old = line(ruler.after, ""), line(ruler.before, "was")
    return (new,) if new.cells == old.cells else (old, new)
