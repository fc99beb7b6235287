"""Cells as people read them: exact values, signed differences, percent; and how many decimals a table needs for that.

A changed cell never looks unchanged: where the scaling's decimals would show the same text before and after, more
decimals are shown in the whole table.
"""

from __future__ import annotations

from collections.abc import Iterable
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
    "exact",
    "is_numeric",
    "signed",
    "step_ink",
]

Index = tuple[int, ...]

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
    """The cells of one table, before and after, as texts. Indices are array order; either table may be missing.

    Tables hold few different raw values, so that what is worked out for one is kept for the next.
    """

    def __init__(self, before: Table | None, after: Table | None, indices: Iterable[Index]) -> None:
        """``indices`` are the cells that will be shown: they decide the decimals."""
        self._tables = (before, after)
        self.numeric = all(is_numeric(t.spec) for t in self._tables if t)
        self._values: tuple[dict[float, Fraction | None], ...] = ({}, {})
        self._texts: tuple[dict[float, str], ...] = ({}, {})
        self._steps: dict[tuple[float, float], tuple[Fraction | None, str]] = {}
        self.decimals = self._decimals(indices) if self.numeric else 0

    def value(self, side: int, index: Index) -> Fraction | None:
        """The exact value of side 0 (before) or 1 (after); None where there is none."""
        table = self._tables[side]
        if table is None or not self.numeric:
            return None
        raw, known = table.raw[index].item(), self._values[side]
        if raw not in known:
            known[raw] = exact(table.spec.scaling, raw)
        return known[raw]

    def text(self, side: int, index: Index) -> str:
        """One cell of side 0 (before) or 1 (after)."""
        table = self._tables[side]
        if table is None:
            return ""
        raw, known = table.raw[index].item(), self._texts[side]
        if raw not in known:
            value = self.value(side, index)
            known[raw] = table.shown(index) if value is None else shown_number(value, self.decimals)
        return known[raw]

    def step(self, index: Index) -> Fraction | None:
        """After minus before, exact; None where one of them is no number."""
        return self._step(index)[0]

    def difference(self, index: Index) -> str:
        """After minus before, with its sign; both texts where there is no difference to reckon."""
        step, text = self._step(index)
        return self._pair(index) if step is None else text

    def percent(self, index: Index) -> str:
        """The difference in percent of the value before, with its sign; both texts where that is none or 0."""
        step, before = self.step(index), self.value(0, index)
        if step is None or not before:
            return self._pair(index)
        return f"{signed(step / abs(before) * 100, 1)}%"

    def ink(self, index: Index, largest: float | None = None) -> Ink:
        """The colour of a changed cell; strong from half of ``largest`` on."""
        step = self.step(index)
        if step is None:
            return "strong"
        return step_ink(float(step), largest)

    def _step(self, index: Index) -> tuple[Fraction | None, str]:
        before, after = self._tables
        if before is None or after is None or not self.numeric:
            return None, ""
        raws = before.raw[index].item(), after.raw[index].item()
        if raws not in self._steps:
            old, new = self.value(0, index), self.value(1, index)
            step = None if old is None or new is None else new - old
            self._steps[raws] = step, "" if step is None else signed(step, self.decimals)
        return self._steps[raws]

    def _pair(self, index: Index) -> str:
        return f"{self.text(0, index)}->{self.text(1, index)}"

    def _decimals(self, indices: Iterable[Index]) -> int:
        """Enough for the scaling, and for every changed cell to look changed."""
        pairs = {(self.value(0, i), self.value(1, i)) for i in indices}
        decimals = 0
        for side, table in enumerate(self._tables):
            if table is None:
                continue
            asked = table.spec.scaling.decimals
            need = (_needed(pair[side] or Fraction(0)) for pair in pairs) if asked is None else (asked,)
            decimals = max(decimals, *need, 0)
        return _telling(pairs, decimals)


def step_ink(step: float, largest: float | None) -> Ink:
    """The colour of a difference; strong from half of the largest on."""
    big = largest is not None and abs(step) * 2 >= largest > 0
    if step < 0:
        return "LOWERED" if big else "lowered"
    return "RAISED" if big else "raised"


def _telling(pairs: Iterable[tuple[Fraction | None, Fraction | None]], least: int) -> int:
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
