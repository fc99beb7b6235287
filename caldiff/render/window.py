"""The changed window of a table as text: its cells before and after with the labels of its axes; and its surface."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from math import isfinite

import attrs
import numpy as np

from caldiff.definition.model import BitField, Bits
from caldiff.definition.number import shown_number
from caldiff.definition.words import words
from caldiff.diff.model import Statistics, Surface
from caldiff.render.figures import (
    AxisFigures,
    Figures,
    signed,
    step_ink,
)
from caldiff.render.grid import Cell, Line
from caldiff.render.look import Look, width_of, wrapped
from caldiff.render.plane import INDENT, Bools, Cells, Index, Ruler, plane_lines, ruler_of
from caldiff.render.view import Show, View
from caldiff.render.words import axis_label, axis_unit, decimals_of, unit_after
from caldiff.table.model import Floats, Table

__all__ = ["surface_lines", "window_lines"]


def window_lines(  # noqa: PLR0913, PLR0917 - both sides, and how to show them
    before: Table, after: Table, changed: Bools, statistics: Statistics | None, look: Look, view: View
) -> list[str]:
    """The changed window of a table whose cells match one to one; ``changed`` has the shape of both, and a True."""
    if after.spec.kind == "text":
        old, new = (f'"{look.text(t.text or "")}"' for t in (before, after))
        return wrapped(f"{old} {look.glyph('→')} {new}", look.width, indent=INDENT)
    if not after.raw.ndim:
        return _single(before, after, look)
    span = max(abs(statistics.least), abs(statistics.greatest)) if statistics else 0.0
    largest = span if isfinite(span) else None

    def cells(indices: Sequence[Index]) -> Cells:
        figures = Figures(before, after, indices)
        return _Changes(figures=figures, changed=changed, largest=largest, look=look, show=view.show)

    rulers = [ruler_of(before, after, n) for n in range(after.raw.ndim)]
    return plane_lines(changed, rulers, cells, look, whole=view.whole)


def _single(before: Table, after: Table, look: Look) -> list[str]:
    """A value: before, after and the difference on one line."""
    conversion = after.spec.scaling.conversion
    if isinstance(conversion, Bits) and conversion == before.spec.scaling.conversion:
        return _switched(conversion, int(before.raw.item()), int(after.raw.item()), look)
    figures = Figures(before, after, [()])
    arrow, unit = look.glyph("→"), look.text(unit_after(after.spec))
    old, new = (look.text(figures.text(side, ())) for side in (0, 1))
    if figures.step(()) is None:
        return wrapped(f"{old} {arrow} {new}{unit}", look.width, indent=INDENT)
    values = f"{old} {arrow} {new}{unit}"
    step = f"{figures.difference(())}{unit}" + (f"  {figures.percent(())}" if figures.value(0, ()) else "")
    painted = look.paint(step, figures.ink(()))
    if INDENT + width_of(values) + 4 + width_of(step) <= look.width:
        return [f"{' ' * INDENT}{values}    {painted}"]
    return [*wrapped(values, look.width, indent=INDENT), " " * INDENT + painted]


def _switched(bits: Bits, before: int, after: int, look: Look) -> list[str]:
    """What became of flags and bit fields, each by its name."""

    def word(field: BitField, raw: int) -> str:
        return words(Bits(fields=(field,)), raw & field.mask).removeprefix(f"{field.name}=")

    found = [(f, word(f, before), word(f, after)) for f in bits.fields if (before ^ after) & f.mask]
    on = [field.name for field, _, new in found if new == field.name]
    off = [field.name for field, old, _ in found if old == field.name]
    lines = [f"{lead}: {', '.join(names)}" for lead, names in (("now on", on), ("now off", off)) if names]
    arrow = look.glyph("→")
    lines += [f"{f.name}: {old} {arrow} {new}" for f, old, new in found if f.name not in {*on, *off}]
    rest = ~_union(bits)
    if (before ^ after) & rest:
        lines.append(f"bits without a name: 0x{before & rest:X} {arrow} 0x{after & rest:X}")
    return [text for line in lines for text in wrapped(look.text(line), look.width, indent=INDENT)]


def _union(bits: Bits) -> int:
    mask = 0
    for field in bits.fields:
        mask |= field.mask
    return mask


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Changes:
    """Cells before and after, in the way of showing that was asked for."""

    figures: Figures
    changed: Bools
    largest: float | None
    look: Look
    show: Show

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """A row of a map: with ``change`` and ``both`` a second line holds what the first does not say."""
        upper, lower = _ROW_SHOWS[self.show]
        first = self._line(cells, label, upper)
        if lower is None or not any(i is not None and self.changed[i] for i in cells):
            return (first,)
        return first, self._line(cells, "", lower, sparse=True)

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The lines of a curve: with ``change`` all three."""
        shows = _CURVE_SHOWS.get(self.show, (self.show,))
        return tuple(self._line(cells, show, show) for show in shows)

    def _line(self, cells: Sequence[Index | None], label: str, show: Show, *, sparse: bool = False) -> Line:
        return Line(label=label, cells=tuple(self._cell(i, show, sparse) for i in cells))

    def _cell(self, index: Index | None, show: Show, sparse: bool) -> Cell:
        if index is None:
            return "", "plain"
        changed = bool(self.changed[index])
        if not changed and (sparse or show in {"difference", "percent"}):
            return self.look.glyph("·"), "faint"
        arrow = self.look.glyph("→")
        match show:
            case "before" | "after":
                text = self.look.text(self.figures.text(int(show == "after"), index))
            case "percent":
                text = self.look.text(self.figures.percent(index)).replace("->", arrow)
            case _:
                text = self.look.text(self.figures.difference(index)).replace("->", arrow)
        if not changed:
            return text, "plain"
        return text, "strong" if show == "before" else self.figures.ink(index, self.largest)


