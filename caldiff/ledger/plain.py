"""Bytes of canonical JSON (RFC 8785) -> plain values, strictly: one value has one form, any other is refused."""

from __future__ import annotations

import json
import re

from caldiff.canonical import canonical_json
from caldiff.errors import LedgerError

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, NoReturn

__all__ = ["DEEPEST", "LARGEST", "plain"]

LARGEST = 4 << 20
"""Bytes of the largest payload that is written or read. A revision that changes 20,000 tables takes about half."""
DEEPEST = 16
"""How deep lists and objects may nest; an entry needs seven."""

_WIDE = re.compile(rb"[:,\[]-?[0-9]{16}")
"""Where there may be an integer that RFC 8785 numbers cannot hold."""
_HIGH = re.compile(rb"[\xee-\xff]")
"""Where there is a character above the surrogates, which orders keys in another way than the encoder does."""


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
        value = _DECODER.decode(text)
        _check_depth(value)
        # The C encoder's output is the canonical form of plain values; the look at every node is for what is unusual.
        usual = not _HIGH.search(data) and not _WIDE.search(data)
        canonical = _ENCODER.encode(value).encode() if usual else canonical_json(value)
    except RecursionError:
        raise LedgerError(f"the {what} nests too deep", expected=f"at most {DEEPEST} levels") from None
    except ValueError as error:
        raise LedgerError(f"the {what} is no JSON of whole numbers and Unicode text", got=str(error)) from None
    if canonical != data:
        raise LedgerError(
            f"the {what} is not in canonical form",
            expected="the form of RFC 8785: sorted keys, each once, and no spaces",
            hint="It was changed, or written by something else; take it from another copy",
        )
    return value


def _check_depth(value: object) -> None:
    level = [value]
    for _ in range(DEEPEST + 1):
        level = [
            part
            for item in level
            if type(item) is dict or type(item) is list
            for part in (item.values() if type(item) is dict else item)
        ]
        if not level:
            return
    raise RecursionError


def _no_float(text: str) -> NoReturn:
    raise ValueError(f"{text[:20]} is no whole number")


_DECODER = json.JSONDecoder(parse_float=_no_float, parse_constant=_no_float)
_ENCODER = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
