"""A table in the shapes of other libraries, and as a small HTML table for notebooks."""

from __future__ import annotations

from html import escape
from itertools import product
from typing import Any

import numpy as np

from caldiff.errors import UsageError
from caldiff.table.model import AxisValues, Table

__all__ = ["to_html", "to_pandas", "to_xarray"]

_MOST_ROWS, _MOST_COLUMNS = 24, 24
_MAP = 2
"""dimensions of a map: columns and rows"""


def _missing(library: str) -> UsageError:
    hint = f"install it, or caldiff with its extra: pip install 'caldiff[{library}]'"
    return UsageError(f"this needs {library}, which is not installed", hint=hint)


def _dimensions(table: Table) -> list[str]:
    """A name per dimension: the axis's quantity where it has one and no other axis has the same, else its letter."""
    letters = "zyx"[3 - len(table.axes) :] if table.axes else [f"index_{i}" for i in range(table.raw.ndim)]
    if not table.axes:
        return list(letters)
    quantities = [axis.spec.quantity for axis in table.axes]
    return [q if q and quantities.count(q) == 1 else letter for q, letter in zip(quantities, letters, strict=True)]


def to_pandas(table: Table) -> Any:
    """See :meth:`caldiff.table.model.Table.to_pandas`."""
    try:
        import pandas  # noqa: ICN001, PLC0415 - optional, and slow to start
    except ImportError:
        raise _missing("pandas") from None
    if table.text is not None:
        return pandas.Series([table.text], name=table.name)
    names = _dimensions(table)
    points: list[Any] = [a.physical for a in table.axes] or [range(n) for n in table.raw.shape]
    indexes = [pandas.Index(p, name=n) for p, n in zip(points, names, strict=True)]
    if table.raw.ndim == 0:
        return pandas.Series([float(table.physical)], name=table.name)
    if table.raw.ndim == 1:
        return pandas.Series(table.physical, index=indexes[0], name=table.name)
    rows = indexes[0] if table.raw.ndim == _MAP else pandas.MultiIndex.from_product(indexes[:-1])
    return pandas.DataFrame(table.physical.reshape(-1, table.raw.shape[-1]), index=rows, columns=indexes[-1])


def to_xarray(table: Table) -> Any:
    """See :meth:`caldiff.table.model.Table.to_xarray`."""
    try:
        import xarray  # noqa: PLC0415 - optional, and slow to start
    except ImportError:
        raise _missing("xarray") from None
    names = _dimensions(table)
    facts = {"units": table.unit, "long_name": table.spec.title}
    attributes = {key: value for key, value in facts.items() if value}
    if table.text is not None:
        return xarray.DataArray(table.text, name=table.name, attrs=attributes)
    coords = {
        name: (name, axis.physical, {"units": axis.unit} if axis.unit else {})
        for name, axis in zip(names, table.axes, strict=False)
    }
    return xarray.DataArray(table.physical, dims=names, coords=coords, name=table.name, attrs=attributes)


# --------------------------------------------------------------------------------------------------------------- HTML


def to_html(table: Table) -> str:
    """The table for a notebook: caption, axes, values; what is beyond 24 rows or columns is left out, and said."""
    unit = f" [{table.unit}]" if table.unit else ""
    caption = f"{table.name}: {table.spec.title}{unit}" if table.spec.title else f"{table.name}{unit}"
    body = f"<tr><td>{escape(table.text)}</td></tr>" if table.text is not None else _rows(table)
    problems = "".join(f"<li>{escape(p.text)}</li>" for p in table.problems)
    left_out = _left_out(table)
    return (
        f"<table><caption>{escape(caption)}</caption>{body}</table>"
        f"{f'<p>{escape(left_out)}</p>' if left_out else ''}{f'<ul>{problems}</ul>' if problems else ''}"
    )


def _rows(table: Table) -> str:
    """Header and cells, the layers of a cuboid under one another."""
    shape = table.raw.shape
    columns = range(min(shape[-1], _MOST_COLUMNS)) if shape else range(1)
    lines = []
    if table.axes:
        heads = "".join(f"<th>{escape(table.axes[-1].shown(i))}</th>" for i in columns)
        lines.append(f"<tr><th>{escape(_corner(table))}</th>{heads}</tr>")
    outer = [index for index, _ in zip(product(*map(range, shape[:-1])), range(_MOST_ROWS), strict=False)]
    for index in outer:
        head = ", ".join(axis.shown(i) for axis, i in zip(table.axes[:-1], index, strict=False))
        cells = "".join(f"<td>{escape(table.shown((*index, i) if shape else ()))}</td>" for i in columns)
        lines.append(f"<tr>{f'<th>{escape(head)}</th>' if table.axes else ''}{cells}</tr>")
    return "".join(lines)


def _corner(table: Table) -> str:
    """What the axes are, rows first."""
    return " / ".join(_axis_title(axis) for axis in table.axes)


def _axis_title(axis: AxisValues) -> str:
    title = axis.spec.title or axis.spec.quantity or axis.name.rpartition(".")[2]
    return f"{title} [{axis.unit}]" if axis.unit else title


def _left_out(table: Table) -> str:
    shape = table.raw.shape
    if table.text is not None or not shape:
        return ""
    rows = int(np.prod(shape[:-1], dtype=np.int64))
    if rows <= _MOST_ROWS and shape[-1] <= _MOST_COLUMNS:
        return ""
    return f"shown: {min(rows, _MOST_ROWS)} of {rows} rows, {min(shape[-1], _MOST_COLUMNS)} of {shape[-1]} columns"
