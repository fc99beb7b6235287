"""Intel HEX and S-record read many records at a time, for files in which nothing is unusual.

Every digit, length and record checksum is verified here as in the line-by-line readers, but in whole matrices. What is
in any way irregular is answered with None, and the line-by-line reader says what it is. Text is worked through in
blocks that fit the processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Protocol

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.image.limits import Limits
from caldiff.image.model import RecordShape, Segment
from caldiff.image.parsed import Parsed
from caldiff.image.records import Counts, DataRecords, HexFacts, Integers, SrecFacts, hex_shape, srec_shape
from caldiff.image.text import Notes, Spelling, Text

__all__ = ["read_uniform_ihex", "read_uniform_srec"]

Bytes = npt.NDArray[np.uint8]
Cells = npt.NDArray[np.uint16]

_BLOCK = 512 * 1024
_LONGEST = 600
"""No record of either format has as many characters."""
_BAD = 256
_BANK = 0x10000
_LF, _CR = 10, 13


class _Irregular(Exception):  # noqa: N818 - it never leaves this module and is no error
    """Something that the line-by-line reader must look at."""


@attrs.frozen(kw_only=True, eq=False)
class _Data:
    """The data records of one block in order: their addresses, and all their bytes one after the other."""

    starts: Integers
    counts: Counts
    content: bytes


class _Reader(Protocol):
    """What differs between the formats."""

    def block(self, block: Bytes, *, crlf: bool) -> _Data:
        """Verify all records of a block, keep what is not data, give back what is."""

    def shape(self, data: DataRecords, text: Text, notes: Notes) -> RecordShape:
        """After the last block: check that the file is whole, and say how it was written."""


def read_uniform_ihex(data: bytes, *, limits: Limits) -> Parsed | None:
    """Read Intel HEX whose records are all regular and in order of address; None for any other file."""
    return _run(data, limits, _HexReader())


def read_uniform_srec(data: bytes, *, limits: Limits) -> Parsed | None:
    """Read S-record whose records are all regular and in order of address; None for any other file."""
    return _run(data, limits, _SrecReader())


def _run(data: bytes, limits: Limits, reader: _Reader) -> Parsed | None:
    text = Text.of(data)
    tail = data[text.stop :].rstrip(b"\x1a")
    if not text.stop or tail not in (b"", text.newline.encode()):
        return None
    spelling = Spelling()
    try:
        found = []
        for block in _blocks(text):
            _spell(block, spelling)
            found.append(reader.block(block, crlf=text.newline == "\r\n"))
        starts = np.concatenate([f.starts for f in found])
        counts = np.concatenate([f.counts for f in found])
        content = [f.content for f in found]
        found.clear()
        _need(len(starts) > 0)
        notes = Notes()
        shape = reader.shape(DataRecords(starts=starts, counts=counts, spelling=spelling), text, notes)
        segments = _joined(starts, counts, content, limits)
    except _Irregular:
        return None
    return Parsed(segments=segments, shape=shape, notes=notes.done())


def _need(fact: bool | np.bool_) -> None:
    if not fact:
        raise _Irregular


# ------------------------------------------------------------------------------------------- from text to matrices


@cache
def _pairs() -> Cells:
    """The byte for two digits read as one little-endian word; 256 for what is no pair of digits."""
    nibble = np.full(256, _BAD, dtype=np.uint16)
    for value, digits in enumerate(zip(b"0123456789ABCDEF", b"0123456789abcdef", strict=True)):
        nibble[list(digits)] = value
    both = nibble[None, :] * 16 + nibble[:, None]
    table: Cells = np.minimum(both, _BAD).reshape(-1)
    return table


def _blocks(text: Text) -> Iterator[Bytes]:
    """The text in blocks of whole lines, the last one without the end of its last line."""
    whole = np.frombuffer(text.data, dtype=np.uint8)
    start = 0
    while start < text.stop:
        last = text.stop - start <= _BLOCK
        stop = text.stop if last else text.data.rfind(b"\n", start, start + _BLOCK) + 1
        _need(stop > start)
        yield whole[start:stop]
        start = stop


def _spell(block: Bytes, spelling: Spelling) -> None:
    """Take note of the case of the digits: all digits are in lower case, or none is. A mixture is irregular."""
    lower = bool(block.max() >= ord("a"))
    if lower:
        _need(not ((block - np.uint8(ord("A"))) < 6).any())  # noqa: PLR2004 - A to F
    spelling.lower, spelling.upper = spelling.lower or lower, spelling.upper or not lower
    _need(not (spelling.lower and spelling.upper))


def _lines(block: Bytes, *, crlf: bool) -> tuple[Integers, Integers]:
    """Starts and lengths of the lines, line ends left out."""
    ends = np.flatnonzero(block == _LF)
    starts = np.concatenate(([0], ends + 1))
    if crlf:
        ends -= 1
        _need((block[ends] == _CR).all())
    stops = np.concatenate((ends, [len(block)]))
    if starts[-1] == len(block):
        starts, stops = starts[:-1], stops[:-1]
    lengths = stops - starts
    _need(lengths.min() > 1 and lengths.max() < _LONGEST)
    return starts, lengths


def _groups(
    block: Bytes, starts: Integers, lengths: Integers, *, prefix: int, total: int
) -> Iterator[tuple[Integers, Cells]]:
    """Records by width: their numbers in the block, and their bytes as one row each.

    Verified: there are digits only after the ``prefix``, and the bytes of every row sum up to ``total``.
    """
    for length in np.flatnonzero(np.bincount(lengths)).tolist():
        digits = length - prefix
        _need(digits >= 4 and digits % 2 == 0)  # noqa: PLR2004 - a length and a checksum
        lines = np.flatnonzero(lengths == length)
        # Rows at any place, as one item each: numpy copies them whole. Then two digits at a time become a byte.
        window = np.ndarray((len(block) - digits + 1,), dtype=f"V{digits}", buffer=block, strides=(1,))
        words = window[starts[lines] + prefix].view("<u2").reshape(len(lines), digits // 2)
        cells = np.take(_pairs(), words, mode="clip")  # no word is beyond the table: "clip" only saves the check
        _need(cells.max() < _BAD)
        sums = np.einsum("ij->i", cells)  # modulo 2**16, which does no harm; several times faster than sum() here
        _need(((sums & 0xFF) == total).all())
        yield lines, cells


def _content(parts: list[tuple[Integers, Bytes]], many: int) -> tuple[Integers, Counts, bytes]:
    """Data rows of several widths put together in order of line; also their lines and counts."""
    counts = np.zeros(many, dtype=np.uint16)
    for lines, cells in parts:
        counts[lines] = cells.shape[1]
    places = np.cumsum(counts, dtype=np.int64) - counts
    out = bytearray(int(counts.sum(dtype=np.int64)))
    for lines, cells in parts:
        count = cells.shape[1]
        window = np.ndarray((len(out) - count + 1,), dtype=f"V{count}", buffer=out, strides=(1,))
        window[places[lines]] = np.ascontiguousarray(cells).view(f"V{count}").reshape(-1)
    held = np.flatnonzero(counts)
    return held, counts[held], bytes(out)


def _joined(starts: Integers, counts: Counts, content: list[bytes], limits: Limits) -> tuple[Segment, ...]:
    """Segments of records that are in order of address."""
    stops = starts + counts
    _need((starts[1:] >= stops[:-1]).all())
    _need(counts.sum(dtype=np.int64) <= limits.size and stops[-1] - starts[0] <= limits.span)
    whole = b"".join(content)
    content.clear()
    breaks = np.flatnonzero(starts[1:] != stops[:-1]) + 1
    if not len(breaks):
        return (Segment(start=int(starts[0]), data=whole),)
    places = np.cumsum(counts, dtype=np.int64) - counts
    firsts = [0, *breaks.tolist()]
    edges = [*places[firsts].tolist(), len(whole)]
    return tuple(
        Segment(start=start, data=whole[low:high])
        for start, low, high in zip(starts[firsts].tolist(), edges[:-1], edges[1:], strict=True)
    )


# ------------------------------------------------------------------------------------------------------- Intel HEX


class _HexReader:
    """Intel HEX. Between blocks it keeps the base address that is in force."""

    def __init__(self) -> None:
        self._facts = HexFacts()
        self._base = 0
        self._linear = False
        self._any = False
        self._ended = False

    def shape(self, data: DataRecords, text: Text, notes: Notes) -> RecordShape:
        _need(self._ended)
        return hex_shape(self._facts, data, text, notes)

    def block(self, block: Bytes, *, crlf: bool) -> _Data:
        _need(not self._ended)
        starts, lengths = _lines(block, crlf=crlf)
        _need((block[starts] == ord(":")).all())
        offsets = np.zeros(len(starts), dtype=np.int64)
        parts: list[tuple[Integers, Bytes]] = []
        others: list[tuple[int, bytes]] = []
        for every, rows in _groups(block, starts, lengths, prefix=1, total=0):
            lines, cells = every, rows
            count = cells.shape[1] - 5
            _need(count >= 0 and (cells[:, 0] == count).all())
            offsets[lines] = (cells[:, 1].astype(np.int64) << 8) | cells[:, 2]
            data = cells[:, 3] == 0
            if not data.all():
                others += zip(lines[~data].tolist(), (bytes(row.tolist()) for row in cells[~data]), strict=True)
                lines, cells = lines[data], cells[data]
            if len(lines):
                _need(count > 0)
                parts.append((lines, cells[:, 4:-1].astype(np.uint8)))
        lines, counts, content = _content(parts, len(starts))
        addresses = self._based(lines, offsets[lines], counts, sorted(others), len(starts))
        return _Data(starts=addresses, counts=counts, content=content)

    def _based(
        self, lines: Integers, offsets: Integers, counts: Counts, others: list[tuple[int, bytes]], many: int
    ) -> Integers:
        """Addresses of the data records under the base addresses that the other records give."""
        edges, bases, linear = [0], [self._base], [self._linear]
        first = int(lines[0]) if len(lines) else many
        for line, record in others:
            self._any = self._any or line > first
            if self._take(record, last=line == many - 1):
                edges.append(line)
                bases.append(self._base)
                linear.append(self._linear)
        self._any = self._any or len(lines) > 0
        lasting = np.diff([*edges, many])
        free = np.repeat(np.array(linear), lasting)[lines]
        _need((free | (offsets + counts <= _BANK)).all())
        addresses = np.repeat(np.array(bases, dtype=np.int64), lasting)[lines] + offsets
        _need((addresses + counts <= 1 << 32).all())
        return addresses

    def _take(self, record: bytes, *, last: bool) -> bool:
        """Keep what a record that is not data says; whether it sets the base address."""
        facts = self._facts
        _need(record[1:3] == b"\x00\x00")
        value = int.from_bytes(record[4:-1], "big")
        match record[3], len(record) - 5:
            case 1, 0:
                _need(last)
                self._ended = True
            case 2, 2:
                facts.base(value << 4, linear=False, first=not self._any)
                self._base, self._linear, self._any = value << 4, False, True
                return True
            case 4, 2:
                facts.base(value << 16, linear=True, first=not self._any)
                self._base, self._linear, self._any = value << 16, True, True
                return True
            case 3, 4:
                _need(facts.segmented_entry is None)
                facts.segmented_entry = value
            case 5, 4:
                _need(facts.entry is None)
                facts.entry = value
            case _:
                raise _Irregular
        return False


# -------------------------------------------------------------------------------------------------------- S-record

_WIDTHS = {ord("1"): 2, ord("2"): 3, ord("3"): 4}
"""Address bytes of the data records by type."""


class _SrecReader:
    """S-record. Between blocks it keeps the number of data records."""

    def __init__(self) -> None:
        self._facts = SrecFacts()
        self._records = 0
        self._first = True

    def shape(self, data: DataRecords, text: Text, notes: Notes) -> RecordShape:
        _need(self._facts.end_bits is not None or self._facts.count)
        return srec_shape(self._facts, data, text, notes)

    def block(self, block: Bytes, *, crlf: bool) -> _Data:
        _need(self._facts.end_bits is None)
        starts, lengths = _lines(block, crlf=crlf)
        _need((block[starts] == ord("S")).all())
        kinds = block[starts + 1]
        offsets = np.zeros(len(starts), dtype=np.int64)
        parts: list[tuple[Integers, Bytes]] = []
        others: list[tuple[int, int, bytes]] = []
        for every, rows in _groups(block, starts, lengths, prefix=2, total=0xFF):
            _need((rows[:, 0] == rows.shape[1] - 1).all())
            mine = kinds[every]
            for kind in np.unique(mine).tolist():
                chosen = mine == kind
                lines, cells = (every, rows) if chosen.all() else (every[chosen], rows[chosen])
                if kind in _WIDTHS:
                    offsets[lines], data = self._data(cells, _WIDTHS[kind])
                    parts.append((lines, data))
                else:
                    records = (bytes(row.tolist()) for row in cells)
                    others += ((line, kind, row) for line, row in zip(lines.tolist(), records, strict=True))
        lines, counts, content = _content(parts, len(starts))
        self._records += len(lines)
        for line, kind, record in sorted(others):
            after = not len(lines) or line > int(lines[-1])
            self._take(kind, record[1:-1], first=self._first and line == 0, after=after, last=line == len(starts) - 1)
        self._first = False
        return _Data(starts=offsets[lines], counts=counts, content=content)

    def _data(self, cells: Cells, width: int) -> tuple[Integers, Bytes]:
        """Addresses and content of data records with addresses of ``width`` bytes."""
        count = cells.shape[1] - width - 2
        _need(count > 0 and not self._facts.count)
        addresses = np.zeros(len(cells), dtype=np.int64)
        for column in range(1, 1 + width):
            addresses = (addresses << 8) | cells[:, column]
        _need((addresses + count <= 1 << 8 * width).all())
        self._facts.forms.add(8 * width)
        return addresses, cells[:, 1 + width : -1].astype(np.uint8)

    def _take(self, kind: int, data: bytes, *, first: bool, after: bool, last: bool) -> None:
        """Keep what a header, count or end record says, where it belongs."""
        facts = self._facts
        match chr(kind), len(data):
            case "0", size:
                _need(first and size >= 2 and data[:2] == b"\x00\x00")  # noqa: PLR2004 - the address
                facts.header = data[2:]
            case ("5", 2) | ("6", 3):
                _need(after and not facts.count and int.from_bytes(data, "big") == self._records)
                facts.count = True
            case ("9", 2) | ("8", 3) | ("7", 4):
                _need(last)
                facts.entry = int.from_bytes(data, "big") or None
                facts.end_bits = 8 * len(data)
            case _:
                raise _Irregular
