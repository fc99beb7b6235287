"""Whole arrays of raw values to physical ones and back, with the same result as the exact scalar rules, cell by cell.

Where every intermediate is an integer that a double holds exactly (up to 2**53), one division at the end rounds once
and so gives the nearest double. Everything else goes through the exact rules of
:mod:`caldiff.definition.scaling`, each different value once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache
from math import lcm
from typing import Any

import numpy as np
import numpy.typing as npt

from caldiff.definition import scaling as exact
from caldiff.definition.model import Bits, ElementType, Limits, Linear, Lookup, Names, Rational, Scaling
from caldiff.errors import CaldiffError, EncodeError
from caldiff.table.layout import gaps_of

__all__ = ["Floats", "Raw", "as_double", "beyond", "raw_limits", "to_physical", "to_raw"]

Raw = npt.NDArray[Any]
"""integers or floats as stored, in the machine's byte order or the image's, masked and shifted where a mask is set"""
Floats = npt.NDArray[np.float64]

_EXACT = 2**53
"""every integer up to here is a double"""
_SINGLE = 4
"""bytes of the longest float type whose products by small integers are exact in doubles"""


# -------------------------------------------------------------------------------------------------- raw to physical


def to_physical(scaling: Scaling, raw: Raw, element: ElementType) -> Floats:
    """Physical values, the shape of ``raw``: each the double nearest to the exact value, read-only.

    A value that has none is not a number: a float that is not finite to begin with, a quotient by 0.
    """
    found: Floats | None = None
    match scaling.conversion:
        case Names() | Bits():
            found = raw.astype(np.float64)
        case Linear() as linear:
            found = _linear(linear, raw, element)
        case Rational(gives="physical") as rational:
            found = _quotient(rational, raw, element)
    if found is None:
        found = _each(scaling, raw)
    found.setflags(write=False)
    return found


def _linear(linear: Linear, raw: Raw, element: ElementType) -> Floats | None:
    """By exact arithmetic in doubles and one division; None where that would round twice."""
    numerator, offset, denominator = _whole(linear)
    if element.kind == "f":
        if linear == Linear():
            return _doubles(raw)
        if offset or abs(numerator) >= 1 << 29 or denominator > _EXACT or element.size > _SINGLE:
            return None  # a product of 24 and 29 bits is exact, anything more is not
    elif denominator > _EXACT or abs(offset) + abs(numerator) * _largest(raw, element, numerator, offset) > _EXACT:
        return None
    found = _doubles(raw)
    if numerator != 1:
        found *= numerator
    if offset or numerator < 0:  # adding 0 takes the sign off -0
        found += offset
    if denominator != 1:
        found /= denominator
    return found


def _doubles(raw: Raw) -> Floats:
    """The same numbers as doubles; a signalling NaN becomes a quiet one, which is nothing to warn of."""
    if raw.dtype.kind != "f":
        return raw.astype(np.float64)
    with np.errstate(invalid="ignore"):
        return raw.astype(np.float64)


def _whole(linear: Linear) -> tuple[int, int, int]:
    """``(n, o, d)`` with ``physical = (raw * n + o) / d`` in whole numbers; plain integers, which cost the least."""
    factor, offset = linear.factor, linear.offset
    d = lcm(factor.denominator, offset.denominator)
    return factor.numerator * (d // factor.denominator), offset.numerator * (d // offset.denominator), d


def _largest(raw: Raw, element: ElementType, numerator: int, offset: int) -> int:
    """A bound on the size of the raw integers: that of the type where it will do, else what is really there."""
    bound = max(element.highest, -element.lowest)
    if bound * abs(numerator) + abs(offset) > _EXACT and raw.size:
        return max(int(raw.max()), -int(raw.min()))
    return bound


def _quotient(rational: Rational, raw: Raw, element: ElementType) -> Floats | None:
    """Both polynomials exactly, then one division; None where a double does not hold them."""
    if element.kind == "f":
        return None
    above, below = _whole_quotient(rational)
    size = max(int(raw.max()), -int(raw.min()), 1) if raw.size else 1
    if any(abs(a) * size * size + abs(b) * size + abs(c) > _EXACT for a, b, c in (above, below)):
        return None
    value = raw.astype(np.float64)
    top, bottom = (np.asarray((value * a + b) * value + c) for a, b, c in (above, below))
    found = np.full(raw.shape, np.nan)
    np.divide(top, bottom, out=found, where=bottom != 0)
    found += 0.0  # 0 over a negative number is 0, not -0
    return found


@lru_cache(maxsize=1024)
def _whole_quotient(rational: Rational) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The coefficients as whole numbers of the same quotient."""
    both = (rational.numerator, rational.denominator)
    d = lcm(*(c.denominator for side in both for c in side))
    above, below = (tuple(int(c * d) for c in side) for side in both)
    return above, below


