"""TI-TXT: sections of bytes in hexadecimal, each after ``@`` and its address; ``q`` ends the file."""

from __future__ import annotations

import re

from caldiff.errors import ImageError
from caldiff.image.limits import Limits
from caldiff.image.model import RecordShape
from caldiff.image.parsed import Parsed
from caldiff.image.text import Memory, Notes, Text, bad_character, shown

__all__ = ["read_titxt"]

_ADDRESS = re.compile(r"@([0-9A-Fa-f]+)[ \t]*")
_BYTES = re.compile(r"[0-9A-Fa-f]{2}(?: [0-9A-Fa-f]{2})*[ \t]*")
_LONGEST = 256
_TOP = 1 << 32


def read_titxt(data: bytes, *, name: str, limits: Limits) -> Parsed:
    """Read TI-TXT.

    Raises:
        ImageError: a broken line, with its number; LimitError where the image is too large.
    """
    reader = _Reader(name, limits)
    text = Text.of(data)
    last = 0
    for last, line in text.lines(reader.notes):
        reader.take(line, last)
    if not reader.ended:
        raise ImageError(
            "the end mark is missing: the file may be cut off",
            file=name,
            line=last or 1,
            expected='"q" as the last line',
        )
    if not reader.length:
        raise ImageError("the file holds addresses, but no data", file=name)
    spelling = text.spelling()
    text.remark(reader.notes, spelling)
    shape = RecordShape(
        length=reader.length, address_bits=reader.bits, newline=text.newline, upper=spelling.capital, eof=text.eof
    )
    return Parsed(segments=reader.memory.segments(), shape=shape, notes=reader.notes.done())


class _Reader:
    """Where the next byte goes."""

    def __init__(self, name: str, limits: Limits) -> None:
        self.name = name
        self.notes = Notes()
        self.memory = Memory(name=name, limits=limits, notes=self.notes)
        self.length = 0
        self.ended = False
        self.bits: int | None = None
        self._next: int | None = None

    def take(self, line: str, number: int) -> None:
        """Take one line."""
        if self.ended:
            raise ImageError("data after the end mark", file=self.name, line=number, got=shown(line))
        if line.strip() in ("q", "Q"):
            self.ended = True
        elif line.startswith("@"):
            self._next = self._address(line, number)
        else:
            self._put(self._bytes(line, number), number)

    def _address(self, line: str, number: int) -> int:
        found = _ADDRESS.fullmatch(line)
        if found is None:
            raise bad_character(line.rstrip(), 1, name=self.name, line_number=number) or ImageError(
                "an address mark without an address", file=self.name, line=number
            )
        digits = found[1].lstrip("0")
        if found[1].startswith("00") and len(found[1]) == 6:  # noqa: PLR2004 - the digits of 24 bits
            self.bits = 24
        if len(digits) > 8:  # noqa: PLR2004 - 32 bits
            raise ImageError(
                "the address is beyond 32 bits",
                file=self.name,
                line=number,
                expected="8 digits at most",
                got=shown(line),
            )
        return int(digits or "0", 16)

    def _bytes(self, line: str, number: int) -> bytes:
        if self._next is None:
            raise ImageError(
                "bytes before the first address", file=self.name, line=number, expected='"@" first', got=shown(line)
            )
        if len(line) > 3 * _LONGEST:
            raise ImageError("the line is too long", file=self.name, line=number, expected=f"{_LONGEST} bytes at most")
        if _BYTES.fullmatch(line) is None:
            raise bad_character(line.replace(" ", "0"), 0, name=self.name, line_number=number) or ImageError(
                "bytes are two digits each, with one space between",
                file=self.name,
                line=number,
                got=shown(line),
            )
        return bytes.fromhex(line)

    def _put(self, data: bytes, number: int) -> None:
        start = self._next or 0
        if start + len(data) > _TOP:
            raise ImageError(
                "the line runs over the end of the 32-bit address range", file=self.name, line=number, address=start
            )
        self.memory.put(start, data, number)
        self._next = start + len(data)
        self.length = max(self.length, len(data))
