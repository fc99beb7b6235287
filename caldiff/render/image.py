"""One image as text and as JSON: its summary, or some of its tables with their axes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from caldiff.render.comparison_document import axis_part
from caldiff.render.document import Json, document, number, numbers, side
from caldiff.render.figures import (
    Figures,
)
from caldiff.render.grid import Cell, Line
from caldiff.render.look import Look, wrapped
from caldiff.render.plane import INDENT, Cells, Index, plane_lines, ruler_of
from caldiff.render.tables import (
    heading,
)
from caldiff.render.view import View
from caldiff.render.words import shape_words, unit_after
from caldiff.table.calibration import Calibration
from caldiff.table.model import Table

__all__ = ["image_document", "tables_text"]


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
    rulers = [ruler_of(table, table, n) for n in range(table.raw.ndim)]
    every = np.ones(table.raw.shape, dtype=bool)

    def cells(indices: Sequence[Index]) -> Cells:
        return _Values(figures=Figures(None, table, indices), look=look)

    return [*out, *plane_lines(every, rulers, cells, look, whole=True)]


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
