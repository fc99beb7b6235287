"""Bytes of canonical JSON (RFC 8785) -> plain values, strictly: one value has one form, any other is refused."""

from __future__ import annotations

import json
import re
from typing import Any, NoReturn

from caldiff.canonical import canonical_json
from caldiff.errors import LedgerError

__all__ = ["DEEPEST", "LARGEST", "plain"]

LARGEST = 4 << 20
"""Bytes of the largest payload that is written or read. A revision that changes 20,000 tables takes about half."""
DEEPEST = 16
"""How deep lists and objects may nest; an entry needs seven."""

_WIDEST = 2**53 - 1
"""The largest integer that RFC 8785 numbers can hold (RFC 7493, section 2.2)."""
_STRING = re.compile(r'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\\?\Z)', re.DOTALL)
_NO_BRACKET = re.compile(r"[^\[\]{}]+")
_PAIR = re.compile(r"\[\]|\{\}")


def plain(data: bytes, *, what: str, most: int = LARGEST) -> Any:
    """The value that canonical JSON without floats stands for; ``what`` names it in errors.

    Raises:
        LedgerError: more bytes than ``most``, no JSON, nested too deep, a float, an integer beyond 2**53 - 1, a key
            that stands twice, or any other form than the canonical one.
    """
    if len(data) > most:
        raise LedgerError(f"the {what} is too large", expected=f"at most {most} bytes", got=f"{len(data)} bytes")
    try:
        text = data.decode()
        if _too_deep(text):
            raise LedgerError(f"the {what} nests too deep, or its brackets do not pair", expected=f"at most {DEEPEST}")
        value = _DECODER.decode(text)
        canonical = _written(value, ascii_only=text.isascii())
    except ValueError as error:
        raise LedgerError(f"the {what} is no JSON of whole numbers and Unicode text", got=str(error)) from None
    if canonical != data:
        raise LedgerError(
            f"the {what} is not in canonical form",
            expected="the form of RFC 8785: sorted keys, each once, and no spaces",
            hint="It was changed, or written by something else; take it from another copy",
        )
    return value


def _too_deep(text: str) -> bool:
    """Take away the innermost pairs of brackets as often as may be, and see whether any are left."""
    brackets = _NO_BRACKET.sub("", _STRING.sub("", text))
    for _ in range(DEEPEST):
        if not brackets:
            return False
        brackets = _PAIR.sub("", brackets)
    return bool(brackets)


def _written(value: object, *, ascii_only: bool) -> bytes:
    """Canonical JSON; where all is ASCII, what the C encoder gives is that, without the look at every node."""
    return _ENCODER.encode(value).encode() if ascii_only else canonical_json(value)


def _integer(text: str) -> int:
    value = int(text) if len(text) <= len(str(-_WIDEST)) else _WIDEST + 1
    if not -_WIDEST <= value <= _WIDEST:
        raise ValueError(f"{text[:20]} is beyond 2**53 - 1")
    return value


def _no_float(text: str) -> NoReturn:
    raise ValueError(f"{text[:20]} is no whole number")


_DECODER = json.JSONDecoder(parse_float=_no_float, parse_constant=_no_float, parse_int=_integer)
_ENCODER = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
