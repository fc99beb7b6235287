"""Cells as people read them: exact values, signed differences, percent; and how many decimals a table needs for that.

A changed cell never looks unchanged: where the scaling's decimals would show the same text before and after, more
decimals are shown in the whole table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import partial
from math import gcd, isfinite

from caldiff.definition.model import Axis, Bits, FixedAxis, Linear, Names, Scaling, TableSpec
from caldiff.definition.number import shown_ratio
from caldiff.definition.scaling import to_physical
from caldiff.errors import TableError
from caldiff.render.look import Ink
from caldiff.table.model import AxisValues, Table

__all__ = [
    "AxisFigures",
    "Figures",
    "is_numeric",
    "signed",
    "step_ink",
]

Index = tuple[int, ...]
Ratio = tuple[int, int]
"""an exact number: numerator and denominator, the latter above 0, not in lowest terms"""

_MOST = 6
"""decimals that are shown unasked"""


def is_numeric(spec: TableSpec) -> bool:
    """Whether the cells are quantities: neither text, nor names, nor flags."""
    return spec.kind != "text" and not isinstance(spec.scaling.conversion, Names | Bits)


def _exactly(scaling: Scaling) -> Callable[[float], Ratio | None]:
    """Raw -> exact physical value of one scaling; None where there is none (not a number, a pole of the scaling)."""
    conversion = scaling.conversion
    if isinstance(conversion, Linear):
        factor, offset = conversion.factor, conversion.offset
        slope, under = factor.numerator * offset.denominator, factor.denominator * offset.denominator
        start = offset.numerator * factor.denominator

        def linear(raw: float) -> Ratio | None:
            return (raw * slope + start, under) if isinstance(raw, int) else _ratio(scaling, raw)

        return linear
    return partial(_ratio, scaling)


def _ratio(scaling: Scaling, raw: float) -> Ratio | None:
    if isinstance(raw, float) and not isfinite(raw):
        return None
    try:
        return to_physical(scaling, raw).as_integer_ratio()
    except TableError:
        return None


def signed(value: Fraction, decimals: int) -> str:
    """The value with its sign; a difference that is not 0 is never shown as 0, whatever the decimals."""
    return _signed(value.as_integer_ratio(), decimals)


def _signed(ratio: Ratio, decimals: int) -> str:
    text = shown_ratio(*ratio, decimals)
    if ratio[0] and not text.strip("-0."):
        place = next((n for n in range(decimals, _MOST) if shown_ratio(*ratio, n).strip("-0.")), _MOST)
        text = shown_ratio(*ratio, None) if place == _MOST else shown_ratio(*ratio, place + 1).rstrip("0")
    return f"+{text}" if ratio[0] > 0 else text


def _needed(ratio: Ratio, most: int = _MOST) -> int:
    """The decimals that show the value exactly, at most ``most``."""
    under = ratio[1] // gcd(*ratio)
    return next((n for n in range(most) if 10**n % under == 0), most)


class Figures:
    """The cells of one table, before and after, as texts. Indices are array order; either table may be missing.

    Tables hold few different raw values, so that what is worked out for one is kept for the next. Values are kept as
    numerator and denominator, not reduced: a page of cells would otherwise spend most of its time on reducing.
    """

    def __init__(self, before: Table | None, after: Table | None, indices: Iterable[Index]) -> None:
        """``indices`` are the cells that will be shown: they decide the decimals."""
        self._tables = (before, after)
        self.numeric = all(is_numeric(t.spec) for t in self._tables if t)
        self._exactly = tuple(_exactly(t.spec.scaling) if t else None for t in self._tables)
        self._texts: tuple[dict[float, str], ...] = ({}, {})
        self._steps: dict[tuple[float, float], tuple[Ratio | None, str]] = {}
        self.decimals = self._decimals(indices) if self.numeric else 0

    def value(self, side: int, index: Index) -> Fraction | None:
        """The exact value of side 0 (before) or 1 (after); None where there is none."""
        table = self._tables[side]
        ratio = None if table is None or not self.numeric else self._reckoned(side, table.raw[index].item())
        return None if ratio is None else Fraction(*ratio)

    def text(self, side: int, index: Index) -> str:
        """One cell of side 0 (before) or 1 (after)."""
        table = self._tables[side]
        if table is None:
            return ""
        raw, known = table.raw[index].item(), self._texts[side]
        if raw not in known:
            ratio = self._reckoned(side, raw) if self.numeric else None
            known[raw] = table.shown(index) if ratio is None else shown_ratio(*ratio, self.decimals)
        return known[raw]

    def step(self, index: Index) -> Fraction | None:
        """After minus before, exact; None where one of them is no number."""
        ratio = self._step(index)[0]
        return None if ratio is None else Fraction(*ratio)

    def difference(self, index: Index) -> str:
        """After minus before, with its sign; both texts where there is no difference to reckon."""
        ratio, text = self._step(index)
        return self._pair(index) if ratio is None else text

    def percent(self, index: Index) -> str:
        """The difference in percent of the value before, with its sign; both texts where that is none or 0."""
        step, before = self.step(index), self.value(0, index)
        if step is None or not before:
            return self._pair(index)
        return f"{signed(step / abs(before) * 100, 1)}%"

    def ink(self, index: Index, largest: float | None = None) -> Ink:
        """The colour of a changed cell; strong from half of ``largest`` on."""
        ratio = self._step(index)[0]
        return "strong" if ratio is None else step_ink(ratio[0] / ratio[1], largest)

    def _reckoned(self, side: int, raw: float) -> Ratio | None:
        exactly = self._exactly[side]
        return exactly(raw) if exactly else None

    def _step(self, index: Index) -> tuple[Ratio | None, str]:
        before, after = self._tables
        if before is None or after is None or not self.numeric:
            return None, ""
        raws = before.raw[index].item(), after.raw[index].item()
        if raws not in self._steps:
            old, new = self._reckoned(0, raws[0]), self._reckoned(1, raws[1])
            step = None if old is None or new is None else _minus(new, old)
            self._steps[raws] = step, "" if step is None else _signed(step, self.decimals)
        return self._steps[raws]

    def _pair(self, index: Index) -> str:
        return f"{self.text(0, index)}->{self.text(1, index)}"

    def _decimals(self, indices: Iterable[Index]) -> int:
        """Enough for the scaling, and for every changed cell to look changed."""
        raws = {tuple(None if t is None else t.raw[i].item() for t in self._tables) for i in indices}
        pairs = [tuple(None if r is None else self._reckoned(s, r) for s, r in enumerate(pair)) for pair in raws]
        decimals = 0
        for side, table in enumerate(self._tables):
            if table is None:
                continue
            asked = table.spec.scaling.decimals
            need = (_needed(pair[side] or (0, 1)) for pair in pairs) if asked is None else (asked,)
            decimals = max(decimals, *need, 0)
        return _telling(((old, new) for old, new in pairs), decimals)


def _minus(one: Ratio, other: Ratio) -> Ratio:
    if one[1] == other[1]:
        return one[0] - other[0], one[1]
    return one[0] * other[1] - other[0] * one[1], one[1] * other[1]


def step_ink(step: float, largest: float | None) -> Ink:
    """The colour of a difference; strong from half of the largest on."""
    big = largest is not None and abs(step) * 2 >= largest > 0
    if step < 0:
        return "LOWERED" if big else "lowered"
    return "RAISED" if big else "raised"


def _telling(pairs: Iterable[tuple[Ratio | None, Ratio | None]], least: int) -> int:
    """``least`` decimals, or what the values need where two that differ would look the same."""
    both = [(a, b) for a, b in pairs if a is not None and b is not None and _minus(a, b)[0]]
    if all(shown_ratio(*a, least) != shown_ratio(*b, least) for a, b in both):
        return least
    return max([least, *(_needed(value) for pair in both for value in pair)])


class AxisFigures:
    """The breakpoints of one axis, before and after, as texts. Decimals are chosen as for cells."""

    def __init__(self, before: AxisValues, after: AxisValues) -> None:
        self._axes = (before, after)
        self._ratios = tuple(_breakpoints(axis) for axis in self._axes)
        asked = [_asked(a.spec) for a in self._axes]
        every = (ratio or (0, 1) for ratios in self._ratios for ratio in ratios)
        least = max(map(_needed, every), default=0) if None in asked else max(a or 0 for a in asked)
        self.decimals = _telling(zip(*self._ratios, strict=False), least)

    def value(self, side: int, index: int) -> Fraction | None:
        """The exact breakpoint of side 0 (before) or 1 (after); None for names and for what is no number."""
        ratios = self._ratios[side]
        ratio = ratios[index] if index < len(ratios) else None
        return None if ratio is None else Fraction(*ratio)

    def text(self, side: int, index: int) -> str:
        """One breakpoint, or nothing where the axis is shorter."""
        ratios = self._ratios[side]
        if index >= len(ratios):
            return ""
        ratio = ratios[index]
        return self._axes[side].shown(index) if ratio is None else shown_ratio(*ratio, self.decimals)


def _breakpoints(axis: AxisValues) -> list[Ratio | None]:
    if isinstance(axis.spec, FixedAxis):
        return [point.as_integer_ratio() for point in axis.spec.points]
    if axis.raw is None or isinstance(axis.spec.scaling.conversion, Names | Bits):
        return [None] * len(axis)
    exactly = _exactly(axis.spec.scaling)
    return [exactly(raw) for raw in axis.raw.tolist()]


def _asked(axis: Axis) -> int | None:
    return axis.decimals if isinstance(axis, FixedAxis) else axis.scaling.decimals
