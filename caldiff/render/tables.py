"""One changed table as text: a heading, what happened in one sentence, and the changed window with its axes."""

from __future__ import annotations

from fractions import Fraction
from math import isfinite, prod

from caldiff.definition.model import TableSpec
from caldiff.diff.model import Statistics, TableDiff
from caldiff.render.figures import (
    signed,
)
from caldiff.render.look import Look, clip, wrapped
from caldiff.render.view import View
from caldiff.render.window import surface_lines, window_lines
from caldiff.render.words import decimals_of, shape_words, unit_after

__all__ = ["by_surface", "heading", "stat_cells", "table_lines"]


def table_lines(diff: TableDiff, look: Look, view: View) -> list[str]:
    """Heading, sentence and window of one table."""
    table = diff.after or diff.before
    spec = table.spec if table else None
    out = [heading(diff.name, spec, look)]
    words = _sentence(diff)
    out += wrapped(look.text(words), look.width, indent=4) if words else []
    if diff.reason and diff.state not in {"unreadable", "resized"}:
        out += wrapped(look.text(diff.reason), look.width, indent=4)
    before, after, changed = diff.before, diff.after, diff.changed
    if (
        before is not None
        and after is not None
        and changed is not None
        and changed.any()
        and not by_surface(diff, view)
    ):
        out += window_lines(before, after, changed, diff.statistics, look, view)
    if diff.surface is not None and table is not None:
        out += surface_lines(diff.surface, table, look, view)
    return out


def by_surface(diff: TableDiff, view: View) -> bool:
    """Whether the surface tells what happened: where an axis moved, cell by cell misleads, and is there on request."""
    return diff.surface is not None and not view.whole and view.show == "change"


def heading(name: str, spec: TableSpec | None, look: Look) -> str:
    """Name, title and tags on one line."""
    tags = f"[{', '.join(spec.tags)}]" if spec and spec.tags else ""
    title = spec.title if spec else ""
    rest = "  ".join(look.text(part) for part in (title, tags) if part)
    head = clip(look.text(name), look.width, mark=look.glyph("…"))
    room = look.width - len(head) - 2
    return look.paint(head, "strong") + (f"  {clip(rest, room, mark=look.glyph('…'))}" if rest and room > 8 else "")  # noqa: PLR2004 - too narrow to say anything


def _sentence(diff: TableDiff) -> str:  # noqa: PLR0911 - one a state
    """What happened, in words that may be wrapped."""
    before, after = diff.before, diff.after
    shown = after or before
    what = (
        f"{shape_words(shown.spec, shown.raw.shape)}{',' + u if (u := unit_after(shown.spec)) else ''}" if shown else ""
    )
    match diff.state:
        case "added":
            return f"only in B: {what}"
        case "removed":
            return f"only in A: {what}"
        case "unreadable":
            return f"! unreadable: {diff.reason}"
        case "axis":
            return f"{what}. No cell changed, but its axis moved: {', '.join(diff.moved)}."
        case "resized" if before and after:
            sizes = [" x ".join(map(str, t.raw.shape)) or "1" for t in (before, after)]
            return f"{after.spec.kind}, other size: {sizes[0]} before, {sizes[1]} after."
        case "redefined" if not diff.cells:
            return f"{what}. The same raw values mean something else."
        case "changed" if after and not diff.moved and (after.spec.kind == "text" or not after.raw.ndim):
            return ""  # the one line that follows says it all
        case _:
            moved = f" Its axis moved: {', '.join(diff.moved)}." if diff.moved else ""
            return f"{what}. {_changes(diff)}{moved}"


def _changes(diff: TableDiff) -> str:
    """How many cells changed, which way and how far."""
    stats = diff.statistics
    total = prod(diff.changed.shape) if diff.changed is not None else 0
    count = "Changed" if total == 1 else f"{diff.cells} of {total} cells changed"
    if stats is None or total == 1:
        return f"{count}."
    return f"{diff.cells} of {total} cells {_direction(stats)}: {_span(diff, stats)}."


def _direction(stats: Statistics) -> str:
    if stats.raised == stats.changed:
        return "raised"
    if stats.lowered == stats.changed:
        return "lowered"
    return f"changed ({stats.raised} raised, {stats.lowered} lowered)"


def _span(diff: TableDiff, stats: Statistics) -> str:
    """Least to greatest difference, their mean, and percent."""
    table = diff.after or diff.before
    decimals = decimals_of(table.spec) if table else 3
    least, greatest, mean = (_float(v, decimals) for v in (stats.least, stats.greatest, stats.mean))
    text = least if least == greatest else f"{least} to {greatest}, mean {mean}"
    if stats.least_percent is None or stats.greatest_percent is None:
        return text
    low, high = (_float(v, 1) for v in (stats.least_percent, stats.greatest_percent))
    return f"{text} ({low}%)" if low == high else f"{text} ({low} to {high}%)"


def _float(value: float, decimals: int) -> str:
    """A signed number from a double, without the zeros at its end that say nothing."""
    return signed(Fraction(value), decimals) if isfinite(value) else "not a number"


def stat_cells(diff: TableDiff) -> tuple[str, str, str]:
    """For one line a table: cells, change and unit."""
    table = diff.after or diff.before
    unit = unit_after(table.spec).strip() if table else ""
    total = prod(diff.changed.shape) if diff.changed is not None else 0
    cells = f"{diff.cells} of {total}" if diff.cells else "-"
    if diff.state not in {"changed", "redefined"}:
        words = {"axis": "axis moved", "added": "only in B", "removed": "only in A"}
        text = words.get(diff.state, diff.state)
        if diff.surface is not None:
            text += ", surface changed" if diff.surface.changed else ", surface the same"
        return cells, text, unit
    if diff.statistics is not None:
        decimals = decimals_of(table.spec) if table else 3
        low, high = _float(diff.statistics.least, decimals), _float(diff.statistics.greatest, decimals)
        return cells, low if low == high else f"{low} to {high}", unit
    if diff.before is not None and diff.after is not None and not diff.after.raw.ndim:
        return cells, f"{diff.before.shown(())} -> {diff.after.shown(())}", unit
    return cells, diff.state, unit
