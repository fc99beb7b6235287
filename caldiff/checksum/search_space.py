"""What a search for checksums tries: methods, places where a value may rest, and images side by side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from itertools import product
from math import inf, log2

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.checksum.prefixes import Searchable, unit_of
from caldiff.crc import catalogue
from caldiff.definition.checksum_faults import method_bits
from caldiff.definition.checksums import Adler32, Fletcher, Span, Sum, Xor
from caldiff.definition.model import TYPES, ByteOrder, Region
from caldiff.errors import UsageError
from caldiff.image.model import Image

__all__ = ["Area", "Places", "field_size", "methods", "shared_spans"]

Addresses = npt.NDArray[np.int64]
Words = npt.NDArray[np.uint64]

_NARROWEST = 8
"""bits; anything narrower is met by chance everywhere"""
_EDGE = 64
"""bytes at either end of an area, inside and outside, where a checksum is likeliest"""
_DIFFERING = 65536
"""places; where images differ in more, they are no revisions of one another, and only likely places are tried"""


def methods() -> tuple[Searchable, ...]:
    """Every method that is tried: catalogue CRCs, sums, exclusive ors, Adler-32, Fletcher."""
    found: list[Searchable] = [crc for crc in catalogue().values() if crc.width >= _NARROWEST]
    words: list[tuple[str, ByteOrder]] = [
        ("u8", "big"),
        ("u16", "big"),
        ("u16", "little"),
        ("u32", "big"),
        ("u32", "little"),
    ]
    for (name, order), bits in product(words, (8, 16, 32)):
        if bits >= 8 * TYPES[name].size:
            found += [
                Sum(word=TYPES[name], byte_order=order, bits=bits, complement=complement)
                for complement in ("none", "ones", "twos")
            ]
    # words of the other order give the same exclusive or, stored in the other order
    found += [Xor(word=TYPES[n], byte_order=o, start=s) for n, o in words if o == "big" for s in (0, TYPES[n].highest)]
    return (*found, Adler32(), Fletcher(bits=16), Fletcher(bits=32, byte_order="big"), Fletcher(bits=32))


def field_size(method: Searchable) -> int:
    """Bytes that the result is stored in: 1, 2, 4 or 8."""
    needed = -(-(method_bits(method) or 0) // 8)
    return next(size for size in (1, 2, 4, 8) if size >= needed)


def shared_spans(images: Sequence[Image]) -> tuple[Span, ...]:
    """What every image holds, in order of address."""
    common = [Span(start=s.start, stop=s.stop) for s in images[0]]
    for image in images[1:]:
        common = [
            Span(start=max(c.start, s.start), stop=min(c.stop, s.stop))
            for c in common
            for s in image
            if c.start < s.stop and s.start < c.stop
        ]
    if not common:
        raise UsageError("the images have no address in common")
    return tuple(common)


@attrs.frozen(kw_only=True, eq=False)
class Area:
    """A region in all the images.

    Attributes:
        data: its bytes in every image.
        novel: for every image, from which length on its prefix differs from those of all images before it (beyond the
            area's size where it never does).
    """

    region: Region
    data: tuple[memoryview, ...]
    novel: tuple[int, ...]

    @classmethod
    def of(cls, region: Region, images: Sequence[Image]) -> Area:
        """The region, which every image holds."""
        data = tuple(image.view(region.start, region.stop) for image in images)
        novel = [0] + [max(_first_difference(data[n], other) for other in data[:n]) + 1 for n in range(1, len(data))]
        return cls(region=region, data=data, novel=tuple(novel))

    @property
    def size(self) -> int:
        """Bytes."""
        return self.region.size

    def distinct(self, end: int) -> list[int]:
        """The images whose first ``end`` bytes differ from those of all images before them."""
        return [n for n, length in enumerate(self.novel) if length <= end]

    def ends(self, method: Searchable) -> int:
        """How many prefixes are tried."""
        return self.size // unit_of(method)


def _first_difference(one: memoryview, two: memoryview) -> int:
    differing = np.frombuffer(one, np.uint8) != np.frombuffer(two, np.uint8)
    return int(differing.argmax()) if differing.any() else len(one)


@attrs.frozen(kw_only=True, eq=False)
class Places:
    """Addresses where a value of ``size`` bytes may rest.

    Attributes:
        likely: at the edges of areas and images, and in regions for checksums.
        differing: where the images do not all hold the same, at even addresses.
    """

    images: tuple[Image, ...]
    spans: tuple[Span, ...]
    size: int
    likely: Addresses
    differing: Addresses

    @classmethod
    def of(cls, images: Sequence[Image], spans: Sequence[Span], regions: Iterable[Region], size: int) -> Places:
        """All places within the spans, which every image holds."""
        regions = tuple(regions)
        edges = [edge for s in spans for edge in (s.start, s.stop)] + [e for r in regions for e in (r.start, r.stop)]
        near = [Span(start=edge - _EDGE, stop=edge + _EDGE) for edge in edges]
        near += [Span(start=r.start, stop=min(r.stop, r.start + 4096)) for r in regions if r.role == "checksum"]
        likely = np.unique(np.concatenate([np.arange(s.start, s.stop) for s in near]))
        step = min(size, 2)
        differing = np.concatenate([_differing(images, span, size) for span in spans])
        differing = differing[differing % step == 0]
        if differing.size > _DIFFERING:
            differing = differing[:0]
        likely = likely[_held(likely, spans, size) & (likely % step == 0)]
        return cls(images=tuple(images), spans=tuple(spans), size=size, likely=likely, differing=differing)

    def held(self, addresses: Addresses) -> npt.NDArray[np.bool_]:
        """Whether every image holds a whole value there."""
        return _held(addresses, self.spans, self.size)

    @cached_property
    def all(self) -> Addresses:
        """Both kinds, in order."""
        return np.union1d(self.likely, self.differing)

    def bits_of_value(self, value: int, byte_order: ByteOrder) -> float:
        """How surprising the value is at a place of the first image: erased memory is full of one and the same.

        Infinite where the value stands but once.
        """
        count = total = 0
        for segment in self.images[0].segments:
            whole = len(segment.data) // self.size
            found = np.frombuffer(segment.data, f"{'>' if byte_order == 'big' else '<'}u{self.size}", whole)
            count += int(np.count_nonzero(found == value))
            total += whole
        return log2(total / (count - 1)) if count > 1 else inf

    def words(self, image: int, byte_order: ByteOrder, addresses: Addresses) -> Words:
        """What an image holds at the addresses; every one of them is held."""
        found = np.zeros(addresses.shape, np.uint64)
        for segment in self.images[image]:
            low, high = np.searchsorted(addresses, [segment.start, segment.stop])
            data = np.frombuffer(segment.data, np.uint8)
            offsets = addresses[low:high] - segment.start
            for n in range(self.size):
                byte = data[offsets + (n if byte_order == "big" else self.size - 1 - n)]
                found[low:high] = found[low:high] << np.uint64(8) | byte
        return found


def _held(addresses: Addresses, spans: Iterable[Span], size: int) -> npt.NDArray[np.bool_]:
    kept = np.zeros(addresses.shape, bool)
    for span in spans:
        kept |= (addresses >= span.start) & (addresses <= span.stop - size)
    return kept


def _differing(images: Sequence[Image], span: Span, size: int) -> Addresses:
    """Where a word of the size is not the same in all the images."""
    parts = _arrays(images, span)
    first = next(parts)
    differs = np.zeros(span.size, bool)
    for other in parts:
        differs |= first != other
    reach = span.size - size + 1
    if reach <= 0:
        return np.empty(0, np.int64)
    found = np.zeros(reach, bool)
    for n in range(size):
        found |= differs[n : n + reach]
    return np.flatnonzero(found).astype(np.int64) + span.start


def _arrays(images: Iterable[Image], span: Span) -> Iterator[npt.NDArray[np.uint8]]:
    return (np.frombuffer(image.view(span.start, span.stop), np.uint8) for image in images)
