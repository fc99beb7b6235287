"""An image as the records of a text format, many at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cache

import numpy as np
import numpy.typing as npt

from caldiff.errors import ImageError
from caldiff.image.model import Image, RecordShape

__all__ = ["ihex_records", "srec_records", "titxt_lines"]

Bytes = npt.NDArray[np.uint8]

_BANK = 0x10000
_MEBI_BANKS = 16
_ROWS = 4096
_KINDS = {16: (b"S1", b"S9"), 24: (b"S2", b"S8"), 32: (b"S3", b"S7")}


@cache
def _digits(*, upper: bool) -> npt.NDArray[np.uint16]:
    """The two digits of every byte, as one little-endian word."""
    text = bytes(range(256)).hex()
    return np.frombuffer((text.upper() if upper else text).encode(), dtype="<u2")


def _text(prefix: bytes, cells: Bytes, shape: RecordShape) -> bytes:
    """Rows of bytes as lines: the prefix, the digits, the end of the line."""
    newline = shape.newline.encode()
    many, width = cells.shape
    lines = np.empty((many, len(prefix) + 2 * width + len(newline)), dtype=np.uint8)
    lines[:, : len(prefix)] = np.frombuffer(prefix, dtype=np.uint8)
    digits = np.take(_digits(upper=shape.upper), cells, mode="clip")  # no byte is beyond: "clip" only saves the check
    lines[:, len(prefix) : len(prefix) + 2 * width] = digits.view(np.uint8)
    lines[:, len(prefix) + 2 * width :] = np.frombuffer(newline, dtype=np.uint8)
    return lines.tobytes()


def _record(prefix: bytes, content: bytes, total: int, shape: RecordShape) -> bytes:
    """One record, its checksum added so that all bytes sum up to ``total``."""
    whole = content + bytes([(total - sum(content)) & 0xFF])
    digits = whole.hex().upper() if shape.upper else whole.hex()
    return prefix + digits.encode() + shape.newline.encode()


def _runs(
    image: Image, shape: RecordShape, edge: Callable[[int], int], crossing: Callable[[int], bool]
) -> Iterator[tuple[int, memoryview]]:
    """The image cut where records must end: ``edge`` gives the first such address above an address.

    With ``shape.crossing`` the last record before an edge runs on over it, where ``crossing`` allows for one that ends
    at an address. The block of the shape is an edge always.
    """
    for segment in image.segments:
        data = memoryview(segment.data)
        at = segment.start
        while at < segment.stop:
            size = edge(at) - at
            over = -(-size // shape.length) * shape.length
            if shape.crossing and crossing(at + over):
                size = over
            if shape.block:
                size = min(size, shape.block - at % shape.block)
            size = min(size, segment.stop - at)
            yield at, data[at - segment.start : at - segment.start + size]
            at += size


def _rows(address: int, data: memoryview, length: int) -> Iterator[tuple[int, Bytes]]:
    """Full records as matrices of bytes, at most so many rows at once, then the short one that is left."""
    full = len(data) - len(data) % length
    step = _ROWS * length
    for at in range(0, full, step):
        part = data[at : min(at + step, full)]
        yield address + at, np.frombuffer(part, dtype=np.uint8).reshape(-1, length)
    if full < len(data):
        yield address + full, np.frombuffer(data[full:], dtype=np.uint8).reshape(1, -1)


def _checksums(cells: Bytes, total: int) -> Bytes:
    """What makes the bytes of each row sum up to ``total``, modulo 256 as unsigned bytes reckon."""
    sums: Bytes = np.einsum("ij->i", cells)
    return np.uint8(total) - sums


# ------------------------------------------------------------------------------------------------------- Intel HEX


def ihex_records(image: Image, shape: RecordShape) -> Iterator[bytes]:
    """Intel HEX in pieces.

    Raises:
        ImageError: an address beyond the form.
    """
    bits = shape.address_bits or 32
    _hold(image, bits)
    bank = -1 if shape.leading else 0
    zeroed = True
    # Only a linear base lets an address go on over 64 KiB; a segmented one would wrap around.
    linear = bits == 32 and not shape.segmented  # noqa: PLR2004 - address bits of a form
    for address, data in _runs(image, shape, lambda a: (a | (_BANK - 1)) + 1, lambda _: linear):
        if address >> 16 != bank:
            bank = address >> 16
            low = bits == 20 or (shape.segmented and bank < _MEBI_BANKS)  # noqa: PLR2004 - address bits of a form
            if not (low or zeroed):
                yield _special(2, b"\0\0", shape)
            zeroed = not low or bank == 0
            yield _special(2 if low else 4, (bank << 12 if low else bank).to_bytes(2, "big"), shape)
        for start, rows in _rows(address & (_BANK - 1), data, shape.length):
            yield _ihex_rows(start, rows, shape)
    if shape.segmented_entry is not None:
        yield _special(3, shape.segmented_entry.to_bytes(4, "big"), shape)
    at_end = shape.entry_at_end and shape.entry is not None and shape.entry < _BANK
    if shape.entry is not None and not at_end:
        yield _special(5, shape.entry.to_bytes(4, "big"), shape)
    yield _special(1, b"", shape, (shape.entry or 0) if at_end else 0) + (b"\x1a" if shape.eof else b"")


def _special(kind: int, data: bytes, shape: RecordShape, address: int = 0) -> bytes:
    return _record(b":", bytes([len(data), *address.to_bytes(2, "big"), kind]) + data, 0, shape)


def _ihex_rows(start: int, data: Bytes, shape: RecordShape) -> bytes:
    many, length = data.shape
    cells = np.empty((many, length + 5), dtype=np.uint8)
    addresses = start + length * np.arange(many)
    cells[:, 0] = length
    cells[:, 1] = addresses >> 8
    cells[:, 2] = addresses & 0xFF
    cells[:, 3] = 0
    cells[:, 4:-1] = data
    cells[:, -1] = _checksums(cells[:, :-1], 0)
    return _text(b":", cells, shape)


def _hold(image: Image, bits: int) -> None:
    if image.stop > 1 << bits:
        raise ImageError(
            f"an address is beyond the {bits}-bit form",
            address=image.stop - 1,
            expected=f"0x{(1 << bits) - 1:X} at most",
            hint="ask for a wider address form",
        )


# -------------------------------------------------------------------------------------------------------- S-record


def srec_records(image: Image, shape: RecordShape) -> Iterator[bytes]:
    """S-record in pieces.

    Raises:
        ImageError: an address beyond the form.
    """
    least = shape.address_bits or 32
    if not shape.narrow:
        _hold(image, least)
    _hold(image, 32)
    if shape.header is not None:
        yield _record(b"S0", bytes([len(shape.header) + 3, 0, 0]) + shape.header, 0xFF, shape)
    count = 0
    # That an address goes on over the end of its form is only plain where records of a wider form follow.
    for address, data in _runs(image, shape, lambda a: 1 << _bits(a, least, shape), lambda a: a < image.stop):
        bits = _bits(address, least, shape)
        for start, rows in _rows(address, data, shape.length):
            count += len(rows)
            yield _srec_rows(start, rows, bits, shape)
    if shape.count:
        width = 2 if count < _BANK else 3
        kind = b"S5" if count < _BANK else b"S6"
        yield _record(kind, bytes([width + 1]) + count.to_bytes(width, "big"), 0xFF, shape)
    if shape.end:
        entry = shape.entry or 0
        bits = max(_bits(entry, least, shape), _bits(entry, 16, None))
        yield _record(_KINDS[bits][1], bytes([bits // 8 + 1]) + entry.to_bytes(bits // 8, "big"), 0xFF, shape)
    if shape.eof:
        yield b"\x1a"


def _bits(address: int, least: int, shape: RecordShape | None) -> int:
    """The address form of a record: the shape's, or with a narrow shape (or none) the least that holds the address."""
    if shape is not None and not shape.narrow:
        return least
    return max(least, 16 if address < 1 << 16 else 24 if address < 1 << 24 else 32)


