"""``Image``: addressed bytes. Segments with gaps, immutable, free of numpy."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import Literal

import attrs

from caldiff.canonical import Digest, DigestLater
from caldiff.errors import ImageError, UsageError
from caldiff.value import Value

__all__ = ["TOP", "Format", "Image", "Note", "RecordShape", "Segment", "Source"]

Format = Literal["binary", "ihex", "srec", "titxt", "elf"]
Container = Literal["gzip", "zip"]

TOP = 1 << 63
"""Where addresses end: below it they fit a signed 64-bit integer, in which arrays of addresses are reckoned."""

_CONTENT = b"caldiff image content, form 1\n"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Segment(Value):
    """A run of bytes without a gap, at its address. ``data`` is never empty."""

    start: int
    data: bytes = attrs.field(repr=False)

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.start + len(self.data)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Note(Value):
    """Something unusual but harmless in a file, as found while reading it."""

    text: str
    line: int | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class RecordShape(Value):
    """How a text format was written, so that writing keeps it.

    Attributes:
        length: data bytes in a full record (a line of TI-TXT).
        address_bits: 16, 20 (segmented) or 32 for Intel HEX; 16, 24 or 32 for S-record; for TI-TXT None, or
            24 where addresses below 64 KiB have six digits too.
        newline: the end of a line.
        upper: hexadecimal digits in upper case.
        header: the content of an S0 record, or None.
        count: an S5 or S6 count record is written.
        entry: the start address (Intel HEX type 05, S7/S8/S9 address), or None.
        segmented_entry: CS:IP of an Intel HEX type 03 record as one 32-bit number, or None.
        eof: a DOS end-of-file character (0x1A) after the last record.
        end: an end record is written (S-record; the other formats always have one).
        entry_at_end: the start address stands in the end record of Intel HEX, as the 16-bit form has it.
        leading: Intel HEX begins with an extended-address record even where that address is 0.
        crossing: a record runs on over a multiple of 64 KiB (Intel HEX with a linear base), or over the end of its
            narrow address form (S-record), rather than end there.
        block: records end at every multiple of this many bytes, or None.
        segmented: Intel HEX of 32 address bits uses type 02 records below 1 MiB and type 04 records above.
        narrow: each S-record has the narrowest address that holds it, ``address_bits`` at least.
    """

    length: int = 32
    address_bits: int | None = 32
    newline: Literal["\n", "\r\n"] = "\n"
    upper: bool = True
    header: bytes | None = None
    count: bool = False
    entry: int | None = None
    segmented_entry: int | None = None
    eof: bool = False
    end: bool = True
    entry_at_end: bool = False
    leading: bool = False
    crossing: bool = False
    block: int | None = None
    segmented: bool = False
    narrow: bool = False


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Source(Value):
    """The file that an image came from.

    Attributes:
        name: the path or name as the caller gave it.
        format: what the content turned out to be.
        size: of the file, in bytes.
        container: what the file was packed in, or None; ``member`` is the name inside a zip.
        shape: record shape of a text format, or None.
        notes: what was tolerated.
    """

    name: str
    format: Format
    _file: Digest | DigestLater
    size: int
    container: Container | None = None
    member: str | None = None
    shape: RecordShape | None = None
    notes: tuple[Note, ...] = ()

    @property
    def file(self) -> Digest:
        """Digest of the very bytes of the file, container included."""
        return self._file.result() if isinstance(self._file, DigestLater) else self._file


def _joined(segments: Iterable[Segment]) -> tuple[Segment, ...]:
    """The segments in order of address, neighbours that touch made one.

    Raises:
        ImageError: two segments overlap, or an address is negative or beyond 63 bits.
    """
    runs: list[list[Segment]] = []
    for segment in sorted((s for s in segments if s.data), key=lambda s: s.start):
        if segment.start < 0:
            raise ImageError("a segment starts below address 0", address=segment.start)
        if segment.stop > TOP:
            raise ImageError("a segment runs beyond the highest address there can be", address=segment.start)
        if runs and segment.start < runs[-1][-1].stop:
            raise ImageError("two segments overlap", address=segment.start)
        if runs and segment.start == runs[-1][-1].stop:
            runs[-1].append(segment)
        else:
            runs.append([segment])
    return tuple(
        run[0] if len(run) == 1 else Segment(start=run[0].start, data=b"".join(s.data for s in run)) for run in runs
    )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Image:
    """Addressed bytes, immutable. Two images are equal when they hold the same bytes at the same addresses.

    Attributes:
        segments: in order of address, never touching, never overlapping, never empty.
        source: the file it came from, or None for an image made in memory.
    """

    segments: tuple[Segment, ...] = attrs.field(converter=_joined)
    source: Source | None = None

    @classmethod
    def of(cls, data: bytes, *, start: int = 0, source: Source | None = None) -> Image:
        """An image of one segment."""
        return cls(segments=(Segment(start=start, data=data),), source=source)

    @cached_property
    def content(self) -> Digest:
        """Digest of addresses and bytes: the same whatever the file format was."""
        parts: list[bytes] = [_CONTENT]
        for segment in self.segments:
            parts += [segment.start.to_bytes(8, "big"), len(segment.data).to_bytes(8, "big"), segment.data]
        return Digest.of(*parts)

    @cached_property
    def _starts(self) -> tuple[int, ...]:
        return tuple(s.start for s in self.segments)

    @property
    def size(self) -> int:
        """Bytes held, gaps not counted."""
        return sum(len(s.data) for s in self.segments)

    @property
    def start(self) -> int:
        """The lowest address held (0 for an empty image)."""
        return self.segments[0].start if self.segments else 0

    @property
    def stop(self) -> int:
        """The address after the highest one held (0 for an empty image)."""
        return self.segments[-1].stop if self.segments else 0

    def segment_at(self, address: int) -> Segment | None:
        """The segment that holds the address, or None in a gap."""
        at = bisect_right(self._starts, address) - 1
        return self.segments[at] if at >= 0 and address < self.segments[at].stop else None

    def holds(self, start: int, stop: int) -> bool:
        """Whether every address of ``[start, stop)`` is there."""
        segment = self.segment_at(start)
        return stop <= start or (segment is not None and stop <= segment.stop)

    def view(self, start: int, stop: int) -> memoryview:
        """The bytes of ``[start, stop)`` without a copy, read-only.

        Raises:
            ImageError: an address in between is in a gap.
        """
        segment = self.segment_at(start)
        if segment is None or stop > segment.stop:
            missing = start if segment is None else segment.stop
            raise ImageError(
                "the image has no byte here",
                file=self.source.name if self.source else None,
                address=missing,
                expected=f"bytes from 0x{start:08X} to 0x{stop - 1:08X}",
            )
        return memoryview(segment.data)[start - segment.start : stop - segment.start]

    def read(self, start: int, size: int) -> bytes:
        """``size`` bytes from ``start``, as a copy. Raises ImageError like :meth:`view`."""
        return bytes(self.view(start, start + size))

    def __getitem__(self, addresses: slice) -> Image:
        """The part of the image inside ``[start:stop]``, gaps kept, without a source."""
        if not isinstance(addresses, slice) or addresses.step is not None:
            raise TypeError("an image is sliced by address, image[start:stop]; use read() for bytes")
        low = self.start if addresses.start is None else addresses.start
        high = self.stop if addresses.stop is None else addresses.stop
        cut = (
            Segment(start=max(s.start, low), data=s.data[max(low - s.start, 0) : max(high - s.start, 0)])
            for s in self.segments
        )
        return Image(segments=tuple(cut))

    def patched(self, changes: Mapping[int, bytes]) -> Image:
        """A new image with other bytes at the given addresses; the source stays, for its format and shape.

        Raises:
            ImageError: a byte to change is not there.
        """
        parts = {s.start: bytearray(s.data) for s in self.segments}
        for address, data in changes.items():
            self.view(address, address + len(data))
            segment = self.segment_at(address)
            if segment is not None:
                at = address - segment.start
                parts[segment.start][at : at + len(data)] = data
        return attrs.evolve(self, segments=tuple(Segment(start=a, data=bytes(d)) for a, d in parts.items()))

    def moved(self, *, start: int) -> Image:
        """The same raw binary with its first byte at ``start``; the source stays.

        Raises:
            UsageError: the image came from a format that has addresses of its own, holds gaps, or ``start`` is negative
                or too high.
        """
        if self.source is not None and self.source.format != "binary":
            raise UsageError("only a raw binary takes its start address from outside", file=self.source.name)
        if len(self.segments) > 1:
            raise UsageError("an image with gaps has addresses of its own", address=self.start)
        if not 0 <= start < TOP - self.size:
            raise UsageError("no address to start at", expected=f"0 to 0x{TOP - 1:X}", got=f"{start:#x}")
        return attrs.evolve(self, segments=tuple(Segment(start=start, data=s.data) for s in self.segments))

    def __iter__(self) -> Iterator[Segment]:
        return iter(self.segments)

    def __eq__(self, other: object) -> bool:
        return self.segments == other.segments if isinstance(other, Image) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.content)

    def __repr__(self) -> str:
        name = f"{self.source.name!r}, {self.source.format}, " if self.source else ""
        where = f"0x{self.start:08X} to 0x{max(self.stop - 1, 0):08X}, " if self.segments else ""
        gaps = f"{len(self.segments)} segments, " if len(self.segments) != 1 else ""
        return f"<Image {name}{where}{gaps}{self.size} bytes>"
