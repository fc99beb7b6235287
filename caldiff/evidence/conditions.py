"""Which rows of a log count: windows of quantities, a steady state, a warm-up that is left out, and the gap limit."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

import attrs
import numpy as np
from numpy.typing import NDArray

from caldiff.errors import EvidenceError
from caldiff.evidence.log import Floats
from caldiff.evidence.units import Affine, conversion
from caldiff.value import Value

__all__ = ["GAP", "Conditions", "Filter", "Steady", "Window", "spread"]

Bools = NDArray[np.bool_]

GAP = Fraction(2)
"""seconds, unless stated"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Window(Value):
    """A quantity within bounds, both included; ``unit``: what they are in, that of the definition if None."""

    quantity: str
    least: Fraction | None = None
    greatest: Fraction | None = None
    unit: str | None = None

    def __str__(self) -> str:
        low = f"{_shown(self.least)} <= " if self.least is not None else ""
        high = f" <= {_shown(self.greatest)}" if self.greatest is not None else ""
        return f"{low}{self.quantity}{high}{f' {self.unit}' if self.unit else ''}"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Steady(Value):
    """A quantity whose greatest and least value of the last ``seconds`` lie at most ``within`` apart."""

    quantity: str
    within: Fraction
    seconds: Fraction
    unit: str | None = None

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.quantity} within {_shown(self.within)}{unit} for {_shown(self.seconds)} s"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Conditions(Value):
    """What must hold at a row for it to count; all of it.

    Attributes:
        gap: seconds: the longest that a value is held until the next one, and that a row counts until the next row.
        after: seconds at the beginning of a log that are left out.
    """

    gap: Fraction = GAP
    after: Fraction = Fraction(0)
    steady: tuple[Steady, ...] = ()
    windows: tuple[Window, ...] = ()

    @property
    def wanted(self) -> dict[str, str | None]:
        """The quantities that must be measured, each with the unit stated here, or None."""
        windows = {window.quantity: window.unit for window in self.windows}
        return windows | {steady.quantity: steady.unit for steady in self.steady}


def _shown(number: Fraction | None) -> str:
    return "" if number is None else f"{float(number):g}"


class Filter:
    """Judges the rows of one log, block by block, in order.

    Args:
        conditions: what must hold.
        units: what the quantities are given in, or None where that is not known.

    Raises:
        EvidenceError: a bound is in a unit that the quantity cannot be converted to.
    """

    def __init__(self, conditions: Conditions, units: Mapping[str, str | None]) -> None:
        self._conditions = conditions
        self._windows = [(window.quantity, *_bounds(window, units[window.quantity])) for window in conditions.windows]
        self._steady = [_Spread(one, _width(one, units[one.quantity]), conditions.gap) for one in conditions.steady]

    @property
    def names(self) -> tuple[str, ...]:
        """What each of the masks is about, in words."""
        conditions = self._conditions
        after = [f"{_shown(conditions.after)} s after the start"] if conditions.after else []
        return (*after, *map(str, conditions.windows), *map(str, conditions.steady))

    def masks(self, time: Floats, values: Mapping[str, Floats]) -> list[Bools]:
        """For each condition, where it holds: shape (n,). A blank value meets none."""
        found = [time >= float(self._conditions.after)] if self._conditions.after else []
        for quantity, least, greatest in self._windows:
            value = values[quantity]
            inside = ~np.isnan(value)
            if least is not None:
                inside &= value >= least
            if greatest is not None:
                inside &= value <= greatest
            found.append(inside)
        return [*found, *(steady.mask(time, values[steady.quantity]) for steady in self._steady)]


def _bounds(window: Window, target: str | None) -> tuple[float | None, float | None]:
    found = _conversion(window.quantity, window.unit, target)
    least, greatest = (
        None if bound is None else float(found.exactly(bound)) for bound in (window.least, window.greatest)
    )
    return (greatest, least) if found.factor < 0 else (least, greatest)


def _width(steady: Steady, target: str | None) -> float:
    return float(steady.within * abs(_conversion(steady.quantity, steady.unit, target).factor))


def _conversion(quantity: str, unit: str | None, target: str | None) -> Affine:
    if unit is None:
        return Affine()
    if target is None:
        raise EvidenceError(
            f"the condition on {quantity} is in {unit}, and nobody says what the channel is in",
            hint=f"say the unit under {quantity} in the channels file",
        )
    return conversion(unit, target)


class _Spread:
    """Judges one steady state; remembers as many rows as its time reaches back."""

    def __init__(self, steady: Steady, within: float, gap: Fraction) -> None:
        self.quantity = steady.quantity
        self._within = within
        self._seconds = float(steady.seconds)
        self._gap = float(gap)
        self._time = np.zeros(0)
        self._value = np.zeros(0)
        self._since = np.inf

    def mask(self, time: Floats, value: Floats) -> Bools:
        """Where it holds: the rows reach back far enough, without a gap or a blank, and keep close together."""
        kept = len(self._time)
        time = np.concatenate([self._time, time])
        value = np.concatenate([self._value, value])
        begins = np.diff(time, prepend=time[0] if kept else -np.inf) > self._gap
        marks = np.where(begins, time, -np.inf)
        if kept:
            marks[0] = self._since
        since = np.maximum.accumulate(marks)
        holds = spread(time, value, self._seconds) <= self._within
        holds &= since <= time - self._seconds
        left = int(np.searchsorted(time, time[-1] - self._seconds, "left"))
        self._time, self._value, self._since = time[left:], value[left:], float(since[left])
        return holds[kept:]


def spread(time: Floats, value: Floats, seconds: float) -> Floats:
    """Greatest minus least value of the rows at most so many seconds back, for every row; NaN where one is blank.

    By maxima over stretches of 1, 2, 4, ... rows: two of them, overlapping, cover any stretch. Time never falls.
    """
    rows = np.arange(len(time))
    first = np.searchsorted(time, time - seconds, "left")
    power = np.frexp(rows - first + 1)[1] - 1
    high, low = value.copy(), value.copy()
    found = np.empty(len(time))
    for level in range(int(power.max(initial=0)) + 1):
        if level:
            half = 1 << (level - 1)
            high, low = np.maximum(high[:-half], high[half:]), np.minimum(low[:-half], low[half:])
        at = np.flatnonzero(power == level)
        one, two = first[at], rows[at] - (1 << level) + 1
        found[at] = np.maximum(high[one], high[two]) - np.minimum(low[one], low[two])
    return found
