"""Comparisons and series as JSON documents; docs/schemas/ publishes their schemas."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice
from typing import get_args

import numpy as np

from caldiff.definition.model import TableSpec
from caldiff.diff.codes import switched_codes
from caldiff.diff.model import (
    AxisDiff,
    Comparison,
    Extent,
    FieldDiff,
    Otherness,
    Series,
    Statistics,
    Surface,
    TableDiff,
)
from caldiff.image.model import Image
from caldiff.render.comparison import selected
from caldiff.render.document import Json, bytes_part, document, number, numbers, side
from caldiff.render.extents import Span, hexadecimal, withheld_from
from caldiff.render.figures import (
    Figures,
)
from caldiff.render.view import View
from caldiff.render.words import axis_unit
from caldiff.table.identity import field_digest
from caldiff.table.model import AxisValues, Table
from caldiff.table.personal import shortened

__all__ = ["axis_part", "comparison_document", "series_document"]

_RUNS = 1000
_BYTES = 256
"""listed without ``--all``"""


def comparison_document(comparison: Comparison, view: View) -> Json:
    """The whole answer."""
    sides = [side(s, view) for s in (comparison.before, comparison.after)]
    body = _body(comparison, view)
    first = {key: body.pop(key) for key in ("identity_differs", "identity")}
    return document("comparison", {**first, "sides": sides, **body})


def series_document(series: Series, view: View) -> Json:
    """Every comparison of a series, and which image set the present value of each cell."""
    origins = {n: o.tolist() for n, o in series.origins.items() if view.takes(n, *_specs(series, n))}
    return document(
        "series",
        {
            "identity_differs": _kinds((*series.against_first, *series.against_previous)),
            "sides": [side(s, view) for s in series.sides],
            "against_first": [_body(c, view) for c in series.against_first],
            "against_previous": [_body(c, view) for c in series.against_previous],
            "origins": origins,
        },
    )


def _specs(series: Series, name: str) -> list[TableSpec | None]:
    return [d.find_table(name) for d in {s.definition for s in series.sides if s.definition}]


def _body(comparison: Comparison, view: View) -> Json:
    fates = comparison.fates
    tables = selected(comparison, view)
    runs, withheld = comparison.unexplained, withheld_from(comparison, view)
    return {
        "identity_differs": list(comparison.otherness),
        "identity": [_identity(comparison, n, view) for n in range(len(comparison.identity))],
        "identical": comparison.identical,
        "across": comparison.across,
        "bytes": bytes_part(fates),
        "axes": [_axis(a) for a in comparison.axes],
        "tables": [_table(t, view) for t in tables],
        "left_out": len(comparison.tables) - len(tables),
        "codes": [
            {"code": s.code, "state": s.state, "table": s.table, "flags": list(s.flags)}
            for s in switched_codes(comparison)
        ],
        "unexplained": {
            "runs": len(runs),
            "listed": [_extent(comparison, e, view, withheld) for e in islice(runs, None if view.whole else _RUNS)],
        },
        "checksums": _checksums(comparison),
        "notes": list(comparison.notes),
    }


def _kinds(comparisons: Iterable[Comparison]) -> list[str]:
    """How identities differ, the gravest first."""
    return sorted({kind for c in comparisons for kind in c.otherness}, key=get_args(Otherness).index)


def _checksums(comparison: Comparison) -> list[Json]:
    if not comparison.checksums:
        return []
    from caldiff.render.checksums import diff_part  # noqa: PLC0415 - brings all methods of reckoning

    return [diff_part(diff) for diff in comparison.checksums]


def _identity(comparison: Comparison, index: int, view: View) -> Json:
    diff = comparison.identity[index]
    short = diff.field.personal and not view.personal
    before, after = (shortened(t) if short and t is not None else t for t in (diff.before, diff.after))
    return {
        "name": diff.field.name,
        "title": diff.field.title,
        "means": diff.field.means,
        "kind": diff.kind,
        "shortened": short,
        "before": before,
        "after": after,
        "digests": [_digest(diff, text, view) for text in (diff.before, diff.after)],
    }


def _digest(diff: FieldDiff, text: str | None, view: View) -> str | None:
    return field_digest(diff.field, text, view.key) if diff.field.personal else None


def _extent(comparison: Comparison, extent: Extent, view: View, withheld: Sequence[Span]) -> Json:
    def data(image: Image, name: str) -> str | None:
        if extent.presence not in {"both", name}:
            return None
        stop = extent.stop if view.whole else min(extent.stop, extent.start + _BYTES)
        return hexadecimal(image, extent.start, stop, withheld)

    return {
        "start": extent.start,
        "stop": extent.stop,
        "region": extent.region or None,
        "role": extent.role,
        "presence": extent.presence,
        "before": data(comparison.before.image, "before"),
        "after": data(comparison.after.image, "after"),
    }


# -------------------------------------------------------------------------------------------------------------- axes


def axis_part(axis: AxisValues) -> Json:
    """The breakpoints of an axis."""
    return {
        "name": axis.spec.name,
        "title": axis.spec.title,
        "quantity": axis.spec.quantity,
        "unit": axis_unit(axis.spec),
        "raw": None if axis.raw is None else numbers(axis.raw.tolist()),
        "physical": numbers(axis.physical.tolist()),
        "problems": [{"kind": p.kind, "text": p.text, "address": p.address} for p in axis.problems],
    }


def _axis(diff: AxisDiff) -> Json:
    return {
        "name": diff.name,
        "before": axis_part(diff.before),
        "after": axis_part(diff.after),
        "changed": np.flatnonzero(diff.changed).tolist(),
        "tables": list(diff.tables),
    }


# ------------------------------------------------------------------------------------------------------------ tables


def _table(diff: TableDiff, view: View) -> Json:
    table = diff.after or diff.before
    return {
        "name": diff.name,
        "state": diff.state,
        "reason": diff.reason,
        "title": table.spec.title if table else "",
        "kind": table.spec.kind if table else None,
        "unit": table.spec.scaling.unit if table else "",
        "tags": list(table.spec.tags) if table else [],
        "shape": {"before": _shape(diff.before), "after": _shape(diff.after)},
        "text": None
        if table is None or table.spec.kind != "text"
        else {"before": _text(diff.before), "after": _text(diff.after)},
        "axes": [a.spec.name for a in table.axes] if table else [],
        "moved": list(diff.moved),
        "changed": diff.cells,
        "cells": None if view.stat else _cells(diff),
        "statistics": _statistics(diff.statistics),
        "surface": _surface(diff.surface, view),
        "problems": [{"kind": p.kind, "text": p.text, "address": p.address} for p in diff.after.problems]
        if diff.after
        else [],
    }


def _shape(table: Table | None) -> list[int] | None:
    return None if table is None else list(table.raw.shape)


def _text(table: Table | None) -> str | None:
    return None if table is None else table.text


def _cells(diff: TableDiff) -> list[Json]:
    """Every changed cell: where it is, its operating point after, raw and physical before and after."""
    before, after = diff.before, diff.after
    if diff.changed is None or before is None or after is None:
        return []
    indices = [tuple(map(int, i)) for i in np.argwhere(diff.changed)]
    figures = Figures(before, after, indices)
    return [_cell(before, after, figures, index) for index in indices]


def _cell(before: Table, after: Table, figures: Figures, index: tuple[int, ...]) -> Json:
    step, base = figures.step(index), figures.value(0, index)
    old, new = (figures.value(side, index) for side in (0, 1))
    return {
        "index": list(index),
        "address": int(after.addresses[index]),
        "at": [number(float(a.physical[i])) for a, i in zip(after.axes, index, strict=False)],
        "raw": [number(before.raw[index].item()), number(after.raw[index].item())],
        "physical": [None if v is None else float(v) for v in (old, new)],
        "shown": [figures.text(0, index), figures.text(1, index)],
        "difference": None if step is None else float(step),
        "percent": float(step / abs(base) * 100) if step is not None and base else None,
    }


def _statistics(stats: Statistics | None) -> Json | None:
    if stats is None:
        return None
    return {
        "cells": stats.cells,
        "changed": stats.changed,
        "raised": stats.raised,
        "lowered": stats.lowered,
        "least": number(stats.least),
        "greatest": number(stats.greatest),
        "mean": number(stats.mean),
        "least_percent": None if stats.least_percent is None else number(stats.least_percent),
        "greatest_percent": None if stats.greatest_percent is None else number(stats.greatest_percent),
    }


def _surface(surface: Surface | None, view: View) -> Json | None:
    if surface is None:
        return None
    return {
        "changed": surface.changed,
        "tolerance": number(surface.tolerance),
        "largest": number(surface.largest),
        "at": numbers(list(map(float, surface.at))),
        "points": None if view.stat else [numbers(p.tolist()) for p in surface.points],
        "before": None if view.stat else numbers(surface.before.tolist()),
        "after": None if view.stat else numbers(surface.after.tolist()),
    }
