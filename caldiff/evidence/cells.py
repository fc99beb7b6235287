"""Cells of a text -> numbers: exactly and one by one, or whole columns at once with the same result.

The column way takes plain decimals of at most 15 digits: these are an integer below 2**53, and dividing that by a
power of ten below 10**23 rounds once, so the result is the double nearest to what is written, as ``float()`` has it
(Clinger, How to read floating point numbers accurately, 1990). Whatever is not so plain is left to the exact way.
"""

from __future__ import annotations

import math
import re
from datetime import date

import numpy as np
from numpy.typing import NDArray

from caldiff.evidence.log import Floats

__all__ = ["DAY", "Bytes", "Moments", "clock", "clocks", "number", "numbers"]

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Moments = tuple[Ints, Floats]
"""days (0 where no date stands) and seconds of the day"""

DAY = 86_400
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?")
_BLANK = re.compile(rb"\s*(?:nan)?\s*", re.IGNORECASE)
_CLOCK = re.compile(
    rb"(?:([0-9]{4})-([0-9]{2})-([0-9]{2})[T ])?([0-9]{1,2}):([0-5][0-9]):([0-5][0-9](?:[.,][0-9]{0,9})?)"
    rb"(?:Z|([+-])([0-9]{2}):?([0-9]{2}))?"
)
_LONGEST = 17
"""characters of a plain cell: a sign, fifteen digits and their decimal sign"""
_DIGITS = 15
_SPACES = 16
_CLOCK_LENGTH = len("00:00:00")
_LONGEST_CELL = 1000
_POWERS = 10 ** np.arange(18, dtype=np.int64)
_SIGN, _MINUS, _ZERO = np.frombuffer(b"+-0", np.uint8)


# ------------------------------------------------------------------------------------------------------------- exactly


def number(cell: bytes, decimal: bytes) -> float | None:
    """The number in a cell; NaN where it is blank or says ``nan``; None where it is no finite number."""
    if len(cell) > _LONGEST_CELL:
        return None
    if _BLANK.fullmatch(cell):
        return math.nan
    stripped = cell.strip(b" \t")
    if decimal != b".":
        if b"." in stripped:
            return None
        stripped = stripped.replace(decimal, b".")
    if not _NUMBER.fullmatch(stripped):
        return None
    found = float(stripped)
    return found if math.isfinite(found) else None


def clock(cell: bytes) -> tuple[int, float] | None:
    """The day, and the second of the day, that a clock time stands for; None where it is none.

    ``23:51:00,050`` or ``2026-03-12T06:41:00.050Z``; an offset from UTC is taken off.
    """
    found = _CLOCK.fullmatch(cell.strip(b" \t")) if len(cell) <= _LONGEST_CELL else None
    if not found:
        return None
    year, month, day, hours, minutes, seconds, sign, off_hours, off_minutes = found.groups()
    try:
        days = date(int(year), int(month), int(day)).toordinal() if year else 0
    except ValueError:
        return None
    if int(hours) >= 24:  # noqa: PLR2004 - hours of a day
        return None
    whole = int(hours) * 3600 + int(minutes) * 60
    if sign:
        whole += (-1 if sign == b"+" else 1) * (int(off_hours) * 3600 + int(off_minutes) * 60)
    return days, whole + float(seconds.replace(b",", b"."))


# ------------------------------------------------------------------------------------------------------ whole columns


def numbers(text: Bytes, start: Ints, end: Ints, decimal: bytes) -> tuple[Floats, Bools]:
    """The numbers in the cells ``text[start:end]``, NaN where blank, and which cells are left to :func:`number`."""
    start, end = _stripped(text, start, end)
    length = end - start
    odd: Bools = length > _LONGEST
    longest = int(min(length.max(initial=0), _LONGEST))
    total = np.zeros(len(start), np.int64)
    digits = np.zeros(len(start), np.int8)
    point = np.full(len(start), -1, np.int8)
    negative = np.zeros(len(start), np.bool_)
    mark = decimal[0]
    for back in range(longest):
        inside = length > back
        letter = text[np.where(inside, end - 1 - back, 0)]
        figure = letter - _ZERO
        is_figure = (figure < 10) & inside  # noqa: PLR2004 - what is below zero has wrapped
        total += np.where(is_figure, figure, 0) * _POWERS[back]
        digits += is_figure
        rest = inside & ~is_figure
        if rest.any():
            is_point = rest & (letter == mark) & (point < 0)
            point[is_point] = back
            is_sign = rest & (length == back + 1) & ((letter == _MINUS) | (letter == _SIGN))
            negative |= is_sign & (letter == _MINUS)
            odd |= rest & ~is_point & ~is_sign
    odd |= (digits > _DIGITS) | ((digits == 0) & (length > 0))
    values = _placed(total, point)
    np.negative(values, out=values, where=negative)
    values[length == 0] = np.nan
    return values, odd


def _placed(total: Ints, point: NDArray[np.int8]) -> Floats:
    """The value of digits that were added up as if the decimal sign were one of them, a zero."""
    first = int(point[0]) if len(point) else -1
    if (point == first).all():
        if first < 0:
            return total.astype(np.float64)
        above, below = np.divmod(total, _POWERS[first + 1])
        return np.asarray((above * _POWERS[first] + below) / float(_POWERS[first]), np.float64)
    places = np.maximum(point, 0)
    above, below = np.divmod(total, np.where(point < 0, 1, _POWERS[places + 1]))
    return np.asarray((above * _POWERS[places] + below) / _POWERS[places].astype(np.float64), np.float64)


def _stripped(text: Bytes, start: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Without spaces around, of which there may be a few."""
    for _ in range(_SPACES):
        blank = (text[start] == ord(" ")) & (start < end)
        if not blank.any():
            break
        start = start + blank
    for _ in range(_SPACES):
        blank = (text[end - 1] == ord(" ")) & (start < end)
        if not blank.any():
            break
        end = end - blank
    return start, end


def clocks(text: Bytes, start: Ints, end: Ints) -> tuple[Moments, Bools]:
    """The clock times ``hh:mm:ss``, with a fraction or not, and which cells are left to :func:`clock`."""
    text = np.concatenate([text, np.zeros(_CLOCK_LENGTH + 1, np.uint8)])  # so that one may look behind a short cell
    start, end = _stripped(text, start, end)
    odd: Bools = (end - start < _CLOCK_LENGTH) | (end - start > _CLOCK_LENGTH + len(".123456789"))
    end = np.maximum(end, start + _CLOCK_LENGTH)
    odd |= (text[start + 2] != ord(":")) | (text[start + 5] != ord(":"))
    hours, minutes = (_two(text, start + at, odd) for at in (0, 3))
    mark = b"," if (text[start + _CLOCK_LENGTH] == ord(",")).any() else b"."
    two = _two(text, start + 6, odd)
    seconds, strange = numbers(text, start + 6, end, mark)
    # Two figures begin the seconds; so there is no sign, and no third one before the decimal sign.
    odd |= strange | (seconds < two) | (seconds >= two + 1) | (hours > 23) | (minutes > 59) | (two > 59)  # noqa: PLR2004
    odd |= np.isnan(seconds)
    return (np.zeros(len(start), np.int64), hours * 3600 + minutes * 60 + seconds), odd


def _two(text: Bytes, at: Ints, odd: Bools) -> Ints:
    """The two figures there; where there are none, ``odd`` is set."""
    tens, ones = text[at] - _ZERO, text[at + 1] - _ZERO
    odd |= (tens > 9) | (ones > 9)  # noqa: PLR2004 - what is below zero has wrapped
    found: Ints = tens.astype(np.int64) * 10 + ones
    return found
