"""A comparison of two images as text: what they are, what changed in short, then axis by axis and table by table."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

from caldiff.diff.codes import Switched, SwitchState, switched_codes
from caldiff.diff.model import Comparison, Otherness, TableDiff
from caldiff.render.axes import axis_lines
from caldiff.render.cautions import CAUTION_TAGS
from caldiff.render.extents import extent_lines
from caldiff.render.head import field_name, head_lines, labelled, rule, same_lines
from caldiff.render.look import Look, clip, pad, plural, width_of, wrapped
from caldiff.render.tables import by_surface, stat_cells, table_lines
from caldiff.render.view import View
from caldiff.table.personal import shortened

__all__ = ["comparison_text", "details", "identity_lines", "selected", "summary"]

_NAMES = 12
"""names listed without ``--all``"""

_OTHERNESS: dict[Otherness, tuple[str, str, str]] = {
    "vehicle": ("another vehicle", "differs", "differ"),
    "controller": ("another controller", "differs", "differ"),
    "software": ("another software", "differs", "differ"),
    "other": ("another identity", "differs", "differ"),
    "unknown": ("identity unknown", "is not in both", "are not in both"),
}
"""what differing fields say of the unit; the gravest first"""

_LEGENDS = {
    "change": "Grids hold the value after, and below it the change.",
    "both": "Grids hold the value before, and below it the value after.",
    "before": "Grids hold the values before.",
    "after": "Grids hold the values after.",
    "difference": "Grids hold the change: after minus before.",
    "percent": "Grids hold the change in percent of the value before.",
}


def comparison_text(comparison: Comparison, look: Look, view: View) -> str:
    """The whole answer, ending with a newline."""
    if comparison.identical:
        return same_lines((comparison.before, comparison.after), look, view, bytewise=False)
    lines = [
        *identity_lines(comparison, look),
        *head_lines((comparison.before, comparison.after), look, view),
        "",
        look.paint("Different", "strong"),
        *summary(comparison, look, view),
        *details(comparison, look, view),
    ]
    return "\n".join(lines) + "\n"


def identity_lines(comparison: Comparison, look: Look, lead: str = "") -> list[str]:
    """That the images are not of one unit, or not of one software: what is to be known before anything else."""
    found: dict[Otherness, list[str]] = defaultdict(list)
    for field in comparison.identity:
        found[field.kind].append(look.text(field_name(field.field)))
    out: list[str] = []
    for kind, (what, one, several) in _OTHERNESS.items():
        if kind in found:
            words = f"{lead}{what}: {', '.join(found[kind])} {one if len(found[kind]) == 1 else several}"
            out += [look.paint(line, "alert") for line in wrapped(words, look.width, indent=2, lead="!")]
    return [*out, ""] if out and not lead else out


def selected(comparison: Comparison, view: View) -> tuple[TableDiff, ...]:
    """The tables that the reader asked for."""
    return tuple(
        t
        for t in comparison.tables
        if view.takes(t.name, t.before.spec if t.before else None, t.after.spec if t.after else None)
    )


# ----------------------------------------------------------------------------------------------------------- summary


def summary(comparison: Comparison, look: Look, view: View, *, names: tuple[str, str] = ("A", "B")) -> list[str]:
    """What changed, in a few lines: identity before anything else, then code, then the rest."""
    out: list[str] = []
    for field in comparison.identity:
        texts = (_field(t, personal=field.field.personal and not view.personal) for t in (field.before, field.after))
        words = f" {look.glyph('→')} ".join(map(look.text, texts))
        out += labelled("identity", f"{look.text(field_name(field.field))}: {words}", look, alert=True)
    out += _code(comparison, look)
    out += _tables(comparison, look, names)
    if comparison.axes:
        out += labelled(
            "axes", f"{len(comparison.axes)} moved: {_listed([a.name for a in comparison.axes], look, view)}", look
        )
    out += _cautions(comparison, look, view)
    out += _codes(comparison, look, view)
    out += _limits(comparison, look, view, names[1])
    out += _bytes(comparison, look)
    if comparison.checksums:
        from caldiff.render.checksums import diff_lines  # noqa: PLC0415 - brings all methods of reckoning

        out += diff_lines(comparison.checksums, look, names)
    for note in comparison.notes:
        out += labelled("note", look.text(note), look)
    return out


def _field(text: str | None, *, personal: bool) -> str:
    if text is None:
        return "(not held)"
    return f'"{shortened(text) if personal else text}"'


def _code(comparison: Comparison, look: Look) -> list[str]:
    """Changed bytes of regions that hold code, by region."""
    if comparison.before.definition is None and comparison.after.definition is None:
        return []
    sizes: dict[str, int] = defaultdict(int)
    for extent in comparison.extents:
        if extent.role == "code":
            sizes[extent.region] += extent.size
    words = ", ".join(f"{plural(size, 'byte')} in {look.text(name)}" for name, size in sizes.items())
    return labelled("code", f"the program itself changed: {words}", look, alert=True) if sizes else []


def _tables(comparison: Comparison, look: Look, names: tuple[str, str]) -> list[str]:
    if comparison.before.definition is None or comparison.after.definition is None:
        return labelled(
            "tables", "none compared, for want of a definition; 'caldiff definition list' names those known", look
        )
    states = [t.state for t in comparison.tables]
    words = {
        "changed": "changed",
        "axis": "on a moved axis, cells untouched",
        "redefined": "mean something else",
        "resized": "resized",
        "added": f"only in {names[1]}",
        "removed": f"only in {names[0]}",
    }
    parts = [f"{states.count(state)} {text}" for state, text in words.items() if state in states]
    cells = sum(t.cells for t in comparison.tables)
    if cells:
        parts[0] += f" ({plural(cells, 'cell')})"
    out = labelled("tables", "; ".join(parts) or "none changed", look)
    if "unreadable" in states:
        out += labelled("unreadable", plural(states.count("unreadable"), "table"), look, alert=True)
    return out


def _cautions(comparison: Comparison, look: Look, view: View) -> list[str]:
    """Changed tables that law or safety hang on."""
    by_tag: dict[str, list[str]] = defaultdict(list)
    for diff in comparison.tables:
        specs = [t.spec for t in (diff.before, diff.after) if t]
        untouched = diff.state in {"added", "removed"} or (
            diff.state == "axis" and diff.surface and not diff.surface.changed
        )
        for tag in () if untouched else CAUTION_TAGS:
            if any(tag in spec.tags for spec in specs):
                by_tag[tag].append(diff.name)
    out: list[str] = []
    for tag, names in by_tag.items():
        out += labelled("caution", f"{tag}: {_listed(names, look, view)}", look, alert=True)
    return out


_SWITCHED: dict[SwitchState, str] = {
    "off": "switched off",
    "unknown": "perhaps switched off",
    "on": "switched on",
}


def _codes(comparison: Comparison, look: Look, view: View) -> list[str]:
    """Trouble codes that a vehicle reports no more, or now does."""
    by_state: dict[SwitchState, list[str]] = defaultdict(list)
    for one in switched_codes(comparison):
        by_state[one.state].append(_switch(one))
    out: list[str] = []
    for state, words in _SWITCHED.items():
        if state in by_state:
            out += labelled("codes", f"{words}: {_listed(by_state[state], look, view)}", look, alert=state != "on")
    return out


def _switch(one: Switched) -> str:
    return f"{one.code} ({', '.join(one.flags) or one.table})"


def _limits(comparison: Comparison, look: Look, view: View, after: str) -> list[str]:
    """Changed tables whose values after lie beyond their limits, or that have another flaw."""
    flawed: dict[str, list[str]] = defaultdict(list)
    words = {
        "beyond-limits": "beyond its limits",
        "axis-not-rising": "axis does not rise",
        "count-beyond-room": "stored count beyond the room",
        "not-a-number": "not a number",
        "not-text": "not text",
    }
    for diff in comparison.tables:
        problems = [*diff.after.problems, *(p for a in diff.after.axes for p in a.problems)] if diff.after else []
        for problem in {p.kind for p in problems}:
            flawed[problem].append(diff.name)
    out: list[str] = []
    for kind, text in words.items():
        if kind in flawed:
            out += labelled(f"flaw in {after}", f"{text}: {_listed(flawed[kind], look, view)}", look, alert=True)
    return out


def _bytes(comparison: Comparison, look: Look) -> list[str]:
    fates = comparison.fates
    parts = [
        f"{count:,} {name}"
        for name, count in (
            ("in cells", fates.cell),
            ("in checksums", fates.checksum),
            ("in identity", fates.identity),
            ("volatile", fates.volatile),
            ("unexplained", fates.unexplained),
        )
        if count
    ]
    out = labelled("bytes", f"{fates.total:,} differ: {', '.join(parts)}" if parts else "none differ", look)
    if fates.unexplained:
        runs = plural(len(comparison.unexplained), "run")
        words = f"{plural(fates.unexplained, 'byte')} in {runs} that no definition accounts for"
        out += labelled("unexplained", words, look, alert=True)
    return out


def _listed(names: Iterable[str], look: Look, view: View) -> str:
    """Names, and how many more there are."""
    every = [look.text(n) for n in names]
    if view.whole or len(every) <= _NAMES:
        return ", ".join(every)
    return f"{', '.join(every[:_NAMES])} and {len(every) - _NAMES} more"


# ----------------------------------------------------------------------------------------------------------- details


def details(comparison: Comparison, look: Look, view: View) -> list[str]:
    """Axis by axis, table by table, and the unexplained bytes; a line a table with ``stat``."""
    tables = selected(comparison, view)
    out: list[str] = []
    if not view.stat and not view.filtered and comparison.axes:
        out += rule("Moved axes", look)
        for axis in comparison.axes:
            out += [*axis_lines(axis, comparison.tables, look, view), ""]
        out.pop()
    if view.stat:
        out += _stat(tables, look)
    else:
        out += _changed_tables(tables, look, view)
        out += _one_sided(tables, look, view)
    if view.filtered and not tables:
        out += ["", "No changed table matches --table and --tag."]
    elif view.filtered and len(tables) < len(comparison.tables):
        out += ["", f"{len(comparison.tables) - len(tables)} more changed tables do not match --table and --tag."]
    if not view.stat and not view.filtered and comparison.fates.unexplained:
        out += rule("Unexplained bytes", look)
        out += extent_lines(comparison, look, view)
    return out


def _changed_tables(tables: Sequence[TableDiff], look: Look, view: View) -> list[str]:
    shown = [t for t in tables if t.state not in {"added", "removed"}]
    follow = [] if view.whole or view.filtered else [t for t in shown if _follows(t)]
    shown = [t for t in shown if t not in follow]
    if not shown and not follow:
        return []
    grids = any(t.changed is not None and t.changed.ndim > 1 and not by_surface(t, view) for t in shown)
    out = rule("Tables", look, _LEGENDS[view.show] if grids else "")
    for diff in shown:
        out += [*table_lines(diff, look, view), ""]
    if not follow:
        return out[:-1]
    names = _listed([t.name for t in follow], look, view)
    text = f"{plural(len(follow), 'table')} on a moved axis, the surface the same: {names}; --all shows the cells"
    return [*out, *wrapped(text, look.width)]


def _follows(diff: TableDiff) -> bool:
    """Whether a table only follows its axis: at the same operating points it says the same."""
    if diff.surface is not None:
        return not diff.surface.changed and diff.state in {"changed", "axis"}
    return diff.state == "axis"


def _one_sided(tables: Sequence[TableDiff], look: Look, view: View) -> list[str]:
    out: list[str] = []
    for state, title in (("removed", "Only in A"), ("added", "Only in B")):
        names = [t.name for t in tables if t.state == state]
        if names:
            out += [*rule(title, look), *wrapped(_listed(names, look, view), look.width, indent=4)]
    return out


def _stat(tables: Sequence[TableDiff], look: Look) -> list[str]:
    """One line a table."""
    rows = [(t.name, *stat_cells(t)) for t in tables]
    if not rows:
        return []
    texts = [[look.text(cell) for cell in row] for row in rows]
    widths = [
        min(max(width_of(row[n]) for row in texts), most) for n, most in enumerate((look.width // 2 - 4, 16, 30, 12))
    ]
    mark = look.glyph("…")
    out = [""]
    for row in texts:
        name, cells, change, unit = (clip(text, width, mark=mark) for text, width in zip(row, widths, strict=True))
        line = (
            f"{pad(name, widths[0])}  {pad(cells, widths[1], right=True)}  {pad(change, widths[2], right=True)}  {unit}"
        )
        out.append(line.rstrip())
    return out