def _each(scaling: Scaling, raw: Raw) -> Floats:
    """By the exact rules, each different value once."""
    values, places = np.unique(raw, return_inverse=True)
    physical = np.array([_nearest(scaling, v) for v in values.tolist()], dtype=np.float64)
    return np.asarray(physical[places]).reshape(raw.shape)


def _nearest(scaling: Scaling, raw: float) -> float:
    """The double nearest to the physical value; infinite where it is beyond all doubles, NaN where there is none."""
    if not math.isfinite(raw):
        linear = scaling.conversion
        return raw * math.copysign(1.0, linear.factor) if isinstance(linear, Linear) else math.nan
    try:
        return as_double(exact.to_physical(scaling, raw))
    except (CaldiffError, ArithmeticError):
        return math.nan


def as_double(value: Fraction) -> float:
    """The nearest double, infinite beyond the largest."""
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


# ------------------------------------------------------------------------------------------------------------ limits


def beyond(
    scaling: Scaling, limits: Limits | None, raw: Raw, element: ElementType, physical: Floats | None = None
) -> npt.NDArray[np.bool_] | None:
    """True per cell whose value is beyond the limits; None where none is (or there are no limits).

    ``physical`` spares reckoning the values where they are known.

    Limits of float types are met by the float nearest to the limit.
    """
    if limits is None or not raw.size:
        return None
    if isinstance(scaling.conversion, Linear) and element.kind != "f":
        low, high = raw_limits(scaling.conversion, limits)
        least, most = (int(raw.min()), int(raw.max())) if raw.size > 1 else (raw.item(),) * 2
        if least >= low and most <= high:
            return None
        outside = np.asarray((raw < low) | (raw > high))
    else:
        physical = to_physical(scaling, raw, element) if physical is None else physical
        lowest, highest = _held_limits(scaling, limits, element)
        outside = np.asarray((physical < lowest) | (physical > highest))
    return outside if outside.any() else None


