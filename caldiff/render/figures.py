"""Cells as people read them: exact values, signed differences, percent; and how many decimals a table needs for that.

A changed cell never looks unchanged: where the scaling's decimals would show the same text before and after, more
decimals are shown in the whole table.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from math import isfinite

from caldiff.definition.model import Axis, Bits, FixedAxis, Names, Scaling, TableSpec
from caldiff.definition.number import shown_number
from caldiff.definition.scaling import to_physical
from caldiff.errors import TableError
from caldiff.render.look import Ink
from caldiff.table.model import AxisValues, Table

__all__ = [
    "AxisFigures",
    "Figures",
    "axis_label",
    "axis_unit",
    "decimals_of",
    "exact",
    "is_numeric",
    "signed",
    "unit_after",
]

_MOST = 6
"""decimals that are shown unasked"""


def is_numeric(spec: TableSpec) -> bool:
    """Whether the cells are quantities: neither text, nor names, nor flags."""
    return spec.kind != "text" and not isinstance(spec.scaling.conversion, Names | Bits)


def exact(scaling: Scaling, raw: float) -> Fraction | None:
    """The exact physical value of a raw one; None where there is none (not a number, a pole of the scaling)."""
    if isinstance(raw, float) and not isfinite(raw):
        return None
    try:
        return to_physical(scaling, raw)
    except TableError:
        return None


def signed(value: Fraction, decimals: int) -> str:
    """The value with its sign; a difference that is not 0 is never shown as 0, whatever the decimals."""
    text = shown_number(value, decimals)
    if value and not text.strip("-0."):
        place = next((n for n in range(decimals, _MOST) if shown_number(value, n).strip("-0.")), _MOST)
        text = shown_number(value, None) if place == _MOST else shown_number(value, place + 1).rstrip("0")
    return f"+{text}" if value > 0 else text


def _needed(value: Fraction, most: int = _MOST) -> int:
    """The decimals that show the value exactly, at most ``most``."""
    return next((n for n in range(most) if 10**n % value.denominator == 0), most)


class Figures:
    """The cells of one table, before and after, as texts. Indices are array order; either table may be missing."""

    def __init__(self, before: Table | None, after: Table | None, indices: Iterable[tuple[int, ...]]) -> None:
        """``indices`` are the cells that will be shown: they decide the decimals."""
        self._tables = (before, after)
        self.numeric = all(is_numeric(t.spec) for t in self._tables if t)
        self.decimals = self._decimals(list(indices)) if self.numeric else 0

    def value(self, side: int, index: tuple[int, ...]) -> Fraction | None:
        """The exact value of side 0 (before) or 1 (after)."""
        table = self._tables[side]
        return None if table is None or not self.numeric else exact(table.spec.scaling, table.raw[index].item())

    def text(self, side: int, index: tuple[int, ...]) -> str:
        """One cell of side 0 (before) or 1 (after)."""
        table = self._tables[side]
        if table is None:
            return ""
        value = self.value(side, index)
        return table.shown(index) if value is None else shown_number(value, self.decimals)

    def step(self, index: tuple[int, ...]) -> Fraction | None:
        """After minus before, exact; None where one of them is no number."""
        before, after = self.value(0, index), self.value(1, index)
        return None if before is None or after is None else after - before

    def difference(self, index: tuple[int, ...], arrow: str = "->") -> str:
        """After minus before, with its sign; both texts where there is no difference to reckon."""
        step = self.step(index)
        return self._pair(index, arrow) if step is None else signed(step, self.decimals)

    def percent(self, index: tuple[int, ...], arrow: str = "->") -> str:
        """The difference in percent of the value before, with its sign; both texts where that is none or 0."""
        step, before = self.step(index), self.value(0, index)
        if step is None or not before:
            return self._pair(index, arrow)
        return f"{signed(step / abs(before) * 100, 1)}%"

    def _pair(self, index: tuple[int, ...], arrow: str) -> str:
        return f"{self.text(0, index)}{arrow}{self.text(1, index)}"

    def ink(self, index: tuple[int, ...], largest: Fraction | None = None) -> Ink:
        """The colour of a changed cell; strong from half of ``largest`` on."""
        step = self.step(index)
        if step is None:
            return "strong"
        big = bool(largest) and abs(step) * 2 >= (largest or 0)
        if step < 0:
            return "LOWERED" if big else "lowered"
        return "RAISED" if big else "raised"

    def _decimals(self, indices: list[tuple[int, ...]]) -> int:
        """Enough for the scaling, and for every changed cell to look changed."""
        pairs = [(self.value(0, i), self.value(1, i)) for i in indices]
        decimals = 0
        for side, table in enumerate(self._tables):
            if table is None:
                continue
            asked = table.spec.scaling.decimals
            need = (_needed(pair[side] or Fraction(0)) for pair in pairs) if asked is None else (asked,)
            decimals = max(decimals, *need, 0)
        return _telling(pairs, decimals)


def _telling(pairs: Sequence[tuple[Fraction | None, Fraction | None]], least: int) -> int:
    """``least`` decimals, or what the values need where two that differ would look the same."""
    both = [(a, b) for a, b in pairs if a is not None and b is not None and a != b]
    if all(shown_number(a, least) != shown_number(b, least) for a, b in both):
        return least
    return max([least, *(_needed(value) for pair in both for value in pair)])


class AxisFigures:
    """The breakpoints of one axis, before and after, as texts. Decimals are chosen as for cells."""

    def __init__(self, before: AxisValues, after: AxisValues) -> None:
        self._axes = (before, after)
        points = [(self.value(0, n), self.value(1, n)) for n in range(min(len(before), len(after)))]
        asked = [_asked(a.spec) for a in self._axes]
        every = (self.value(s, n) or Fraction(0) for s in (0, 1) for n in range(len(self._axes[s])))
        least = max(map(_needed, every), default=0) if None in asked else max(a or 0 for a in asked)
        self.decimals = _telling(points, least)

    def value(self, side: int, index: int) -> Fraction | None:
        """The exact breakpoint of side 0 (before) or 1 (after); None for names and for what is no number."""
        axis = self._axes[side]
        if index >= len(axis):
            return None
        if isinstance(axis.spec, FixedAxis):
            return axis.spec.points[index]
        if axis.raw is None or isinstance(axis.spec.scaling.conversion, Names | Bits):
            return None
        return exact(axis.spec.scaling, axis.raw[index].item())

    def text(self, side: int, index: int) -> str:
        """One breakpoint, or nothing where the axis is shorter."""
        axis = self._axes[side]
        if index >= len(axis):
            return ""
        value = self.value(side, index)
        if value is not None:
            return shown_number(value, self.decimals)
        return axis.shown(index)


def _asked(axis: Axis) -> int | None:
    return axis.decimals if isinstance(axis, FixedAxis) else axis.scaling.decimals


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
