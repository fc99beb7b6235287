"""An image file as its difference against another image: what a kept revision is made of.

    one line of canonical JSON, then a newline:
        caldiff "difference", version 1
        base     SHA-256 of the file that it is a difference against
        like     the format that the base's file is read in: binary, ihex, srec, titxt or elf
        depth    differences from here to a file that is kept whole, this one counted
        format   the format that the file is written in, and ``shape``, its records', where that has any
        size     of the file
        before, after   bytes of the file around the written image, where there are any (a zip that only stores it)
        segments [start, size] of each, where they are not those of the base
        move     what is added to the base's addresses, where that is not 0
    deflated: number of runs; the gap before each; the length of each; the bytes of all runs; the
    bytes around the image
        numbers have 32 bits: of all gaps the lowest bytes stand first, then the next ones; so with the lengths
        a gap counts the bytes of the image, segment after segment, since the run before
        a byte is the image's less the base's, modulo 256; where the base has none, it counts as 0

The image of a raw binary begins at address 0 here, wherever it lies in the controller.
Taking one apart needs no numpy, and costs about what the runs do.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from itertools import accumulate
from struct import unpack

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import VaultError
from caldiff.value import Plain

__all__ = [
    "AROUND",
    "DEEPEST",
    "LARGEST",
    "RUNS",
    "SEGMENTS",
    "TOP",
    "Difference",
    "Flat",
    "Layout",
    "applied",
    "moved",
    "read_difference",
]

Layout = tuple[tuple[int, int], ...]
"""start and size of every segment, in order of address"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any, Literal

    Written = Literal["binary", "ihex", "srec", "titxt"]
    Read = Literal["binary", "ihex", "srec", "titxt", "elf"]
else:
    Written = Read = str

DEEPEST = 16
LARGEST = 64 << 20
"""bytes of an image that is kept as a difference"""
SEGMENTS = 4096
RUNS = 1 << 16
AROUND = 1 << 17
"""bytes of the file before the written image, and after it"""
_HEAD_MOST = 1 << 17
_SLACK = 1 << 20
TOP = (1 << 53) - 1
"""the largest number that canonical JSON has; addresses of records end long before"""
_REQUIRED = {"caldiff", "version", "base", "like", "depth", "format", "size"}
_ALLOWED = _REQUIRED | {"shape", "segments", "move", "before", "after"}


class Flat(Plain):
    """An image as one run of bytes, segment after segment, and where the segments lie."""

    __slots__ = ("around", "data", "layout")
    layout: Layout
    data: bytearray
    around: tuple[bytes, bytes]
    """what stands before and after the image in its file"""

    def __init__(self, *, layout: Layout, data: bytearray, around: tuple[bytes, bytes] = (b"", b"")) -> None:
        self._set(layout=layout, data=data, around=around)


class Difference(Plain):
    """A difference as read; the module says what the fields are. ``body`` is still deflated."""

    __slots__ = ("after", "base", "before", "body", "depth", "format", "like", "move", "segments", "shape", "size")
    base: Digest
    like: Read
    depth: int
    format: Written
    size: int
    before: int
    after: int
    shape: dict[str, Any] | None
    segments: Layout | None
    move: int
    body: bytes

    def __init__(  # noqa: PLR0913 - one keyword a field
        self,
        *,
        base: Digest,
        like: Read,
        depth: int,
        format: Written,  # noqa: A002 - the word of the form
        size: int,
        before: int = 0,
        after: int = 0,
        shape: dict[str, Any] | None = None,
        segments: Layout | None = None,
        move: int = 0,
        body: bytes,
    ) -> None:
        self._set(base=base, like=like, depth=depth, format=format, size=size)
        self._set(before=before, after=after, shape=shape, segments=segments, move=move, body=body)

    def dump(self) -> bytes:
        """The bytes of the file."""
        head: dict[str, object] = {
            "caldiff": "difference",
            "version": 1,
            "base": self.base.hex,
            "like": self.like,
            "depth": self.depth,
            "format": self.format,
            "size": self.size,
        }
        if self.shape is not None:
            head["shape"] = self.shape
        if self.segments is not None:
            head["segments"] = self.segments
        head |= {name: value for name in ("before", "after", "move") if (value := getattr(self, name))}
        return canonical_json(head) + b"\n" + self.body


# ------------------------------------------------------------------------------------------------------------- reading


def read_difference(data: bytes) -> Difference:
    """Read a difference; its body is read as it is applied.

    Raises:
        VaultError: it is none, or makes no sense. No ``file``.
    """
    at = data.find(b"\n", 0, _HEAD_MOST)
    try:
        head = json.loads(data[: max(at, 0)])
    except (ValueError, RecursionError) as error:
        raise VaultError("this is no difference, or its first line is damaged") from error
    if not isinstance(head, dict) or not _REQUIRED <= head.keys() <= _ALLOWED:
        raise VaultError("this is no difference, or its first line is damaged")
    if head["caldiff"] != "difference" or not _whole(head["version"], 1, 1):
        raise VaultError("this is no difference of a form that is known")
    try:
        return _checked(head, data[at + 1 :])
    except (ValueError, TypeError, KeyError) as error:
        raise VaultError("the first line of the difference makes no sense") from error


