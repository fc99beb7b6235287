"""What a checksum covers in one image: the addresses in order, and their bytes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from caldiff.definition.checksums import BlockList, Checksum, Span, without
from caldiff.definition.model import ByteOrder
from caldiff.errors import ChecksumError, ImageError
from caldiff.image.model import Image

__all__ = ["covered", "gather", "list_places", "places"]

_TIMES = 4
"""A definition, or a block list, that covers the same bytes over and over must not fill the memory."""


def covered(image: Image, checksum: Checksum) -> tuple[Span, ...]:
    """The addresses whose bytes enter the checksum, in the order in which they do, none empty.

    Holes are taken out, and the checksum's own fields where they are to be passed over. Where ranges overlap, the bytes
    enter as often as they are listed.

    Raises:
        ImageError: a byte is not in the image, the block list included.
        ChecksumError: the block list makes no sense, or far more is covered than the image holds.
    """
    blocks = checksum.coverage.blocks
    if blocks is None:
        kept = checksum.declared
    else:
        kept = without((*checksum.coverage.spans, *_listed(image, blocks)), checksum.holes)
    for span in kept:
        image.view(span.start, span.stop)
    total = sum(span.size for span in kept)
    if total > _TIMES * image.size:
        raise ChecksumError(
            "the checksum covers the same bytes over and over",
            address=kept[0].start,
            expected=f"at most {_TIMES} times the {image.size} bytes of the image",
            got=f"{total} bytes",
        )
    return kept


def gather(image: Image, checksum: Checksum, spans: Sequence[Span]) -> memoryview:
    """The bytes of the spans that :func:`covered` gave, read-only; without a copy where there is but one.

    The checksum's own fields count as the definition says.

    Raises:
        ImageError: a byte is not in the image.
    """
    if isinstance(checksum.own, int):
        inside = [place for f in checksum.fields for address in range(f.at, f.stop) for place in places(spans, address)]
        if inside:
            data = bytearray().join(image.view(s.start, s.stop) for s in spans)
            for place in inside:
                data[place] = checksum.own
            return memoryview(data).toreadonly()
    if len(spans) == 1:
        return image.view(spans[0].start, spans[0].stop)
    return memoryview(b"".join(image.view(s.start, s.stop) for s in spans))


def places(spans: Iterable[Span], address: int) -> list[int]:
    """Where the byte of an address stands among the bytes of the spans: at no, one or several offsets."""
    found, at = [], 0
    for span in spans:
        if span.start <= address < span.stop:
            found.append(at + address - span.start)
        at += span.size
    return found


# ------------------------------------------------------------------------------------------------------- block lists


def list_places(image: Image, blocks: BlockList) -> tuple[Span, ...]:
    """Where the list itself stands: what has a part in which bytes are covered. Raises like :func:`covered`."""
    count = len(tuple(_listed(image, blocks))) + (blocks.count is None)
    stop = blocks.at + 2 * blocks.type.size * count - (blocks.type.size if blocks.count is None else 0)
    where = (Span(start=blocks.at, stop=stop),)
    if blocks.count is None or isinstance(blocks.count, int):
        return where
    return (*where, Span(start=blocks.count.at, stop=blocks.count.stop))


def _listed(image: Image, blocks: BlockList) -> Iterator[Span]:
    """The ranges that the image's own list names."""
    size = blocks.type.size
    count = _count(image, blocks)
    for number in range(blocks.most if count is None else count):
        at = blocks.at + 2 * size * number
        start = _number(image, at, size, blocks.byte_order)
        if count is None and start == blocks.terminator:
            return
        stop = _number(image, at + size, size, blocks.byte_order) + blocks.last
        if stop < start:
            raise ChecksumError(
                f"block {number + 1} of the list ends before it starts",
                address=at,
                expected=f"an end from 0x{start - blocks.last:08X}",
                got=f"0x{stop - blocks.last:08X}",
            )
        if not image.holds(start, stop):
            raise ChecksumError(
                f"block {number + 1} of the list names addresses that the image does not hold",
                address=at,
                got=f"0x{start:08X} to 0x{stop - 1:08X}",
            )
        yield Span(start=start, stop=stop)
    if count is None:
        raise ChecksumError(
            f"the list has no end within {blocks.most} blocks",
            address=blocks.at,
            expected=f"a start of 0x{blocks.terminator or 0:0{2 * size}X} to end it",
        )


def _count(image: Image, blocks: BlockList) -> int | None:
    """The number of blocks, or None for a list that ends with its terminator."""
    if blocks.count is None or isinstance(blocks.count, int):
        return blocks.count
    where = blocks.count
    count = _number(image, where.at, where.type.size, where.byte_order)
    if count > blocks.most:
        raise ChecksumError(
            "the list is longer than it may be", address=where.at, expected=f"at most {blocks.most}", got=str(count)
        )
    return count


def _number(image: Image, at: int, size: int, byte_order: ByteOrder) -> int:
    try:
        return int.from_bytes(image.view(at, at + size), byte_order)
    except ImageError as error:
        raise ImageError("the block list runs out of the image", address=at) from error
