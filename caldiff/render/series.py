"""Three images and more as text: each step in short, then every cell that changed with the image that set its value."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.diff.model import Comparison, Series, TableDiff
from caldiff.render.comparison import identity_lines, summary
from caldiff.render.extents import extent_lines
from caldiff.render.figures import (
    Figures,
)
from caldiff.render.grid import Cell, Line
from caldiff.render.head import head_lines, letter, rule
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.plane import INDENT, Cells, Index, plane_lines, ruler_of
from caldiff.render.tables import (
    heading,
)
from caldiff.render.view import View
from caldiff.render.words import shape_words, unit_after
from caldiff.table.model import Table

__all__ = ["series_text"]


def series_text(series: Series, look: Look, view: View) -> str:
    """The whole answer, ending with a newline."""
    out: list[str] = []
    for number, step in enumerate(series.against_previous, 1):
        out += identity_lines(step, look, f"{letter(number - 1)} {look.glyph('→')} {letter(number)}: ")
    out += [""] if out else []
    out += head_lines(series.sides, look, view)
    for number, step in enumerate(series.against_previous, 1):
        out += _step(step, number - 1, number, look, view)
    out += rule("Against the first", look)
    for number, total in enumerate(series.against_first[1:], 2):
        out += _short(total, 0, number, look)
    out += _tables(series, look, view)
    return "\n".join(out) + "\n"


def _step(step: Comparison, old: int, new: int, look: Look, view: View) -> list[str]:
    """One image against the one before."""
    out = [*rule(f"{letter(old)} {look.glyph('→')} {letter(new)}", look)]
    if step.identical:
        return [*out, "  the same bytes at the same addresses"]
    out += summary(step, look, view, names=(letter(old), letter(new)))
    if step.fates.unexplained and not view.stat and not view.filtered:
        out += extent_lines(step, look, view, names=(letter(old), letter(new)))
    return out


def _short(total: Comparison, old: int, new: int, look: Look) -> list[str]:
    """One image against the first, in a line or two."""
    lead = f"  {letter(old)} {look.glyph('→')} {letter(new)}"
    if total.identical:
        return wrapped("the same bytes at the same addresses", look.width, indent=10, lead=lead)
    parts = [plural(len(total.tables), "table"), plural(sum(t.cells for t in total.tables), "cell")]
    parts += [f"{plural(len(total.axes), 'axis', 'axes')} moved"] if total.axes else []
    parts.append(f"{plural(total.fates.total, 'byte')} differ")
    parts += [f"{total.fates.unexplained:,} unexplained"] if total.fates.unexplained else []
    return wrapped(", ".join(parts), look.width, indent=10, lead=lead)


# ------------------------------------------------------------------------------------------------------------ tables


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Story:
    """One table along a series.

    Attributes:
        first: as it was in the first image that has it; last: as it is in the last one.
        origins: the image that set the present value, per cell; None where cells cannot be followed.
        steps: what each step did to it, by the number of its image.
    """

    name: str
    first: Table
    last: Table
    origins: npt.NDArray[np.intp] | None
    steps: dict[int, TableDiff]


def _stories(series: Series) -> Iterator[_Story]:
    steps: dict[str, dict[int, TableDiff]] = {}
    for number, step in enumerate(series.against_previous, 1):
        for diff in step.tables:
            steps.setdefault(diff.name, {})[number] = diff
    for name in sorted(steps):
        found = steps[name]
        tables = [t for n in sorted(found) for t in (found[n].before, found[n].after) if t is not None]
        if tables:
            yield _Story(name=name, first=tables[0], last=tables[-1], origins=series.origins.get(name), steps=found)


def _tables(series: Series, look: Look, view: View) -> list[str]:
    stories = [s for s in _stories(series) if view.takes(s.name, s.first.spec, s.last.spec)]
    if not stories:
        return ["", "No changed table matches --table and --tag."] if view.filtered else []
    last = letter(len(series.sides) - 1)
    out = rule("Tables", look, f"Grids hold the value in {last}, and below it the image that set it (none: as in A).")
    for story in stories:
        out += [*_story(story, look, view), ""]
    return out[:-1]


def _story(story: _Story, look: Look, view: View) -> list[str]:
    spec = story.last.spec
    out = [heading(story.name, spec, look)]
    what = f"{shape_words(spec, story.last.raw.shape)}{',' + u if (u := unit_after(spec)) else ''}"
    steps = "; ".join(f"{letter(n)}: {_deed(diff)}" for n, diff in sorted(story.steps.items()))
    out += wrapped(look.text(f"{what}. {steps}"), look.width, indent=INDENT)
    if view.stat or story.origins is None or story.origins.shape != story.last.raw.shape or not story.origins.any():
        return out
    if spec.kind == "text" or not story.last.raw.ndim:
        return [*out, *_single(story, look)]
    return [*out, *_grid(story, story.origins, look, view)]


def _deed(diff: TableDiff) -> str:
    """What one step did to a table, in a few words."""
    if diff.state == "changed":
        return plural(diff.cells, "cell")
    words = {"axis": "axis moved", "added": "added", "removed": "removed", "unreadable": "! unreadable"}
    return words.get(diff.state, diff.state)


def _single(story: _Story, look: Look) -> list[str]:
    """The values that a value has had."""

    def shown(table: Table) -> str:
        return f'"{table.text}"' if table.spec.kind == "text" else table.shown(())

    parts = [shown(story.first)]
    parts += [f"{letter(n)} {shown(d.after)}" for n, d in sorted(story.steps.items()) if d.after is not None]
    unit = unit_after(story.last.spec) if story.last.spec.kind != "text" else ""
    arrow = f" {look.glyph('→')} "
    return wrapped(arrow.join(map(look.text, parts)) + look.text(unit), look.width, indent=INDENT)


def _grid(story: _Story, origins: npt.NDArray[np.intp], look: Look, view: View) -> list[str]:
    last = story.last
    rulers = [ruler_of(last, last, n) for n in range(last.raw.ndim)]

    def cells(indices: Sequence[Index]) -> Cells:
        return _Origins(figures=Figures(None, last, indices), origins=origins, look=look)

    return plane_lines(origins != 0, rulers, cells, look, whole=view.whole)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Origins:
    """Present values, and below them the letter of the image that set them."""

    figures: Figures
    origins: npt.NDArray[np.intp]
    look: Look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """Two lines where something changed, else one."""
        values = Line(label=label, cells=tuple(map(self._value, cells)))
        if not any(i is not None and self.origins[i] for i in cells):
            return (values,)
        return values, Line(label="", cells=tuple(map(self._letter, cells)))

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The values, and who set them."""
        values, setters = self.row(cells, "value")
        return values, attrs.evolve(setters, label="set in")

    def _value(self, index: Index | None) -> Cell:
        if index is None:
            return "", "plain"
        return self.look.text(self.figures.text(1, index)), "strong" if self.origins[index] else "plain"

    def _letter(self, index: Index | None) -> Cell:
        if index is None or not self.origins[index]:
            return "" if index is None else self.look.glyph("·"), "faint"
        return letter(int(self.origins[index])), "raised"
