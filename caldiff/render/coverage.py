"""Where the engine went, as text: the changed cells first, then the other tables, one line each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import partial
from math import isfinite

import attrs
import numpy as np

from caldiff.definition.number import shown_number
from caldiff.evidence.covered import AxisCoverage, Bools, Coverage, LeftOut, TableCoverage
from caldiff.evidence.logs import LogRead
from caldiff.render.drives import duration, log_lines
from caldiff.render.figures import signed, step_ink
from caldiff.render.grid import Cell, Line
from caldiff.render.look import Ink, Look, clip, pad, plural, wrapped
from caldiff.render.plane import INDENT, Cells, Index, plane_lines, ruler_of
from caldiff.render.tables import heading
from caldiff.render.view import View
from caldiff.render.words import decimals_of, unit_after
from caldiff.table.model import Floats

__all__ = ["coverage_text", "seconds_text"]

_ENDS = 12
_FIGURES = 4
"""digits that a statistic is shown with"""


def coverage_text(
    coverage: Coverage, reads: Sequence[LogRead], against: Mapping[str, Sequence[str]], look: Look, view: View
) -> str:
    """The whole answer, ending with a newline."""
    since = f", changes since {coverage.since}" if coverage.since else ""
    title = f"Coverage of {coverage.label}{since}"
    lines = [look.paint(line, "strong") for line in wrapped(look.text(title), look.width)]
    lines += ["", *log_lines(reads, against, look), ""]
    lines += _summary(coverage, look)
    shown = [t for t in coverage.tables if t.changed or view.filtered or view.whole]
    for table in shown:
        lines += ["", *_table_lines(table, look, view)]
    rest = [t for t in coverage.tables if t not in shown]
    if rest and coverage.since:
        words = f"{plural(len(rest), 'other table')} with channels did not change; --table and --all show them."
        lines += ["", *wrapped(words, look.width)]
    elif rest:
        lines += ["", *_listed(rest, look)]
    lines += _left_out(coverage.left_out, look, view)
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------------------------- summary


def _summary(coverage: Coverage, look: Look) -> list[str]:
    out: list[str] = []
    if coverage.since:
        words = f"{coverage.evident} of {plural(coverage.changed, 'changed cell')} visited"
        mute = sum(t.changed for t in coverage.left_out)
        words += f"; {mute} of them in tables without channels" if mute else ""
        out += [
            look.paint(line, "strong")
            for line in wrapped(words if coverage.changed else "No cell of these tables changed", look.width)
        ]
    tables, cells = len(coverage.tables), sum(t.samples.size for t in coverage.tables)
    seen = sum(int(t.visited.sum()) for t in coverage.tables)
    of = f"{seen:,} of {plural(cells, 'cell')} visited"
    words = f"{duration(coverage.seconds)} over {plural(tables, 'table')} with channels; {of}"
    out += wrapped(words, look.width)
    ends = _ends(coverage)
    for axis, names in ends[:_ENDS]:
        out += wrapped(look.text(_end_words(axis, names)), look.width, indent=4, lead="  !")
    if len(ends) > _ENDS:
        out += wrapped(f"and beyond the ends of {len(ends) - _ENDS} more axes", look.width, indent=4)
    return out


def _ends(coverage: Coverage) -> list[tuple[AxisCoverage, int]]:
    """The axes that the engine ran off, each once with the number of its tables, the longest first."""
    found: dict[AxisCoverage, int] = {}
    for table in coverage.tables:
        for axis in table.axes:
            if axis.below or axis.above:
                found[axis] = found.get(axis, 0) + 1
    return sorted(found.items(), key=lambda item: -(item[0].below + item[0].above))


def _end_words(axis: AxisCoverage, tables: int) -> str:
    unit = f" {axis.unit}" if axis.unit not in {"", "1"} else ""
    parts = []
    if axis.below and axis.least is not None:
        parts.append(f"{duration(axis.below)} below its first breakpoint, down to {_short(axis.least)}{unit}")
    if axis.above and axis.greatest is not None:
        parts.append(f"{duration(axis.above)} above its last, up to {_short(axis.greatest)}{unit}")
    return f"off the end of {axis.name} ({plural(tables, 'table')}): {'; '.join(parts)}"


def _short(value: float) -> str:
    text = _figure(value)
    return text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text


# -------------------------------------------------------------------------------------------------------------- tables


def _table_lines(table: TableCoverage, look: Look, view: View) -> list[str]:
    """Heading, sentences and grids of one table."""
    spec = table.table.spec
    out = [heading(table.name, spec, look), *wrapped(look.text(_sentence(table)), look.width, indent=INDENT)]
    whole = view.whole or view.filtered
    hit = table.change.changed if table.change and not whole else table.visited | _mask(table)
    if not hit.any():
        return out
    rulers = [ruler_of(table.table, table.table, n) for n in range(table.table.raw.ndim)]
    out += plane_lines(hit, rulers, lambda _: _Seconds(table=table, look=look), look, whole=view.whole)
    for quantity, told in table.statistics.items():
        layers = {"mean": told.mean, "spread": told.spread, "least": told.least, "greatest": told.greatest}
        layers |= {f"{p:g} %": values for p, values in told.percentiles.items()}
        seen = hit & (told.seconds > 0)
        if not seen.any():
            out += wrapped(look.text(f"{quantity} was not known in these cells"), look.width, indent=INDENT)
            continue
        extremes = f"; percentiles within {told.error:.2g}" if told.percentiles else ""
        out += wrapped(look.text(f"{quantity}: {', '.join(layers)}{extremes}"), look.width, indent=INDENT)
        cells = _Told(layers=layers, look=look)
        out += plane_lines(seen, rulers, partial(_same, cells), look, whole=view.whole)
    return out


def _same(cells: Cells, _: Sequence[Index]) -> Cells:
    return cells


def _mask(table: TableCoverage) -> Bools:
    return table.change.changed if table.change else np.zeros(table.samples.shape, np.bool_)


def _sentence(table: TableCoverage) -> str:
    total = table.samples.size
    words = f"{int(table.visited.sum())} of {plural(total, 'cell')} visited."
    if table.change is None or not table.changed:
        return words + " Seconds in each cell:"
    share = table.evidence
    part = f", {share:.0%} of the change" if share is not None else ""
    words = f"{table.evident} of {plural(table.changed, 'changed cell')} visited{part}."
    if table.evident:
        words += f" Least of them {duration(table.least_seconds)}." if table.evident == table.changed else ""
    if table.change.moved:
        words += " An axis moved: what changed is told from the surface."
    unit = unit_after(table.table.spec)
    return f"{words} Seconds in each cell, below them the change{f' in{unit}' if unit else ''}:"


def seconds_text(seconds: float) -> str:
    """Seconds in a cell: a digit after the point below ten."""
    if 0 < seconds < 0.05:  # noqa: PLR2004 - what would show as 0
        return "<0.1"
    return f"{seconds:.1f}" if seconds < 9.95 else f"{seconds:.0f}"  # noqa: PLR2004 - what shows as 10


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Seconds:
    """Seconds in each cell, and below them the change of those that changed."""

    table: TableCoverage
    look: Look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """A row of a map."""
        first = Line(label=label, cells=tuple(map(self._seconds, cells)))
        if not any(self._changed(i) for i in cells):
            return (first,)
        return first, Line(label="", cells=tuple(map(self._step, cells)))

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The lines of a curve."""
        first = Line(label="seconds", cells=tuple(map(self._seconds, cells)))
        if not any(self._changed(i) for i in cells):
            return (first,)
        return first, Line(label="change", cells=tuple(map(self._step, cells)))

    def _changed(self, index: Index | None) -> bool:
        change = self.table.change
        return index is not None and change is not None and bool(change.changed[index])

    def _seconds(self, index: Index | None) -> Cell:
        if index is None:
            return "", "plain"
        if not self.table.samples[index]:
            return ("none", "alert") if self._changed(index) else (self.look.glyph("·"), "faint")
        ink: Ink = "strong" if self._changed(index) else "plain"
        return seconds_text(float(self.table.seconds[index])), ink

    def _step(self, index: Index | None) -> Cell:
        change = self.table.change
        if index is None or change is None or not change.changed[index]:
            return "", "plain"
        step = float(change.step[index])
        if not isfinite(step):
            return "new", "strong"
        return signed(Fraction(step), decimals_of(self.table.table.spec)), step_ink(step, None)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Told:
    """Statistics of a quantity, one below the other."""

    layers: Mapping[str, Floats]
    look: Look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """A row of a map: the mean beside the breakpoint, the others below."""
        first, *others = self.layers.items()
        return (
            self._line(label, first[1], cells, "strong"),
            *(self._line(name, values, cells, "plain", label_ink="faint") for name, values in others),
        )

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """The lines of a curve."""
        return tuple(self._line(name, values, cells, "plain") for name, values in self.layers.items())

    def _line(
        self, label: str, values: Floats, cells: Sequence[Index | None], ink: Ink, *, label_ink: Ink = "plain"
    ) -> Line:
        def cell(index: Index | None) -> Cell:
            if index is None:
                return "", "plain"
            value = float(values[index])
            return (_figure(value), ink) if isfinite(value) else (self.look.glyph("·"), "faint")

        return Line(label=label, cells=tuple(map(cell, cells)), ink=label_ink)


