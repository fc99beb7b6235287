"""Checksums as a definition declares them: what is covered, how it is reckoned, where it rests."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import attrs

from caldiff.crc import Crc
from caldiff.definition.model import ByteOrder, ElementType, StoredCount
from caldiff.value import Value

__all__ = [
    "Adler32",
    "BlockList",
    "Checksum",
    "Coverage",
    "Fletcher",
    "Hash",
    "Method",
    "Opaque",
    "Span",
    "StoredField",
    "Sum",
    "Xor",
    "without",
]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Sum(Value):
    """Words added up, modulo two to the ``bits``, from ``start``; the result perhaps complemented."""

    word: ElementType
    byte_order: ByteOrder
    bits: int
    """8 to 64"""
    start: int = 0
    complement: Literal["none", "ones", "twos"] = "none"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Xor(Value):
    """Words combined by exclusive or, from ``start``."""

    word: ElementType
    byte_order: ByteOrder
    start: int = 0


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Adler32(Value):
    """RFC 1950."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Fletcher(Value):
    """Fletcher-16 over bytes or Fletcher-32 over 16-bit words (``byte_order``), both modulo 255 and 65535."""

    bits: Literal[16, 32]
    byte_order: ByteOrder = "little"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Hash(Value):
    """A message digest; its leading bytes where the stored field is shorter."""

    name: Literal["md5", "sha-1", "sha-256"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Opaque(Value):
    """Something that cannot be reckoned here, such as a signature; ``what`` says so in words."""

    what: str


Method = Crc | Sum | Xor | Adler32 | Fletcher | Hash | Opaque


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Span(Value):
    """Addresses ``[start, stop)``."""

    start: int
    stop: int

    @property
    def size(self) -> int:
        """In bytes."""
        return self.stop - self.start


@attrs.frozen(kw_only=True, eq=False, repr=False)
class BlockList(Value):
    """A table of start and end addresses in the image itself that says what is covered.

    Attributes:
        at: address of the first pair; each is two numbers of ``type``.
        count: number of pairs, perhaps stored in the image too, or None where a pair whose start equals ``terminator``
            ends the list.
        last: the second number is the last address covered; else the one after it.
        most: the list is not read further than this many pairs.
    """

    at: int
    type: ElementType
    byte_order: ByteOrder
    count: int | StoredCount | None = None
    terminator: int | None = None
    last: bool = True
    most: int = 256


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Coverage(Value):
    """What goes into a checksum, in order.

    Attributes:
        spans: ranges in the order in which they are read, regions already resolved.
        skip: holes: bytes that are passed over as if they were not there.
        own: how bytes of the checksum's own stored fields count where they lie inside: passed over (``skip``), as they
            are stored (``stored``), or as a given byte value.
        blocks: ranges read from the image, after ``spans``.
    """

    spans: tuple[Span, ...] = ()
    skip: tuple[Span, ...] = ()
    own: Literal["skip", "stored"] | int = "skip"
    blocks: BlockList | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class StoredField(Value):
    """Where a value rests; ``inverted``: all its bits are turned over there."""

    at: int
    size: int
    """in bytes"""
    byte_order: ByteOrder
    inverted: bool = False

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.at + self.size


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Checksum(Value):
    """One checksum.

    ``fields`` hold the result, all of them (copies, a value with its complement). With ``constant`` set, the one field
    is a compensation word instead: it is chosen so that the method over everything covered, the word included, comes
    out at the constant.
    """

    name: str
    method: Method
    coverage: Coverage
    fields: tuple[StoredField, ...]
    constant: int | None = None
    title: str = ""

    @property
    def own(self) -> Literal["skip", "stored"] | int:
        """How the checksum's own stored bytes count in what it covers."""
        return self.coverage.own if self.constant is None else "stored"

    @property
    def declared(self) -> tuple[Span, ...]:
        """The addresses whose bytes enter, in order, as far as no image is needed to know: without a block list."""
        return without(self.coverage.spans, self.holes)

    @property
    def holes(self) -> tuple[Span, ...]:
        """What is passed over: its holes, and its own fields if they are."""
        own = self.fields if self.own == "skip" else ()
        return (*self.coverage.skip, *(Span(start=field.at, stop=field.stop) for field in own))


def without(spans: Iterable[Span], holes: Iterable[Span]) -> tuple[Span, ...]:
    """What the holes leave of the spans, in the order of the spans; none of it empty."""
    ordered = sorted(holes, key=lambda hole: hole.start)
    kept = []
    for span in spans:
        start = span.start
        for hole in ordered:
            if hole.stop <= start or hole.start >= span.stop:
                continue
            if hole.start > start:
                kept.append(Span(start=start, stop=hole.start))
            start = max(start, hole.stop)
        if start < span.stop:
            kept.append(Span(start=start, stop=span.stop))
    return tuple(kept)
