"""Intel HEX and S-record read many records at a time, for files in which nothing is unusual.

Every digit, length and record checksum is verified here as in the line-by-line readers, but in whole matrices. What is in
any way irregular is answered with None, and the line-by-line reader says what it is. Text is worked through in blocks
that fit the processor's cache.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.image.limits import Limits
from caldiff.image.model import Segment
from caldiff.image.records import HexFacts, Integers, SrecFacts, hex_shape, srec_shape
from caldiff.image.text import Notes, Parsed, Text

__all__ = ["read_uniform_ihex", "read_uniform_srec"]

Bytes = npt.NDArray[np.uint8]

_BLOCK = 256 * 1024
_LONGEST = 600
"""No record of either format has as many characters."""
_BAD = 256
_BANK = 0x10000
_LF, _CR = 10, 13


class _Irregular(Exception):  # noqa: N818 - it never leaves this module and is no error
    """Something that the line-by-line reader must look at."""


@attrs.frozen(kw_only=True, eq=False)
class _Rows:
    """Records of one width: ``lines`` are their numbers in the block, ``cells`` their bytes, one row a record."""

    lines: Integers
    cells: npt.NDArray[np.uint16]


@attrs.frozen(kw_only=True, eq=False)
class _Data:
    """The data records of one block in order: addresses as written, and all their bytes one after the other."""

    lines: Integers
    offsets: Integers
    counts: Integers
    content: bytes


@cache
def _pairs() -> npt.NDArray[np.uint16]:
    """The byte for two digits read as one little-endian word; 256 for what is no pair of digits."""
    nibble = np.full(256, _BAD, dtype=np.uint16)
    for value, digit in enumerate(b"0123456789ABCDEF"):
        nibble[[digit, ord(chr(digit).lower())]] = value
    both = nibble[None, :] * 16 + nibble[:, None]
    return np.where(both < _BAD, both, _BAD).astype(np.uint16).reshape(-1)


def _need(fact: bool | np.bool_) -> None:
    if not fact:
        raise _Irregular


def _blocks(body: bytes) -> Iterator[Bytes]:
    """The text in blocks of whole lines, the last one without the end of its last line."""
    whole = np.frombuffer(body, dtype=np.uint8)
    start = 0
    while start < len(body):
        stop = len(body) if len(body) - start <= _BLOCK else body.rfind(b"\n", start, start + _BLOCK) + 1
        _need(stop > start)
        yield whole[start:stop]
        start = stop


def _lines(block: Bytes, *, crlf: bool) -> tuple[Integers, Integers]:
    """Starts and lengths of the lines, line ends left out."""
    ends = np.flatnonzero(block == _LF)
    if crlf:
        ends -= 1
        _need((block[ends] == _CR).all())
    width = 1 + crlf
    starts = np.concatenate(([0], ends + width))
    stops = np.concatenate((ends, [len(block)]))
    if starts[-1] == len(block):
        starts, stops = starts[:-1], stops[:-1]
    lengths = stops - starts
    _need(lengths.max() < _LONGEST)
    return starts, lengths


def _rows(block: Bytes, starts: Integers, digits: int) -> npt.NDArray[np.uint16]:
    """The bytes that stand as ``digits`` digits at each of the starts; every digit and record sum is verified later."""
    window = np.ndarray((len(block) - digits + 1,), dtype=f"V{digits}", buffer=block, strides=(1,))
    text = window[starts].view("<u2").reshape(len(starts), digits // 2)
    return _pairs()[text]


def _groups(block: Bytes, starts: Integers, lengths: Integers, prefix: int, total: int) -> Iterator[_Rows]:
    """Records by width, verified: digits only, the stated length, and bytes that sum up to ``total``."""
    for length in np.flatnonzero(np.bincount(lengths)):
        digits = int(length) - prefix
        _need(digits >= 4 and digits % 2 == 0)  # noqa: PLR2004 - a length and a checksum
        lines = np.flatnonzero(lengths == length)
        cells = _rows(block, starts[lines] + prefix, digits)
        _need(cells.max() < _BAD)
        _need(((cells.sum(axis=1, dtype=np.uint32) & 0xFF) == total).all())
        yield _Rows(lines=lines, cells=cells)


def _content(parts: list[tuple[Integers, Bytes]], many: int) -> tuple[Integers, Integers, bytes]:
    """Data rows of several widths put together in order of line; also their lines and counts."""
    counts = np.zeros(many, dtype=np.int64)
    for lines, cells in parts:
        counts[lines] = cells.shape[1]
    places = np.cumsum(counts) - counts
    out = bytearray(int(counts.sum()))
    for lines, cells in parts:
        count = cells.shape[1]
        window = np.ndarray((len(out) - count + 1,), dtype=f"V{count}", buffer=out, strides=(1,))
        window[places[lines]] = np.ascontiguousarray(cells).view(f"V{count}").reshape(-1)
    held = np.flatnonzero(counts)
    return held, counts[held], bytes(out)


def _joined(starts: Integers, counts: Integers, content: list[bytes], limits: Limits) -> tuple[Segment, ...]:
    """Segments of records in order of address."""
    _need(len(starts) > 0)
    stops = starts + counts
    _need((starts[1:] >= stops[:-1]).all())
    _need(counts.sum() <= limits.size and stops[-1] - starts[0] <= limits.span)
    whole = b"".join(content)
    content.clear()
    breaks = np.flatnonzero(starts[1:] != stops[:-1]) + 1
    if not len(breaks):
        return (Segment(start=int(starts[0]), data=whole),)
    places = np.cumsum(counts) - counts
    firsts = [0, *breaks.tolist()]
    edges = [*places[firsts].tolist(), len(whole)]
    return tuple(
        Segment(start=int(starts[first]), data=whole[low:high])
        for first, low, high in zip(firsts, edges[:-1], edges[1:], strict=True)
    )


def _case(block: Bytes, facts: HexFacts | SrecFacts) -> None:
    """Take note of the case of the digits. Both in one file is irregular."""
    facts.lower = facts.lower or bool((block >= ord("a")).any())
    facts.upper = facts.upper or bool(((block - np.uint8(ord("A"))) < 6).any())  # noqa: PLR2004 - A to F
    _need(not (facts.lower and facts.upper))


def _run(data: bytes, read: Callable[[Text, Notes], Parsed]) -> Parsed | None:
    """Read a text if its lines are uniform, else None."""
    text = Text.of(data)
    if text.mixed or text.blanks or not text.body:
        return None
    try:
        return read(text, Notes())
    except _Irregular:
        return None


# ------------------------------------------------------------------------------------------------------- Intel HEX


@attrs.define
class _Base:
    """The base address that is in force at the end of a block."""

    address: int = 0
    linear: bool = False
    ended: bool = False


def read_uniform_ihex(data: bytes, *, limits: Limits) -> Parsed | None:
    """Read Intel HEX whose records are all regular and in order of address; None for any other file."""

    def read(text: Text, notes: Notes) -> Parsed:
        facts = HexFacts(starts=np.empty(0, np.int64), counts=np.empty(0, np.int64))
        starts: list[Integers] = []
        counts: list[Integers] = []
        content: list[bytes] = []
        base = _Base()
        for block in _blocks(text.body):
            _case(block, facts)
            found = _ihex_block(block, crlf=text.newline == "\r\n", base=base, facts=facts)
            starts.append(found.offsets)
            counts.append(found.counts)
            content.append(found.content)
            facts.counts = counts[0] if len(counts) == 1 else facts.counts
        _need(base.ended)
        facts.starts, facts.counts = np.concatenate(starts), np.concatenate(counts)
        segments = _joined(facts.starts, facts.counts, content, limits)
        shape = hex_shape(facts, text, notes)
        return Parsed(segments=segments, shape=shape, notes=notes.done())

    return _run(data, read)


def _ihex_block(block: Bytes, *, crlf: bool, base: _Base, facts: HexFacts) -> _Data:
    _need(not base.ended)
    starts, lengths = _lines(block, crlf=crlf)
    _need((block[starts] == ord(":")).all())
    offsets = np.zeros(len(starts), dtype=np.int64)
    parts: list[tuple[Integers, Bytes]] = []
    special: list[tuple[int, bytes]] = []
    for rows in _groups(block, starts, lengths, 1, 0):
        cells, lines = rows.cells, rows.lines
        _need(cells.shape[1] >= 5 and (cells[:, 0] == cells.shape[1] - 5).all())  # noqa: PLR2004
        offsets[lines] = (cells[:, 1].astype(np.int64) << 8) | cells[:, 2]
        data = cells[:, 3] == 0
        if not data.all():
            special += zip(lines[~data].tolist(), (bytes(r.tolist()) for r in cells[~data]), strict=True)
            cells, lines = cells[data], lines[data]
        if len(lines):
            _need(cells.shape[1] > 5)  # noqa: PLR2004 - a record without data is irregular
            parts.append((lines, cells[:, 4:-1].astype(np.uint8)))
    held, counts, content = _content(parts, len(starts)) if parts else (offsets[:0], offsets[:0], b"")
    addresses = _based(held, offsets[held], counts, sorted(special), len(starts), base, facts)
    return _Data(lines=held, offsets=addresses, counts=counts, content=content)


def _based(  # noqa: PLR0913, PLR0917
    lines: Integers,
    offsets: Integers,
    counts: Integers,
    special: list[tuple[int, bytes]],
    many: int,
    base: _Base,
    facts: HexFacts,
) -> Integers:
    """Addresses of the data records under the base addresses that the other records give."""
    edges, bases, linear = [0], [base.address], [base.linear]
    first = int(lines[0]) if len(lines) else many
    for line, record in special:
        kind, data = record[3], record[4:-1]
        _need(record[1:3] == b"\x00\x00" and not base.ended)
        value = int.from_bytes(data, "big")
        match kind, len(data):
            case 1, 0:
                _need(line == many - 1)
                base.ended = True
            case ((2 | 4), 2):
                none = not (facts.segment_bases or facts.linear_bases or len(facts.counts))
                facts.leading = facts.leading or (none and line < first and value == 0)
                facts.linear_bases += kind == 4  # noqa: PLR2004
                facts.segment_bases += kind == 2  # noqa: PLR2004
                base.linear = kind == 4  # noqa: PLR2004
                base.address = value << 16 if base.linear else value << 4
                edges.append(line)
                bases.append(base.address)
                linear.append(base.linear)
            case 3, 4:
                _need(facts.segmented_entry is None)
                facts.segmented_entry = value
            case 5, 4:
                _need(facts.entry is None)
                facts.entry = value
            case _:
                raise _Irregular
    lasting = np.diff([*edges, many])
    free = np.repeat(np.array(linear), lasting)[lines]
    _need((free | (offsets + counts <= _BANK)).all())
    addresses = np.repeat(np.array(bases, dtype=np.int64), lasting)[lines] + offsets
    _need(not len(addresses) or addresses[-1] + counts[-1] <= 1 << 32)
    return addresses


# -------------------------------------------------------------------------------------------------------- S-record

_WIDTHS = {"1": 2, "2": 3, "3": 4}


def read_uniform_srec(data: bytes, *, limits: Limits) -> Parsed | None:
    """Read S-record whose records are all regular and in order of address; None for any other file."""

    def read(text: Text, notes: Notes) -> Parsed:
        facts = SrecFacts(starts=np.empty(0, np.int64), counts=np.empty(0, np.int64))
        starts: list[Integers] = []
        counts: list[Integers] = []
        content: list[bytes] = []
        records = 0
        for block in _blocks(text.body):
            _case(block, facts)
            found = _srec_block(block, crlf=text.newline == "\r\n", before=records, facts=facts)
            records += len(found.lines)
            starts.append(found.offsets)
            counts.append(found.counts)
            content.append(found.content)
        _need(facts.end_bits or facts.count)
        facts.starts, facts.counts = np.concatenate(starts), np.concatenate(counts)
        segments = _joined(facts.starts, facts.counts, content, limits)
        shape = srec_shape(facts, text, notes)
        return Parsed(segments=segments, shape=shape, notes=notes.done())

    return _run(data, read)


def _srec_block(block: Bytes, *, crlf: bool, before: int, facts: SrecFacts) -> _Data:
    _need(not (facts.end_bits or facts.count))
    starts, lengths = _lines(block, crlf=crlf)
    _need(lengths.min() > 1 and (block[starts] == ord("S")).all())
    kinds = block[starts + 1]
    offsets = np.zeros(len(starts), dtype=np.int64)
    parts: list[tuple[Integers, Bytes]] = []
    special: list[tuple[int, str, bytes]] = []
    for rows in _groups(block, starts, lengths, 2, 0xFF):
        _need((rows.cells[:, 0] == rows.cells.shape[1] - 1).all())
        mine = kinds[rows.lines]
        for kind in np.unique(mine):
            chosen = mine == kind
            cells, lines = (rows.cells, rows.lines) if chosen.all() else (rows.cells[chosen], rows.lines[chosen])
            width = _WIDTHS.get(chr(kind))
            if width is None:
                records = (bytes(r.tolist()) for r in cells)
                special += ((line, chr(kind), r) for line, r in zip(lines.tolist(), records, strict=True))
                continue
            _need(cells.shape[1] > width + 2)
            offsets[lines] = _big_endian(cells[:, 1 : 1 + width])
            facts.forms.add(8 * width)
            _need((offsets[lines] + cells.shape[1] - width - 2 <= 1 << 8 * width).all())
            parts.append((lines, cells[:, 1 + width : -1].astype(np.uint8)))
    held, counts, content = _content(parts, len(starts)) if parts else (offsets[:0], offsets[:0], b"")
    for line, kind, record in sorted(special):
        _srec_special(line, kind, record, held=held, many=len(starts), before=before, facts=facts)
    return _Data(lines=held, offsets=offsets[held], counts=counts, content=content)


def _big_endian(cells: npt.NDArray[np.uint16]) -> Integers:
    value = np.zeros(len(cells), dtype=np.int64)
    for column in range(cells.shape[1]):
        value = (value << 8) | cells[:, column]
    return value


def _srec_special(  # noqa: PLR0913
    line: int, kind: str, record: bytes, *, held: Integers, many: int, before: int, facts: SrecFacts
) -> None:
    """A header, count or end record where it belongs, else irregular."""
    data = record[1:-1]
    match kind, len(data):
        case "0", _:
            _need(line == 0 and before == 0 and facts.header is None and data[:2] == b"\x00\x00")
            facts.header = data[2:]
        case ("5", 2) | ("6", 3):
            _need(not facts.count and (len(held) == 0 or line > held[-1]))
            _need(int.from_bytes(data, "big") == before + len(held))
            facts.count = True
        case ("9", 2) | ("8", 3) | ("7", 4):
            _need(line == many - 1)
            facts.entry = int.from_bytes(data, "big") or None
            facts.end_bits = 8 * len(data)
        case _:
            raise _Irregular
