"""Raw <-> physical, exact: integers and fractions, no floats in between, no numpy.

The rules:

- **Rounding.** A physical value is stored as the raw value that lies nearest *in physical units* of the two beside the
  exact solution; of two that are equally near, the even one. A float type takes the nearest number that it can hold,
  ties to the even significand (IEEE 754). Where several raw values mean the same, an even one is taken, then the lower.
- **Range.** What the type (or the mask) cannot hold is an :class:`EncodeError`, never wrapped, never clamped; and so is
  a value beyond the ends of a look-up.
- **Two roots.** A rational function that gives the raw value is solved for the physical one and may have two solutions.
  One at which the quotient has no value is none. The one inside the scaling's limits counts; if both or neither are
  inside, the one that is not negative; if that does not decide, the scaling says too little and the value is an error
  that asks for limits. A physical value on the branch that does not count cannot be stored.
- **Irrational roots** are cut after 128 bits, far below what any type resolves.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from fractions import Fraction
from itertools import pairwise

from caldiff.definition.model import Bits, ElementType, Linear, Lookup, Names, Rational, Scaling
from caldiff.definition.number import Physical, exact, shown_number
from caldiff.definition.words import word_raw, words
from caldiff.errors import EncodeError, TableError

__all__ = ["raw_range", "shown", "to_physical", "to_raw"]

_ROOT_BITS = 128
_FLOATS = {"f16": (11, -14, 15), "f32": (24, -126, 127), "f64": (53, -1022, 1023)}
"""bits of the significand, least and greatest exponent (IEEE 754-2019, table 3.5)"""


# ------------------------------------------------------------------------------------------------- raw -> physical


def to_physical(scaling: Scaling, raw: float | Fraction) -> Fraction:
    """The physical value of a raw one. Names and bits are numbers here.

    Raises:
        TableError: the scaling gives no value, or no single one, for this raw value; or it is not finite.
    """
    if isinstance(raw, float) and not math.isfinite(raw):
        raise TableError("the stored value is no number", got=str(raw))
    number = Fraction(raw)
    match scaling.conversion:
        case Linear(factor=factor, offset=offset):
            # One reduction where the plain formula takes several: this is asked for every cell that is shown.
            a, b = number.numerator * factor.numerator, number.denominator * factor.denominator
            return Fraction(a * offset.denominator + offset.numerator * b, b * offset.denominator)
        case Rational(gives="physical") as rational:
            value = _quotient(rational, number)
            if value is None:
                raise TableError("the scaling divides by zero at this raw value", got=str(raw))
            return value
        case Rational() as rational:
            return _one_root(scaling, _solutions(rational, number), number)
        case Lookup() as lookup:
            return _looked_up(lookup, number)
        case Names() | Bits():
            return number


def shown(scaling: Scaling, raw: float) -> str:
    """A raw value as people read it, without its unit: a rounded number, a name, or the flags that are set."""
    if isinstance(raw, float) and not math.isfinite(raw):
        return str(raw)
    if isinstance(scaling.conversion, Names | Bits):
        return words(scaling.conversion, int(raw)) if raw == int(raw) else shown_number(Fraction(raw))
    try:
        value = to_physical(scaling, raw)
    except TableError:
        return f"raw {shown_number(Fraction(raw))}"
    return shown_number(value, scaling.decimals)


def _value(coefficients: tuple[Fraction, Fraction, Fraction], at: Fraction) -> Fraction:
    a, b, c = coefficients
    return (a * at + b) * at + c


def _quotient(rational: Rational, at: Fraction) -> Fraction | None:
    below = _value(rational.denominator, at)
    return None if below == 0 else _value(rational.numerator, at) / below


def _solutions(rational: Rational, result: Fraction) -> list[Fraction]:
    """Where the quotient has the given value, rising: no place, one or two."""
    a, b, c = (n - result * d for n, d in zip(rational.numerator, rational.denominator, strict=True))
    return [root for root in _roots(a, b, c) if _value(rational.denominator, root) != 0]


def _roots(a: Fraction, b: Fraction, c: Fraction) -> list[Fraction]:
    """The real roots of ``a x² + b x + c``, rising; none where every number is one."""
    if a == 0:
        return [] if b == 0 else [-c / b]
    discriminant = b * b - 4 * a * c
    if discriminant < 0:
        return []
    if discriminant == 0:
        return [-b / (2 * a)]
    # The sum that cannot cancel first, the other root from their product.
    half = -(b + (_root(discriminant) if b >= 0 else -_root(discriminant))) / 2
    return sorted((half / a, c / half))


def _root(value: Fraction) -> Fraction:
    """The square root, exact where it is rational."""
    product = value.numerator * value.denominator
    root = math.isqrt(product)
    if root * root == product:
        return Fraction(root, value.denominator)
    shift = max(_ROOT_BITS - product.bit_length() // 2, 0)
    return Fraction(math.isqrt(product << 2 * shift), value.denominator << shift)


def _one_root(scaling: Scaling, roots: list[Fraction], raw: Fraction) -> Fraction:
    limits = scaling.limits
    left = [root for root in roots if limits is None or limits.low <= root <= limits.high] or roots
    if len(left) > 1:
        left = [root for root in left if root >= 0] or left
    if len(left) == 1:
        return left[0]
    if not left:
        raise TableError("no physical value has this raw value", got=shown_number(raw))
    raise TableError(
        "two physical values have this raw value",
        got=" and ".join(shown_number(root) for root in left),
        hint="give the scaling limits that hold only one of them",
    )


def _looked_up(lookup: Lookup, raw: Fraction) -> Fraction:
    points = lookup.points
    place = bisect_right([x for x, _ in points], raw)
    if place == 0:
        return points[0][1]
    if place == len(points) or lookup.between == "hold":
        return points[place - 1][1]
    (x0, y0), (x1, y1) = points[place - 1], points[place]
    return y0 + (raw - x0) * (y1 - y0) / (x1 - x0)


# ------------------------------------------------------------------------------------------------- physical -> raw


def raw_range(type: ElementType, mask: int | None = None) -> tuple[int, int]:  # noqa: A002 - the format's own word
    """The lowest and highest raw integer that an integer type, or the part of it under a mask, can hold."""
    if mask is None:
        return type.lowest, type.highest
    width = mask.bit_length() - _shift(mask)
    return (-(1 << (width - 1)), (1 << (width - 1)) - 1) if type.kind == "i" else (0, (1 << width) - 1)


def _shift(mask: int) -> int:
    """The place of the lowest bit."""
    return (mask & -mask).bit_length() - 1


def to_raw(
    scaling: Scaling,
    physical: Physical,
    *,
    type: ElementType,  # noqa: A002 - the format's own word
    mask: int | None = None,
) -> int | float:
    """The raw value to store: an integer, or for a float type a float that it holds exactly.

    ``physical`` may be a name, or flags in the way they are shown, where the scaling has names or bits.

    Raises:
        EncodeError: the value cannot be stored.
    """
    if isinstance(scaling.conversion, Names | Bits):
        wanted = Fraction(word_raw(scaling.conversion, physical))
    else:
        wanted = exact(physical)
    nearest = _nearest_float if type.kind == "f" else _nearest_integer
    raws = [nearest(scaling, wanted, solution, type) for solution in _raw_solutions(scaling, wanted)]
    found = [raw for raw in raws if raw is not None]
    if not found:
        raise EncodeError("no raw value has this physical value", got=shown_number(wanted))
    if type.kind == "f":
        return float(min(found, key=lambda raw: (_miss(scaling, wanted, raw) or 0, raw)))
    low, high = raw_range(type, mask)
    gaps = 0 if mask is None else ~(mask >> _shift(mask)) & ((1 << mask.bit_length() - _shift(mask)) - 1)
    inside = [int(raw) for raw in found if low <= raw <= high and not int(raw) & gaps]
    if not inside and isinstance(scaling.conversion, Lookup):
        # A step, or an end, that begins outside the type may reach into it.
        meant = {to_physical(scaling, raw) for raw in found}
        inside = [end for end in (low, high) if to_physical(scaling, end) in meant]
    if not inside:
        part = "" if mask is None else f" under the mask 0x{mask:X}"
        raise EncodeError(
            "the value does not fit the stored type",
            expected=f"raw {low} to {high} ({type.name}{part})",
            got=f"raw {shown_number(found[0])} for {shown_number(wanted)}",
        )
    return min(inside, key=lambda raw: (_miss(scaling, wanted, raw) or 0, raw % 2, raw))


def _miss(scaling: Scaling, wanted: Fraction, raw: float | Fraction) -> Fraction | None:
    """How far the raw value is from what is wanted, in physical units; None where the scaling has no value for it."""
    try:
        return abs(to_physical(scaling, raw) - wanted)
    except TableError:
        return None


def _raw_solutions(scaling: Scaling, wanted: Fraction) -> list[Fraction]:
    """The exact raw values, fractions mostly, that mean the physical one; for a look-up without lines the nearest."""
    match scaling.conversion:
        case Linear(factor=factor, offset=offset):
            return [(wanted - offset) / factor]
        case Rational(gives="physical") as rational:
            return _solutions(rational, wanted)
        case Rational() as rational:
            raw = _quotient(rational, wanted)
            return [] if raw is None or not _counts(scaling, wanted, raw) else [raw]
        case Lookup() as lookup:
            return _looked_up_raws(lookup, wanted)
        case Names() | Bits():
            return [wanted]


def _counts(scaling: Scaling, wanted: Fraction, raw: Fraction) -> bool:
    """Whether the raw value would be read back as what was wanted, rather than as its other root."""
    try:
        return to_physical(scaling, raw) == wanted
    except TableError:
        return False


def _looked_up_raws(lookup: Lookup, wanted: Fraction) -> list[Fraction]:
    physical = [y for _, y in lookup.points]
    if not min(physical) <= wanted <= max(physical):
        raise EncodeError(
            "the value is beyond the look-up",
            expected=f"{shown_number(min(physical))} to {shown_number(max(physical))}",
            got=shown_number(wanted),
        )
    if lookup.between == "hold":
        least = min(abs(y - wanted) for y in physical)
        return [Fraction(x) for x, y in lookup.points if abs(y - wanted) == least]
    raws = [Fraction(x) for x, y in lookup.points if y == wanted]
    for (x0, y0), (x1, y1) in pairwise(lookup.points):
        if min(y0, y1) < wanted < max(y0, y1):
            raws.append(x0 + (wanted - y0) * (x1 - x0) / (y1 - y0))
    return raws


def _nearest_integer(scaling: Scaling, wanted: Fraction, solution: Fraction, _: ElementType) -> Fraction | None:
    """Of the integers beside the solution the one that is nearest in physical units, ties to the even one."""
    sides = sorted({math.floor(solution), math.ceil(solution)})
    misses = [(miss, raw % 2, raw) for raw in sides if (miss := _miss(scaling, wanted, raw)) is not None]
    return Fraction(min(misses)[2]) if misses else None


def _nearest_float(scaling: Scaling, wanted: Fraction, solution: Fraction, type_: ElementType) -> Fraction | None:
    """The nearest number of the float type, ties to the even significand; None where it cannot be read back.

    Raises:
        EncodeError: it is beyond the largest number of the type.
    """
    bits, least, most = _FLOATS[type_.name]
    size = abs(solution)
    power = size.numerator.bit_length() - size.denominator.bit_length() if size else least
    if size < Fraction(2) ** power:
        power -= 1
    step = Fraction(2) ** (max(power, least) - bits + 1)
    rounded = round(solution / step) * step
    if abs(rounded) >= Fraction(2) ** (most + 1):
        raise EncodeError("the value does not fit the stored type", expected=type_.name, got=shown_number(wanted))
    return rounded if _miss(scaling, wanted, rounded) is not None else None