def _figure(value: float) -> str:
    """A reckoned number with a few digits, never in powers of ten where people would not write it so."""
    if not isfinite(value) or abs(value) >= 1e9:  # noqa: PLR2004 - wider than a cell
        return f"{value:.{_FIGURES}g}"
    digits = max(_FIGURES - len(str(int(abs(value)))), 0)
    return shown_number(Fraction(value), digits)


# ---------------------------------------------------------------------------------------------------------------- rest


def _listed(tables: Sequence[TableCoverage], look: Look) -> list[str]:
    """The other tables, one line each."""
    width = min(max(len(t.name) for t in tables), 34)
    counts = [f"{int(t.visited.sum())} of {t.samples.size}" for t in tables]
    most = max(map(len, counts))
    out = [look.paint(f"{pad('table', width)}  {pad('cells visited', max(most, 13), right=True)}", "faint")]
    for table, count in zip(tables, counts, strict=True):
        name = pad(clip(look.text(table.name), width, mark=look.glyph("…")), width)
        out.append(f"{name}  {pad(count, max(most, 13), right=True)}")
    return [*out, *wrapped("--table NAME and --all show the cells.", look.width)]


def _left_out(left: Sequence[LeftOut], look: Look, view: View) -> list[str]:
    """The tables that a log says nothing of: the changed ones by name, the others by reason."""
    out: list[str] = []
    for table in left:
        if table.changed:
            words = (
                f"{table.name}: {plural(table.changed, 'cell')} changed, and the logs say nothing of it: {table.reason}"
            )
            out += wrapped(look.text(words), look.width, indent=4, lead="  !")
    others = [t for t in left if not t.changed]
    if others and view.whole:
        for reason in dict.fromkeys(t.reason for t in others):
            names = ", ".join(t.name for t in others if t.reason == reason)
            out += wrapped(look.text(f"{reason}: {names}"), look.width, indent=4)
    elif others:
        out += wrapped(f"The logs say nothing of {plural(len(others), 'other table')}; --all says why.", look.width)
    return ["", *out] if out else []