def _checked(head: dict[str, Any], body: bytes) -> Difference:
    """A difference from its first line. Raises ValueError or TypeError where that makes no sense."""
    segments, move, shape = head.get("segments"), head.get("move", 0), head.get("shape")
    fine = _whole(head["depth"], 1, DEEPEST) and _whole(head["size"], 1, 5 * LARGEST) and _whole(move, -TOP, TOP)
    fine &= head["like"] in ("binary", "ihex", "srec", "titxt", "elf")
    fine &= head["format"] in ("binary", "ihex", "srec", "titxt")
    fine &= isinstance(head["base"], str)
    fine &= _whole(head.get("before", 0), 0, AROUND) and _whole(head.get("after", 0), 0, AROUND)
    fine &= shape is None or (isinstance(shape, dict) and head["format"] != "binary")
    if not fine:
        raise ValueError
    return Difference(
        base=Digest(hex=head["base"]),
        like=head["like"],
        depth=head["depth"],
        format=head["format"],
        size=head["size"],
        before=head.get("before", 0),
        after=head.get("after", 0),
        shape=shape,
        segments=None if segments is None else _layout(segments),
        move=move,
        body=body,
    )


def _whole(value: object, least: int, most: int) -> bool:
    return type(value) is int and least <= value <= most


def _layout(value: object) -> Layout:
    """Segments that can be: rising, apart, within what an image may hold."""
    if not isinstance(value, list) or not 1 <= len(value) <= SEGMENTS:
        raise ValueError
    end, held = -1, 0
    for start, size in value:
        if not _whole(start, end + 1, TOP) or not _whole(size, 1, LARGEST):
            raise ValueError
        end, held = start + size, held + size
    if held > LARGEST or end > TOP:
        raise ValueError
    return tuple((start, size) for start, size in value)


# ------------------------------------------------------------------------------------------------------------ applying


def applied(difference: Difference, base: Flat) -> Flat:
    """The image, from the image of its base, whose bytes are used up where the layout stays.

    Raises:
        VaultError: the runs do not fit. No ``file``.
    """
    flat = moved(base, difference.segments or base.layout, difference.move)
    if len(flat.data) > LARGEST:
        raise VaultError("the base is larger than a difference allows")
    runs, plain = _runs(difference.body, len(flat.data))
    old = b"".join([flat.data[at:stop] for at, stop in runs])
    if len(plain) != len(old) + difference.before + difference.after:
        raise VaultError("the runs of the difference do not fit the image")
    new = memoryview(_sum(old, plain[: len(old)]))
    start, data = 0, flat.data
    for at, stop in runs:
        data[at:stop] = new[start : (start := start + stop - at)]
    behind = len(old) + difference.before
    return Flat(layout=flat.layout, data=data, around=(plain[len(old) : behind], plain[behind:]))


def moved(base: Flat, layout: Layout, move: int) -> Flat:
    """The base's bytes in another layout, 0 where it has none."""
    if layout == base.layout and not move:
        return base
    data = bytearray(sum(size for _, size in layout))
    for at, came, size in _overlaps(base.layout, layout, move):
        data[at : at + size] = base.data[came : came + size]
    return Flat(layout=layout, data=data)


def _overlaps(old: Layout, new: Layout, move: int) -> Iterator[tuple[int, int, int]]:
    """Where both have bytes: place in the new flat image, place in the old one, length."""
    at = came = i = j = 0
    while i < len(old) and j < len(new):
        old_start, old_stop = old[i][0] + move, sum(old[i]) + move
        new_start, new_stop = new[j][0], sum(new[j])
        low, high = max(old_start, new_start), min(old_stop, new_stop)
        if low < high:
            yield at + low - new_start, came + low - old_start, high - low
        if old_stop <= new_stop:
            came, i = came + old[i][1], i + 1
        else:
            at, j = at + new[j][1], j + 1


def _runs(body: bytes, held: int) -> tuple[list[tuple[int, int]], bytes]:
    """The runs as places in the flat image, and what follows: their bytes, and those around the image."""
    inflate = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        plain = inflate.decompress(body, held + _SLACK)
    except zlib.error as error:
        raise VaultError("the runs of the difference are broken") from error
    if not inflate.eof or inflate.unused_data:
        raise VaultError("the runs of the difference do not end where they should")
    many = int.from_bytes(plain[:4], "little")
    values = plain[4 + 8 * many :]
    if many > RUNS or len(plain) < 4 + 8 * many:
        raise VaultError("the difference has no end of its runs")
    numbers = [0] * (2 * many)
    numbers[::2], numbers[1::2] = _numbers(plain[4:], many), _numbers(plain[4 + 4 * many :], many)
    bounds = list(accumulate(numbers))
    if (bounds[-1] if bounds else 0) > held:
        raise VaultError("the runs of the difference do not fit the image")
    return list(zip(bounds[::2], bounds[1::2], strict=True)), values


def _numbers(planes: bytes, many: int) -> tuple[int, ...]:
    """Numbers of 32 bits whose lowest bytes stand first, then all the next ones."""
    words = bytearray(4 * many)
    for byte in range(4):
        words[byte::4] = planes[byte * many : (byte + 1) * many]
    return unpack(f"<{many}I", words)


def _sum(one: bytes, other: bytes) -> bytes:
    """Two equally long rows of bytes, added byte by byte modulo 256: as two large numbers, the top bits apart."""
    size = len(one)
    low, top = int.from_bytes(b"\x7f" * size, "little"), int.from_bytes(b"\x80" * size, "little")
    a, b = int.from_bytes(one, "little"), int.from_bytes(other, "little")
    return (((a & low) + (b & low)) ^ ((a ^ b) & top)).to_bytes(size, "little")