def raw_limits(linear: Linear, limits: Limits) -> tuple[int, int]:
    """The lowest and the highest raw integer within the limits."""
    n, o, d = _whole(linear)
    low, high = (limits.low, limits.high) if n > 0 else (limits.high, limits.low)
    # raw * n + o reaches d * limit, in whole numbers: rounded up at the low end and down at the high one.
    return (
        -((o * low.denominator - low.numerator * d) // (n * low.denominator)),
        (high.numerator * d - o * high.denominator) // (n * high.denominator),
    )


@lru_cache(maxsize=4096)
def _held_limits(scaling: Scaling, limits: Limits, element: ElementType) -> tuple[float, float]:
    """The limits as doubles; for float types as wide as the nearest float of the type makes them."""
    low, high = as_double(limits.low), as_double(limits.high)
    if element.kind != "f":
        return low, high
    held = [_nearest(scaling, _try_raw(scaling, bound, element)) for bound in (limits.low, limits.high)]
    return float(np.fmin(low, held[0])), float(np.fmax(high, held[1]))  # the other one where there is none


def _try_raw(scaling: Scaling, physical: Fraction, element: ElementType) -> float:
    try:
        return exact.to_raw(scaling, physical, type=element)
    except CaldiffError:
        return math.nan


# -------------------------------------------------------------------------------------------------- physical to raw


def to_raw(
    scaling: Scaling,
    physical: npt.ArrayLike,
    element: ElementType,
    *,
    mask: int | None = None,
    named: Callable[[tuple[int, ...], EncodeError], EncodeError] = lambda _, error: error,
) -> Raw:
    """The raw values to store, in the machine's byte order and the shape of ``physical``.

    The rule is :func:`caldiff.definition.scaling.to_raw`'s: nearest in physical units, ties to the even raw value.
    ``physical`` may hold floats, integers, fractions or decimals; ``named`` turns a cell's error into one that says
    where the cell is.

    Raises:
        EncodeError: a value that the type, or the bits under the mask, cannot hold.
    """
    given = np.asarray(physical)
    if given.dtype.kind in "iu" and (not given.size or max(int(given.max()), -int(given.min())) <= _EXACT):
        given = given.astype(np.float64)
    raw = np.zeros(given.shape, dtype=f"{element.kind}{element.size}")
    left = np.ones(given.shape, dtype=np.bool_)
    if given.dtype.kind == "f" and isinstance(scaling.conversion, Linear):
        with np.errstate(all="ignore"):
            left = _fill_linear(raw, scaling.conversion, given.astype(np.float64), element, mask)
    meant = _meant(scaling)
    for place in np.argwhere(left).tolist():
        index = tuple(place)
        try:
            raw[index] = exact.to_raw(scaling, meant(given[index]), type=element, mask=mask)
        except EncodeError as error:
            raise named(index, error) from None
    return raw


def _meant(scaling: Scaling) -> Callable[[Any], Any]:
    """What a given number stands for, in Python's own types.

    A double that is nearest to a physical value of a look-up means that very value: otherwise the end of a look-up,
    where it is no double, could not be written back.
    """
    ends = {}
    if isinstance(scaling.conversion, Lookup):
        ends = {as_double(physical): physical for _, physical in scaling.conversion.points}

    def meant(value: Any) -> Any:
        value = value.item() if isinstance(value, np.generic) else value
        return ends.get(value, value) if isinstance(value, float) else value

    return meant


def _fill_linear(
    raw: Raw, linear: Linear, physical: Floats, element: ElementType, mask: int | None
) -> npt.NDArray[np.bool_]:
    """Fill in what doubles decide beyond doubt; True where the exact rules have to."""
    if element.kind == "f":
        if linear != Linear():
            return np.ones(raw.shape, dtype=np.bool_)
        raw[...] = physical
        return np.asarray(~np.isfinite(raw))
    numerator, offset, denominator = _whole(linear)
    if max(abs(numerator), abs(offset), denominator) > 1 << 500:
        return np.ones(raw.shape, dtype=np.bool_)
    scaled = physical * float(denominator)
    solution = (scaled - float(offset)) / float(numerator)
    nearest = np.rint(solution)
    # Six roundings of 2**-53 each at most, so the true solution is closer than this.
    error = (np.abs(scaled) + abs(float(offset))) / abs(float(numerator)) * 2.0**-50
    low, high = (float(bound) for bound in exact.raw_range(element, mask))
    sure = np.asarray(0.5 - np.abs(solution - nearest) > error)
    sure &= (np.abs(nearest) < _EXACT) & (nearest >= low) & (nearest <= high)
    np.copyto(raw, np.where(sure, nearest, 0.0), casting="unsafe")
    if gaps := gaps_of(mask):
        sure &= np.asarray(raw.view(f"u{element.size}") & gaps) == 0
    return np.asarray(~sure)
