"""Motorola S-record read line by line: every record checked, every error with its line. For what is not uniform."""

from __future__ import annotations

import re
from array import array

import bincopy

from caldiff.errors import ImageError
from caldiff.image.limits import Limits
from caldiff.image.parsed import Parsed
from caldiff.image.records import DataRecords, SrecFacts, srec_shape
from caldiff.image.text import Memory, Notes, Text, broken_record, cut_short, shown

__all__ = ["read_srec"]

_RECORD = re.compile(r"S[0-9](?:[0-9A-Fa-f]{2}){2,}")
_WIDTHS = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}
"""Address bytes by type."""


def read_srec(data: bytes, *, name: str, limits: Limits) -> Parsed:
    """Read Motorola S-record (S1, S2 and S3 forms) exactly.

    Raises:
        ImageError: a broken record, with its line; LimitError where the image is too large.
    """
    reader = _Reader(name, limits)
    text = Text.of(data)
    last = 0
    for last, line in text.lines(reader.notes):
        reader.take(line, last)
    reader.judge_beyond()
    if not (reader.facts.end_bits or reader.counted == reader.records > 0):
        raise ImageError(
            "the end record is missing: the file may be cut off",
            file=name,
            line=last or 1,
            expected="a record S7, S8 or S9 as the last one",
        )
    if not reader.counts:
        raise ImageError("the file holds records, but no data", file=name)
    records = DataRecords(starts=reader.starts, counts=reader.counts, spelling=text.spelling())
    shape = srec_shape(reader.facts, records, text, reader.notes)
    return Parsed(segments=reader.memory.segments(), shape=shape, notes=reader.notes.done())


class _Reader:
    """What has been met so far."""

    def __init__(self, name: str, limits: Limits) -> None:
        self.name = name
        self.notes = Notes()
        self.memory = Memory(name=name, limits=limits, notes=self.notes)
        self.facts = SrecFacts()
        self.starts = array("q")
        self.counts = array("q")
        self.records = 0
        self.counted = -1
        """data records at the last count record"""
        self._beyond: tuple[int, int, int] | None = None

    def take(self, line: str, number: int) -> None:
        """Take one record."""
        if self.facts.end_bits:
            raise ImageError("data after the end record", file=self.name, line=number, got=shown(line))
        if line.startswith("s"):
            self.notes.add('records begin with a small "s"')
            line = "S" + line[1:]
        kind, address, data = self._unpacked(line, number)
        match kind:
            case "0":
                self._head(address, data, number)
            case "1" | "2" | "3":
                self._put(kind, address, data, number)
            case "5" | "6":
                self._check(kind, address, data, number)
            case _:
                self._end(kind, address, data, number)

    def _unpacked(self, line: str, number: int) -> tuple[str, int, bytes]:
        if _RECORD.fullmatch(line) is None:
            raise self._malformed(line, number)
        if line[1] not in _WIDTHS:
            raise ImageError("the record type S4 is reserved", file=self.name, line=number)
        try:
            kind, address, _, data = bincopy.unpack_srec(line)
        except bincopy.Error as error:
            raise self._broken(line, number) from error
        if len(line) // 2 - 3 < _WIDTHS[line[1]]:
            raise self._short(line, number)
        return kind, address, bytes(data)

    def _malformed(self, line: str, number: int) -> ImageError:
        if not re.match("S[0-9]", line):
            return ImageError(
                "this line is no S-record",
                file=self.name,
                line=number,
                expected='"S" and a digit first',
                got=shown(line),
            )
        return cut_short(line, 2, least=4, name=self.name, line_number=number)

    def _broken(self, line: str, number: int) -> ImageError:
        record = bytes.fromhex(line[2:])
        return broken_record(
            record,
            beside=1,
            counted="bytes after the length",
            checksum=~sum(record[:-1]),
            name=self.name,
            line_number=number,
        )

    def _short(self, line: str, number: int) -> ImageError:
        width = _WIDTHS[line[1]]
        return ImageError(
            f"a record of type {line[:2]} has a wrong length",
            file=self.name,
            line=number,
            expected=f"{width} address bytes and a checksum at least",
            got=f"{len(line) // 2 - 2} bytes",
        )

    def _bare(self, kind: str, data: bytes, number: int) -> None:
        if data:
            raise ImageError(
                f"a record of type S{kind} has a wrong length",
                file=self.name,
                line=number,
                expected="no data",
                got=f"{len(data)} data bytes",
            )

    def _head(self, address: int, data: bytes, number: int) -> None:
        if self.facts.header is not None:
            self.notes.add("another header record (S0)", number)
            return
        if self.records:
            self.notes.add("the header record (S0) is not the first", number)
        if address:
            self.notes.add("the header record (S0) carries an address that means nothing", number)
        self.facts.header = data

    def _put(self, kind: str, address: int, data: bytes, number: int) -> None:
        self.records += 1
        if not data:
            self.notes.add("a data record without data", number)
            return
        bits = 8 * _WIDTHS[kind]
        if address + len(data) > 1 << bits:
            if bits == 32:  # noqa: PLR2004 - no wider form can follow
                raise self._wrapping(bits, number, address)
            self._beyond = self._beyond or (bits, number, address)
        self.facts.forms.add(bits)
        self.starts.append(address)
        self.counts.append(len(data))
        self.memory.put(address, data, number)

    def judge_beyond(self) -> None:
        """A record over the end of its address range goes on where wider records do; else it would wrap."""
        if self._beyond is None:
            return
        bits, number, address = self._beyond
        if max(self.facts.forms, default=0) <= bits:
            raise self._wrapping(bits, number, address)
        self.facts.crossing = True
        self.notes.add(f"a record runs on over the end of its {bits}-bit address range", number)

    def _wrapping(self, bits: int, number: int, address: int) -> ImageError:
        return ImageError(
            f"the record runs over the end of the {bits}-bit address range and would wrap around",
            file=self.name,
            line=number,
            address=address,
        )

    def _check(self, kind: str, count: int, data: bytes, number: int) -> None:
        self._bare(kind, data, number)
        if count != self.records:
            raise ImageError(
                f"the count record (S{kind}) does not match the data records",
                file=self.name,
                line=number,
                expected=f"{self.records} data records",
                got=str(count),
            )
        if self.facts.count:
            self.notes.add("another count record", number)
        self.facts.count = True
        self.counted = self.records

    def _end(self, kind: str, address: int, data: bytes, number: int) -> None:
        self._bare(kind, data, number)
        self.facts.end_bits = 8 * _WIDTHS[kind]
        self.facts.entry = address or None
