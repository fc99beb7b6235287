"""Words for tables and axes: shape, unit, what an axis stands for. Free of numpy."""

from __future__ import annotations

from collections.abc import Sequence

from caldiff.definition.model import Axis, FixedAxis, TableSpec

__all__ = ["axis_label", "axis_unit", "decimals_of", "shape_words", "unit_after"]


def axis_unit(axis: Axis) -> str:
    """The unit of an axis; empty for a bare number."""
    unit = axis.unit if isinstance(axis, FixedAxis) else axis.scaling.unit
    return "" if unit == "1" else unit


def axis_label(axis: Axis) -> str:
    """What an axis stands for, with its unit."""
    words = axis.title or axis.quantity.replace("_", " ") or axis.name
    return f"{words}, {axis_unit(axis)}" if axis_unit(axis) else words


def unit_after(spec: TableSpec) -> str:
    """The unit of a table's cells as it follows a number; empty for a bare number."""
    return "" if spec.scaling.unit in {"", "1"} else f" {spec.scaling.unit}"


def decimals_of(spec: TableSpec) -> int:
    """Decimals for figures that are reckoned from the cells of a table: those of its scaling, else 3."""
    return 3 if spec.scaling.decimals is None else spec.scaling.decimals


def shape_words(spec: TableSpec, shape: Sequence[int]) -> str:
    """Kind and size, such as ``map 12 x 16``."""
    return f"{spec.kind} {' x '.join(map(str, shape))}" if shape else spec.kind