_ROW_SHOWS: dict[Show, tuple[Show, Show | None]] = {
    "change": ("after", "difference"),
    "both": ("before", "after"),
    "before": ("before", None),
    "after": ("after", None),
    "difference": ("difference", None),
    "percent": ("percent", None),
}
_CURVE_SHOWS: dict[Show, tuple[Show, ...]] = {"change": ("before", "after", "difference"), "both": ("before", "after")}


# ----------------------------------------------------------------------------------------------------------- surface


def surface_lines(surface: Surface, table: Table, look: Look, view: View) -> list[str]:
    """What the surface does at the same operating points, after an axis moved."""
    unit = look.text(unit_after(table.spec))
    if not surface.changed:
        text = f"At the same operating points the surface is the same (within rounding, {surface.tolerance:.2g}{unit})."
        return wrapped(text, look.width, indent=INDENT)
    decimals = decimals_of(table.spec)
    labels = [AxisFigures(a, a).decimals for a in table.axes]
    units = [f" {look.text(u)}" if (u := axis_unit(a.spec)) else "" for a in table.axes]
    at = ", ".join(f"{_point(p, d)}{u}" for p, d, u in zip(surface.at, labels, units, strict=True))
    text = (
        f"At the same operating points the surface changed by up to {_point(surface.largest, decimals)}{unit}, at {at}:"
    )
    step = surface.after - surface.before
    hit = np.abs(step) > surface.tolerance
    if not hit.any():
        hit = np.abs(step) == np.nanmax(np.abs(step))
    rulers = [
        Ruler(name=axis_label(a.spec), after=(label := _labels(p, d)), before=label)
        for a, p, d in zip(table.axes, surface.points, labels, strict=True)
    ]
    cells = _Steps(step=step, hit=hit, decimals=decimals, largest=surface.largest, look=look)
    return [
        *wrapped(text, look.width, indent=INDENT),
        *plane_lines(hit, rulers, lambda _: cells, look, whole=view.whole),
    ]


def _labels(points: Floats, decimals: int) -> Callable[[int], str]:
    return lambda i: _point(float(points[i]), decimals)


def _point(value: float, decimals: int) -> str:
    return shown_number(Fraction(value), decimals) if isfinite(value) else "not a number"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Steps:
    """Differences of two surfaces over the union of their breakpoints."""

    step: Floats
    hit: Bools
    decimals: int
    largest: float
    look: Look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """One line a row."""
        return (Line(label=label, cells=tuple(map(self._cell, cells))),)

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """One line."""
        return self.row(cells, "difference")

    def _cell(self, index: Index | None) -> Cell:
        if index is None:
            return "", "plain"
        step = float(self.step[index])
        if not self.hit[index] or not isfinite(step):
            return self.look.glyph("·"), "faint"
        return signed(Fraction(step), self.decimals), step_ink(step, self.largest)