def _srec_rows(start: int, data: Bytes, bits: int, shape: RecordShape) -> bytes:
    many, length = data.shape
    width = bits // 8
    cells = np.empty((many, length + width + 2), dtype=np.uint8)
    addresses = start + length * np.arange(many)
    cells[:, 0] = length + width + 1
    for byte in range(width):
        cells[:, 1 + byte] = (addresses >> (8 * (width - 1 - byte))) & 0xFF
    cells[:, 1 + width : -1] = data
    cells[:, -1] = _checksums(cells[:, :-1], 0xFF)
    return _text(_KINDS[bits][0], cells, shape)


# ---------------------------------------------------------------------------------------------------------- TI-TXT


def titxt_lines(image: Image, shape: RecordShape) -> Iterator[bytes]:
    """TI-TXT in pieces. Raises ImageError for an address beyond 32 bits."""
    _hold(image, 32)
    newline = shape.newline.encode()
    wide = 0 if shape.address_bits == 24 else _BANK  # noqa: PLR2004 - address bits of a form
    for segment in image.segments:
        start = f"@{segment.start:0{4 if segment.start < wide else 6}X}"
        lines = [start if shape.upper else start.lower(), *_hex_lines(segment.data, shape)]
        yield newline.join(line.encode() for line in lines) + newline
    yield b"q" + newline + (b"\x1a" if shape.eof else b"")


def _hex_lines(data: bytes, shape: RecordShape) -> Iterable[str]:
    for at in range(0, len(data), shape.length):
        line = data[at : at + shape.length].hex(" ")
        yield line.upper() if shape.upper else line
