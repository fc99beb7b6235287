"""Exact numbers as text: read from what callers have, shown to people."""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction

from caldiff.errors import EncodeError

__all__ = ["Physical", "exact", "shown_number", "shown_ratio"]

Physical = Fraction | int | float | str | Decimal
"""a physical value as callers have it; text is a decimal (``12.5``, ``1e-3``) or a fraction (``1/4``)"""

_DECIMAL = re.compile(r"[+-]?(\d{1,400}(\.\d{0,400})?|\.\d{1,400})([eE][+-]?\d{1,3})?", re.ASCII)
_QUOTIENT = re.compile(r"[+-]?\d{1,400}/0*[1-9]\d{0,400}", re.ASCII)
_LARGEST_EXPONENT = 400
_MOST_DECIMALS = 6
_PLAIN_BELOW = 10**21


def exact(value: Physical) -> Fraction:
    """The very number.

    Raises:
        EncodeError: text that is no number, or a number that is not finite or absurdly large or small.
    """
    if isinstance(value, str):
        text = value.strip()
        if not (_DECIMAL.fullmatch(text) or _QUOTIENT.fullmatch(text)):
            raise EncodeError("this is not a number", got=repr(value[:80]))
        return Fraction(text)
    if isinstance(value, float | Decimal) and not math.isfinite(value):
        raise EncodeError("this is not a finite number", got=str(value))
    if isinstance(value, Decimal) and value and abs(value.adjusted()) > _LARGEST_EXPONENT:
        raise EncodeError("this number is too large or too small to reckon with", got=str(value)[:80])
    return Fraction(value)


def shown_number(value: Fraction, decimals: int | None = None) -> str:
    """The number for people, rounded half to even from the exact value.

    With ``decimals`` so many digits after the point; without, as many as it needs, at most 6. From 1e21 on, and without
    ``decimals`` below 1e-6, six significant digits and a power of ten.
    """
    return shown_ratio(value.numerator, value.denominator, decimals)


def shown_ratio(numerator: int, denominator: int, decimals: int | None = None) -> str:
    """As :func:`shown_number`, of a quotient that need not be in lowest terms; the denominator is above 0."""
    # Integers throughout: tables of thousands of cells go through here, and fractions reduce at every step.
    over = abs(numerator)
    if over >= _PLAIN_BELOW * denominator or (decimals is None and 0 < over * 10**_MOST_DECIMALS < denominator):
        return _scientific(Fraction(numerator, denominator))
    digits = _MOST_DECIMALS if decimals is None else decimals
    scaled, rest = divmod(over * 10**digits, denominator)
    scaled += 2 * rest > denominator or (2 * rest == denominator and scaled & 1)
    sign = "-" if numerator < 0 and scaled else ""
    if not digits:
        return f"{sign}{scaled}"
    text = f"{scaled:0{digits + 1}}"
    text = f"{sign}{text[:-digits]}.{text[-digits:]}"
    return text.rstrip("0").rstrip(".") if decimals is None else text


def _scientific(value: Fraction) -> str:
    size = abs(value)
    power = len(str(size.numerator)) - len(str(size.denominator))
    if size < Fraction(10) ** power:
        power -= 1
    digits = round(size / Fraction(10) ** (power - 5))
    if digits == 10**6:
        digits, power = 10**5, power + 1
    text = f"{digits // 10**5}.{digits % 10**5:05}".rstrip("0").rstrip(".")
    return f"{'-' if value < 0 else ''}{text}e{power:+03}"
