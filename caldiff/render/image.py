"""One image as text and as JSON: its summary, or some of its tables with their axes."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np

from caldiff.definition.definition import Definition
from caldiff.render.comparison_document import axis_part
from caldiff.render.document import Json, document, number, numbers, side
from caldiff.render.figures import AxisFigures, Figures, axis_label, unit_after
from caldiff.render.grid import Cell, Line
from caldiff.render.head import file_lines
from caldiff.render.look import Look, clip, pad, plural, width_of, wrapped
from caldiff.render.plane import INDENT, Cells, Index, Ruler, plane_lines
from caldiff.render.tables import heading, shape_words
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.model import Table

__all__ = ["image_document", "image_text", "tables_text"]


def tables_text(tables: Sequence[Table], look: Look) -> str:
    """Tables with their axes, whole."""
    out: list[str] = []
    for table in tables:
        out += [*table_lines(table, look), ""]
    return "\n".join(out[:-1]) + "\n"


def table_lines(table: Table, look: Look) -> list[str]:
    """One table, whole."""
    spec = table.spec
    out = [heading(table.name, spec, look)]
    out += wrapped(look.text(spec.description), look.width, indent=INDENT) if spec.description else []
    limits = spec.effective_limits
    facts = [f"{shape_words(spec, table.raw.shape)}{',' + u if (u := unit_after(spec)) else ''}", f"0x{table.at:08X}"]
    if limits is not None:
        facts.append(f"limits {float(limits.low):g} to {float(limits.high):g}")
    out += wrapped(look.text("; ".join(facts)), look.width, indent=INDENT)
    for problem in (*table.problems, *(p for a in table.axes for p in a.problems)):
        out += wrapped(f"! {look.text(problem.text)}", look.width, indent=INDENT)
    if spec.kind == "text":
        return [*out, *wrapped(f'"{look.text(table.text or "")}"', look.width, indent=INDENT)]
    if not table.raw.ndim:
        return [*out, *wrapped(look.text(table.shown(()) + unit_after(spec)), look.width, indent=INDENT)]
    rulers = [_ruler(table, n) for n in range(table.raw.ndim)]
    every = np.ones(table.raw.shape, dtype=bool)

    def cells(indices: Sequence[Index]) -> Cells:
        return _Values(figures=Figures(None, table, indices), look=look)

    return [*out, *plane_lines(every, rulers, cells, look, whole=True)]


def _ruler(table: Table, dimension: int) -> Ruler:
    if dimension >= len(table.axes):
        name = "" if table.raw.ndim == 1 else "column" if dimension == table.raw.ndim - 1 else "row"
        return Ruler(name=name, after=lambda i: f"[{i}]", before=lambda i: f"[{i}]")
    axis = table.axes[dimension]
    figures = AxisFigures(axis, axis)

    def label(index: int) -> str:
        return figures.text(1, index)

    return Ruler(name=axis_label(axis.spec), after=label, before=label)


class _Values:
    """Cells of one table."""

    def __init__(self, figures: Figures, look: Look) -> None:
        self._figures = figures
        self._look = look

    def row(self, cells: Sequence[Index | None], label: str) -> tuple[Line, ...]:
        """One line a row."""
        texts: list[Cell] = [("" if i is None else self._look.text(self._figures.text(1, i)), "plain") for i in cells]
        return (Line(label=label, cells=tuple(texts)),)

    def curve(self, cells: Sequence[Index | None]) -> tuple[Line, ...]:
        """One line."""
        return self.row(cells, "")


# ----------------------------------------------------------------------------------------------------------- summary


def image_text(calibration: Calibration, look: Look, view: View) -> str:
    """What the image is, and the tables that its definition finds in it."""
    out = file_lines(calibration, look, view)
    definition = calibration.definition
    if definition is not None:
        out += ["", *_regions(definition, look), *_groups(definition, look, view)]
    return "\n".join(out) + "\n"


def _regions(definition: Definition, look: Look) -> list[str]:
    rows = [
        (f"0x{r.start:08X} to 0x{r.stop - 1:08X}", r.role, look.text(r.name))
        for r in sorted(definition.regions, key=lambda r: r.start)
    ]
    return (
        [look.paint("Regions", "strong"), *(f"  {a}  {role:<12}{name}" for a, role, name in rows), ""] if rows else []
    )


def _groups(definition: Definition, look: Look, view: View) -> list[str]:
    specs = [s for s in definition.tables.values() if view.takes(s.name, s)]
    kinds = Counter(s.kind for s in specs)
    words = ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())
    out = [look.paint("Tables", "strong"), *wrapped(f"{plural(len(specs), 'table')}: {words}", look.width, indent=2)]
    if len(specs) != len(definition.tables):
        out += wrapped(
            f"{len(definition.tables) - len(specs)} more do not match --table and --tag", look.width, indent=2
        )
    groups: dict[str, list[str]] = defaultdict(list)
    rows: dict[str, tuple[str, str]] = {}
    for spec in specs:
        groups[spec.group].append(spec.name)
        rows[spec.name] = (shape_words(spec, spec.cells.shape) + unit_after(spec), spec.title)
    names = min(max((width_of(look.text(n)) for n in rows), default=0), look.width // 2 - 6)
    for group in sorted(groups):
        out += ["", look.paint(look.text(group or "Without a group"), "strong")]
        shown = groups[group]
        for name in shown:
            what, title = (look.text(t) for t in rows[name])
            mark = look.glyph("…")
            line = f"  {pad(clip(look.text(name), names, mark=mark), names)}  {pad(clip(what, 22, mark=mark), 22)}  {title}"
            out.append(clip(line, look.width, mark=mark).rstrip())
    return out


# -------------------------------------------------------------------------------------------------------------- JSON


def image_document(calibration: Calibration, tables: Sequence[Table], view: View) -> Json:
    """The image, what its definition knows of, and the tables that were asked for with their values."""
    definition = calibration.definition
    specs = [] if definition is None else [s for s in definition.tables.values() if view.takes(s.name, s)]
    known = [
        {
            "name": s.name,
            "kind": s.kind,
            "unit": s.scaling.unit,
            "title": s.title,
            "group": s.group,
            "tags": list(s.tags),
        }
        for s in specs
    ]
    return document(
        "image", {**side(calibration, view), "known": known, "tables": [_table_part(table) for table in tables]}
    )


def _table_part(table: Table) -> Json:
    spec = table.spec
    raw, physical = table.raw.tolist(), table.physical.tolist()
    return {
        "name": table.name,
        "kind": spec.kind,
        "title": spec.title,
        "description": spec.description,
        "group": spec.group,
        "tags": list(spec.tags),
        "unit": spec.scaling.unit,
        "address": table.at,
        "shape": list(table.raw.shape),
        "axes": [axis_part(axis) for axis in table.axes],
        "raw": numbers(raw) if isinstance(raw, list) else number(raw),
        "physical": numbers(physical),
        "text": table.text,
        "problems": [{"kind": p.kind, "text": p.text, "address": p.address} for p in table.problems],
    }
