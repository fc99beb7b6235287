"""A grid of cells as text: labels on the left and on top, broken into blocks of columns where the width ends."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Self

import attrs

from caldiff.render.look import Ink, Look, clip, pad, plural, width_of

__all__ = ["Cell", "Gap", "Grid", "Line", "kept", "laid"]

Cell = tuple[str, Ink]
_STUB = 24
"""columns that a row's label takes at most"""
_CELL = 24
"""columns that a cell takes at most"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Gap:
    """Rows or columns that are left out: how many."""

    count: int


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Line:
    """One line of text: a label and a cell per column."""

    label: str
    cells: tuple[Cell, ...]
    ink: Ink = "plain"
    """of the label"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Grid:
    """What is to be laid out.

    Attributes:
        across: what the columns stand for. down: what the rows stand for.
        heads: header lines, the last one closest to the cells.
        rows: lines that stay together, or a gap.
        gaps: the columns (by index) that stand for left-out ones, with how many.
    """

    across: str
    down: str
    heads: tuple[Line, ...]
    rows: tuple[tuple[Line, ...] | Gap, ...]
    gaps: dict[int, int] = attrs.field(factory=dict)


def kept(wanted: Sequence[bool], *, least: int = 3) -> list[int | Gap]:
    """The indices to show: all wanted, and shorter runs of others between them; longer runs become a gap.

    What lies before the first and after the last wanted one is left out without a gap.
    """
    hits = [n for n, want in enumerate(wanted) if want]
    out: list[int | Gap] = []
    for n in hits:
        last = out[-1] if out else n - 1
        if isinstance(last, int) and n - last - 1 >= least:
            out += [Gap(count=n - last - 1), n]
        elif isinstance(last, int):
            out += range(last + 1, n + 1)
    return out


def laid(grid: Grid, look: Look, *, indent: int = 4) -> list[str]:
    """The lines of a grid, each at most as wide as the look."""
    layout = _Layout.of(grid, look, indent)
    out: list[str] = []
    for block in layout.blocks():
        out += [""] if out else []
        out.append(layout.over(grid.across, block))
        for number, head in enumerate(grid.heads):
            label = grid.down if number == len(grid.heads) - 1 else head.label
            out.append(layout.line(attrs.evolve(head, label=label, ink="faint"), block))
        for row in grid.rows:
            if isinstance(row, Gap):
                words = f"{look.glyph('…')} {plural(row.count, 'row')} unchanged"
                out.append(" " * indent + look.paint(words, "faint"))
            else:
                out += [layout.line(line, block) for line in row]
    return out


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Layout:
    """Where a grid's parts stand: ``stub`` columns for the labels, then ``widths`` for the cells."""

    look: Look
    indent: int
    stub: int
    widths: tuple[int, ...]

    @classmethod
    def of(cls, grid: Grid, look: Look, indent: int) -> Self:
        """The layout that fits every line."""
        lines = [*grid.heads, *(line for row in grid.rows if not isinstance(row, Gap) for line in row)]
        stub = min(max([width_of(grid.down), *(width_of(line.label) for line in lines)]), _STUB)
        columns = range(len(lines[0].cells))
        plain = [c for c in columns if c not in grid.gaps]
        widest = max((width_of(line.cells[c][0]) for line in lines for c in plain), default=1)
        cell = min(widest, _CELL, look.width - indent - stub - 2)
        gaps = {c: max(width_of(line.cells[c][0]) for line in lines) for c in grid.gaps}
        return cls(look=look, indent=indent, stub=stub, widths=tuple(gaps.get(c, cell) for c in columns))

    def blocks(self) -> list[range]:
        """Runs of columns that fit the width, of nearly the same number of columns."""
        room = self.look.width - self.indent - self.stub
        most = max(room // (max(self.widths, default=1) + 2), 1)
        count = -(-len(self.widths) // most) or 1
        size, more = divmod(len(self.widths), count)
        edges = [0]
        for n in range(count):
            edges.append(edges[-1] + size + (n < more))
        return [range(a, b) for a, b in pairwise(edges)]

    def over(self, across: str, block: range) -> str:
        """The line above the header: what the columns stand for, and which of them a block shows."""
        columns = len(self.widths)
        part = "" if len(block) == columns else f" (columns {block.start + 1} to {block.stop} of {columns})"
        left = self.indent + self.stub + 2
        text = clip(f"{across} {self.look.glyph('→')}", self.look.width - left - len(part), mark=self.look.glyph("…"))
        return " " * left + self.look.paint(text + part, "faint")

    def line(self, line: Line, block: range) -> str:
        """One line of a block."""
        mark = self.look.glyph("…")
        label = pad(clip(line.label, self.stub, mark=mark), self.stub, right=True)
        parts = [" " * self.indent + self.look.paint(label, line.ink)]
        for column in block:
            text, ink = line.cells[column]
            width = self.widths[column]
            parts.append("  " + self.look.paint(pad(clip(text, width, mark=mark), width, right=True), ink))
        return "".join(parts).rstrip()
