"""Random checksums over random images, for the property tests."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from caldiff.crc import Crc, catalogue
from caldiff.definition.checksums import (
    Adler32,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Method,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import TYPES, ByteOrder

ORDERS: st.SearchStrategy[ByteOrder] = st.sampled_from(["big", "little"])
UNSIGNED = [TYPES[name] for name in ("u8", "u16", "u32")]
START = 0x00800000
SIZE = 1024
"""bytes of the image; checksums rest in its last quarter, each in a slot of its own"""
SLOT = 32


@st.composite
def crcs(draw: st.DrawFn) -> Crc:
    """A CRC of any parameters, or one from the catalogue."""
    if draw(st.booleans()):
        return draw(st.sampled_from(sorted(catalogue().items())))[1]
    width = draw(st.integers(3, 64))
    word = st.integers(0, (1 << width) - 1)
    return Crc(
        width=width,
        polynomial=draw(word) | 1,
        start=draw(word),
        reflect_in=draw(st.booleans()),
        reflect_out=draw(st.booleans()),
        final_xor=draw(word),
    )


@st.composite
def sums(draw: st.DrawFn) -> Sum:
    bits = draw(st.sampled_from([8, 12, 16, 24, 32, 64]))
    return Sum(
        word=draw(st.sampled_from(UNSIGNED)),
        byte_order=draw(ORDERS),
        bits=bits,
        start=draw(st.integers(0, (1 << bits) - 1)),
        complement=draw(st.sampled_from(["none", "ones", "twos"])),
    )


@st.composite
def xors(draw: st.DrawFn) -> Xor:
    word = draw(st.sampled_from(UNSIGNED))
    return Xor(word=word, byte_order=draw(ORDERS), start=draw(st.integers(0, word.highest)))


def digests() -> st.SearchStrategy[Method]:
    return st.one_of(
        st.just(Adler32()),
        st.builds(Fletcher, bits=st.sampled_from([16, 32]), byte_order=ORDERS),
        st.builds(Hash, name=st.sampled_from(["md5", "sha-1", "sha-256"])),
    )


def bits_of(method: Any) -> int:
    match method:
        case Crc(width=bits) | Sum(bits=bits) | Fletcher(bits=bits):
            return bits
        case Xor():
            return 8 * method.word.size
        case Adler32():
            return 32
        case _:
            return 8 * 8  # of a digest, its leading 8 bytes


@st.composite
def schemes(draw: st.DrawFn) -> list[Checksum]:
    """One to five checksums over the first three quarters, some over the fields of earlier ones."""
    found: list[Checksum] = []
    for number in range(draw(st.integers(1, 5))):
        method = draw(st.one_of(crcs(), sums(), xors(), digests()))
        slot = START + SIZE * 3 // 4 + SLOT * number
        size = -(-bits_of(method) // 8) + draw(st.sampled_from([0, 0, 0, 2]))
        inverted, order = draw(st.booleans()), draw(ORDERS)
        fields = [StoredField(at=slot, size=size, byte_order=order)]
        if draw(st.booleans()):
            fields.append(StoredField(at=slot + size, size=size, byte_order=order, inverted=inverted))
        spans = draw(st.lists(_spans(), min_size=1, max_size=3))
        if draw(st.booleans()) and found:
            under = draw(st.sampled_from(found)).fields[0].at
            spans.append(Span(start=under, stop=under + SLOT))
        if draw(st.booleans()):
            spans.append(Span(start=slot, stop=slot + SLOT))  # over its own field
        hole = draw(st.integers(0, 60))
        skip = (Span(start=START + 4 * hole, stop=START + 4 * hole + 8),) if draw(st.booleans()) else ()
        own: Any = draw(st.sampled_from(["skip", 0, 0xFF]))
        if sum(f.size for f in fields) % 4:
            own = 0xFF  # else what is left would be no whole number of words
        coverage = Coverage(spans=tuple(spans), skip=skip, own=own)
        found.append(Checksum(name=f"c{number}", method=method, coverage=coverage, fields=tuple(fields)))
    return draw(st.permutations(found))


@st.composite
def _spans(draw: st.DrawFn) -> Span:
    start = draw(st.integers(0, SIZE * 3 // 16 - 2))
    stop = draw(st.integers(start + 1, SIZE * 3 // 16))
    return Span(start=START + 4 * start, stop=START + 4 * stop)
