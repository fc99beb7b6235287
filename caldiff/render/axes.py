"""A moved axis as text: shown once, with the tables that hang on it and what became of their surfaces."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from math import isfinite

from caldiff.definition.number import shown_number
from caldiff.diff.model import AxisDiff, TableDiff
from caldiff.render.figures import (
    AxisFigures,
    signed,
)
from caldiff.render.grid import Cell, Gap, Grid, Line, kept, laid
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.view import View
from caldiff.render.words import axis_label, decimals_of, unit_after

__all__ = ["axis_lines"]

_NAMES = 12
_POINTS = 32


def axis_lines(diff: AxisDiff, tables: Sequence[TableDiff], look: Look, view: View) -> list[str]:
    """Heading, breakpoints before and after, and the tables on the axis."""
    label = axis_label(diff.after.spec)
    out = [look.paint(look.text(diff.name), "strong") + (f"  {look.text(label)}" if label != diff.name else "")]
    before, after = len(diff.before.physical), len(diff.after.physical)
    moved = int(diff.changed.sum())
    words = f"{moved} of {plural(after, 'breakpoint')} moved"
    out += wrapped(words if before == after else f"{before} breakpoints before, {after} after", look.width, indent=4)
    out += _points(diff, look, view)
    for problem in diff.after.problems:
        out += wrapped(f"! {look.text(problem.text)}", look.width, indent=4)
    return [*out, *_tables(diff, tables, look, view)]


def _points(diff: AxisDiff, look: Look, view: View) -> list[str]:
    figures = AxisFigures(diff.before, diff.after)
    places: Sequence[int | Gap] = range(len(diff.changed)) if view.whole else kept(diff.changed.tolist())
    cut = 0 if view.whole else sum(isinstance(p, int) for p in places[_POINTS:])
    places = places if view.whole else places[:_POINTS]

    def line(name: str, cell: Callable[[int], Cell]) -> Line:
        return Line(label=name, cells=tuple(("", "plain") if isinstance(p, Gap) else cell(p) for p in places))

    def step(index: int) -> Cell:
        old, new = (figures.value(side, index) for side in (0, 1))
        if not diff.changed[index]:
            return look.glyph("·"), "faint"
        if old is None or new is None:
            return "", "plain"
        return signed(new - old, figures.decimals), "raised" if new > old else "lowered"

    heads = [f"{p.count}{look.glyph('…')}" if isinstance(p, Gap) else f"[{p}]" for p in places]
    head = Line(label="", cells=tuple((text, "faint") for text in heads))
    rows = (
        line("before", lambda i: (look.text(figures.text(0, i)), "plain")),
        line("after", lambda i: (look.text(figures.text(1, i)), "plain")),
        line("difference", step),
    )
    gaps = {n: p.count for n, p in enumerate(places) if isinstance(p, Gap)}
    grid = Grid(across="breakpoint", down="", heads=(head,), rows=(rows,), gaps=gaps)
    more = wrapped(f"{cut} more breakpoints not shown; --all shows them", look.width, indent=4) if cut else []
    return [*laid(grid, look), *more]


def _tables(diff: AxisDiff, tables: Sequence[TableDiff], look: Look, view: View) -> list[str]:
    """The tables on the axis, by what became of their surface."""
    found = {t.name: t for t in tables}
    changed, same, other = [], [], []
    for name in diff.tables:
        table = found.get(name)
        if table is None or table.surface is None:
            other.append(look.text(name))
        elif table.surface.changed:
            changed.append(f"{look.text(name)}{_largest(table, look)}")
        else:
            same.append(look.text(name))
    out: list[str] = []
    for title, names in (
        ("surface changed", changed),
        ("surface the same", same),
        ("hangs on it", other),
    ):
        if names:
            shown = names if view.whole else names[:_NAMES]
            more = f" and {len(names) - len(shown)} more" if len(shown) < len(names) else ""
            out += wrapped(f"{', '.join(shown)}{more}", look.width, indent=22, lead=f"    {title}")
    return out


def _largest(diff: TableDiff, look: Look) -> str:
    if diff.surface is None or diff.after is None or not isfinite(diff.surface.largest):
        return ""
    spec = diff.after.spec
    return f" (up to {shown_number(Fraction(diff.surface.largest), decimals_of(spec))}{look.text(unit_after(spec))})"
