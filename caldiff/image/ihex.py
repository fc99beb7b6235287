"""Intel HEX read line by line: every record checked, every error with its line. For what is not uniform."""

from __future__ import annotations

import re
from array import array

import bincopy

from caldiff.errors import ImageError
from caldiff.image.limits import Limits
from caldiff.image.parsed import Parsed
from caldiff.image.records import DataRecords, HexFacts, hex_shape
from caldiff.image.text import Memory, Notes, Text, broken_record, cut_short, shown

__all__ = ["read_ihex"]

_RECORD = re.compile(r":(?:[0-9A-Fa-f]{2}){5,}")
_DATA, _END, _SEGMENT, _CS_IP, _LINEAR, _EIP = range(6)
_SIZES = {_END: 0, _SEGMENT: 2, _CS_IP: 4, _LINEAR: 2, _EIP: 4}
_BANK = 0x10000
_TOP = 1 << 32


def read_ihex(data: bytes, *, name: str, limits: Limits) -> Parsed:
    """Read Intel HEX (8-, 16- and 32-bit forms) exactly.

    Raises:
        ImageError: a broken record, with its line; LimitError where the image is too large.
    """
    reader = _Reader(name, limits)
    text = Text.of(data)
    last = 0
    for last, line in text.lines(reader.notes):
        reader.take(line, last)
    if not reader.ended:
        raise ImageError(
            "the end record is missing: the file may be cut off",
            file=name,
            line=last or 1,
            expected=":00000001FF as the last record",
        )
    if not reader.counts:
        raise ImageError("the file holds records, but no data", file=name)
    records = DataRecords(starts=reader.starts, counts=reader.counts, spelling=text.spelling())
    shape = hex_shape(reader.facts, records, text, reader.notes)
    return Parsed(segments=reader.memory.segments(), shape=shape, notes=reader.notes.done())


class _Reader:
    """State between records: the base address and what has been met."""

    def __init__(self, name: str, limits: Limits) -> None:
        self.name = name
        self.notes = Notes()
        self.memory = Memory(name=name, limits=limits, notes=self.notes)
        self.facts = HexFacts()
        self.starts = array("q")
        self.counts = array("q")
        self.ended = False
        self._base = 0
        self._linear = False

    def take(self, line: str, number: int) -> None:
        """Take one record."""
        if self.ended:
            raise ImageError("data after the end record", file=self.name, line=number, got=shown(line))
        kind, offset, data = self._unpacked(line, number)
        if kind == _DATA:
            self._put(offset, data, number)
            return
        self._measure(kind, len(data), number)
        if kind == _END and offset and self.facts.entry is None:
            self.facts.entry, self.facts.entry_at_end = offset, True
            self.notes.add("the start address stands in the end record", number)
        elif offset:
            self.notes.add(f"a record of type {kind:02X} carries an address that means nothing", number)
        value = int.from_bytes(data, "big")
        match kind:
            case 1:  # _END
                self.ended = True
            case 2 | 4:
                self._rebase(kind, value)
            case 3:
                self.facts.segmented_entry = self._once(self.facts.segmented_entry, value, number)
            case _:
                self.facts.entry = self._once(self.facts.entry, value, number)

    def _unpacked(self, line: str, number: int) -> tuple[int, int, bytes]:
        if _RECORD.fullmatch(line) is None:
            raise self._malformed(line, number)
        try:
            kind, offset, _, data = bincopy.unpack_ihex(line)
        except bincopy.Error as error:
            raise self._broken(line, number) from error
        return kind, offset, bytes(data)

    def _malformed(self, line: str, number: int) -> ImageError:
        if not line.startswith(":"):
            return ImageError(
                "this line is no Intel HEX record", file=self.name, line=number, expected='":" first', got=shown(line)
            )
        return cut_short(line, 1, least=10, name=self.name, line_number=number)

    def _broken(self, line: str, number: int) -> ImageError:
        record = bytes.fromhex(line[1:])
        return broken_record(
            record,
            beside=5,
            counted="data bytes",
            checksum=-sum(record[:-1]),
            name=self.name,
            line_number=number,
        )

    def _measure(self, kind: int, size: int, number: int) -> None:
        if kind not in _SIZES:
            raise ImageError(
                "the record type is unknown", file=self.name, line=number, expected="00 to 05", got=f"{kind:02X}"
            )
        if size != _SIZES[kind]:
            raise ImageError(
                f"a record of type {kind:02X} has a wrong length",
                file=self.name,
                line=number,
                expected=f"{_SIZES[kind]} data bytes",
                got=str(size),
            )

    def _rebase(self, kind: int, value: int) -> None:
        first = not (self.counts or self.facts.segment_bases or self.facts.linear_bases)
        self._linear = kind == _LINEAR
        self._base = value << 16 if self._linear else value << 4
        self.facts.base(self._base, linear=self._linear, first=first)

    def _once(self, before: int | None, value: int, number: int) -> int:
        if before is not None and before != value:
            raise ImageError(
                "a second start address differs from the first",
                file=self.name,
                line=number,
                expected=f"{before:08X} as before",
                got=f"{value:08X}",
            )
        if before is not None:
            self.notes.add("the start address is given again", number)
        return value

    def _put(self, offset: int, data: bytes, number: int) -> None:
        if not data:
            self.notes.add("a data record without data", number)
            return
        start = self._base + offset
        if not self._linear and offset + len(data) > _BANK:
            raise ImageError(
                "the record runs over the end of its 64 KiB segment and would wrap around",
                file=self.name,
                line=number,
                address=start,
                expected=f"at most {_BANK - offset} data bytes here",
                got=str(len(data)),
            )
        if start + len(data) > _TOP:
            raise ImageError(
                "the record runs over the end of the 32-bit address range and would wrap around",
                file=self.name,
                line=number,
                address=start,
            )
        self.starts.append(start)
        self.counts.append(len(data))
        self.memory.put(start, data, number)
