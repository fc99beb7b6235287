"""Trouble codes: their bytes and their printed form, as SAE J2012 and ISO 15031-6 have them.

The two highest bits are the system (P, C, B, U), the next two the first digit, then three hexadecimal digits; a third
byte is the failure type, printed behind a dash: ``P0420``, ``P0420-11``.

No meaning is given for any code: the lists are in standards that are not free, and a meaning from memory may be wrong.
"""

from __future__ import annotations

import re

from caldiff.errors import EvidenceError

__all__ = ["CODE", "code_bytes", "printed_code"]

_SYSTEMS = "PCBU"
CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}(?:-[0-9A-F]{2})?", re.ASCII)
_SIZES = (2, 3)


def printed_code(data: bytes) -> str:
    """A code of two or three bytes as it is printed.

    Raises:
        EvidenceError: there are more or fewer bytes.
    """
    if len(data) not in _SIZES:
        raise EvidenceError("a trouble code has two or three bytes", got=f"{len(data)} bytes")
    first = data[0]
    text = f"{_SYSTEMS[first >> 6]}{first >> 4 & 3}{first & 15:X}{data[1]:02X}"
    return text if len(data) == _SIZES[0] else f"{text}-{data[2]:02X}"


def code_bytes(text: str) -> bytes:
    """The bytes of a printed code: the inverse of :func:`printed_code`.

    Raises:
        EvidenceError: it is no code.
    """
    if not CODE.fullmatch(text):
        raise EvidenceError(
            "this is no trouble code", expected="a code such as P0420, or P0420-11", got=repr(text)[:40]
        )
    first = _SYSTEMS.index(text[0]) << 6 | int(text[1]) << 4 | int(text[2], 16)
    return bytes([first, int(text[3:5], 16)]) + bytes.fromhex(text[6:])
