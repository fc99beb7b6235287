"""Any checksum over any image: only caldiff's own errors, in bounded time and memory."""

from __future__ import annotations

import tracemalloc
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.checksum.correct import correct
from caldiff.checksum.state import states
from caldiff.crc import Crc
from caldiff.definition.checksums import (
    Adler32,
    BlockList,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import TYPES, StoredCount
from caldiff.errors import CaldiffError, ChecksumError
from caldiff.image.model import Image, Segment

ORDERS = st.sampled_from(["big", "little"])
ANY_TYPE = st.sampled_from([TYPES[n] for n in ("u8", "u16", "u32", "u64", "i16", "f32")])
NEAR = st.integers(-2, 140)
NUMBERS = st.one_of(st.integers(-1, 300), st.integers(-1, 2**65))


def methods() -> st.SearchStrategy[Any]:
    return st.one_of(
        st.builds(
            Crc,
            width=st.integers(0, 70),
            polynomial=NUMBERS,
            start=NUMBERS,
            reflect_in=st.booleans(),
            reflect_out=st.booleans(),
            final_xor=NUMBERS,
        ),
        st.builds(
            Sum,
            word=ANY_TYPE,
            byte_order=ORDERS,
            bits=st.integers(0, 70),
            start=NUMBERS,
            complement=st.sampled_from(["none", "ones", "twos"]),
        ),
        st.builds(Xor, word=ANY_TYPE, byte_order=ORDERS, start=NUMBERS),
        st.builds(Fletcher, bits=st.sampled_from([16, 32]), byte_order=ORDERS),
        st.builds(Hash, name=st.sampled_from(["md5", "sha-1", "sha-256"])),
        st.just(Adler32()),
        st.builds(Opaque, what=st.text(max_size=5)),
    )


SPANS = st.lists(st.builds(Span, start=NEAR, stop=NEAR), max_size=4).map(tuple)
COUNTS = st.one_of(st.none(), NUMBERS, st.builds(StoredCount, at=NEAR, type=ANY_TYPE, byte_order=ORDERS))
BLOCKS = st.builds(
    BlockList,
    at=NEAR,
    type=ANY_TYPE,
    byte_order=ORDERS,
    count=COUNTS,
    terminator=st.one_of(st.none(), NUMBERS),
    last=st.booleans(),
    most=st.integers(-1, 5000),
)
COVERAGES = st.builds(
    Coverage,
    spans=SPANS,
    skip=SPANS,
    own=st.one_of(st.sampled_from(["skip", "stored"]), st.integers(-1, 256)),
    blocks=st.one_of(st.none(), BLOCKS),
)
FIELDS = st.lists(
    st.builds(StoredField, at=NEAR, size=st.integers(-1, 12), byte_order=ORDERS, inverted=st.booleans()), max_size=3
).map(tuple)
CHECKSUMS = st.builds(
    Checksum,
    name=st.sampled_from("abcdef"),
    method=methods(),
    coverage=COVERAGES,
    fields=FIELDS,
    constant=st.one_of(st.none(), NUMBERS),
)
IMAGES = st.one_of(
    st.binary(max_size=130).map(Image.of),
    st.tuples(st.binary(max_size=40), st.binary(max_size=60)).map(
        lambda parts: Image(segments=(Segment(start=0, data=parts[0]), Segment(start=50, data=parts[1])))
    ),
)


@given(IMAGES, st.lists(CHECKSUMS, max_size=4))
def test_anything_at_all(image: Image, checksums: list[Checksum]) -> None:
    for work in (states, correct):
        try:
            work(image, checksums)
        except CaldiffError:
            continue


@given(st.binary(min_size=120, max_size=130).map(Image.of), st.lists(CHECKSUMS, min_size=1, max_size=4))
def test_one_at_a_time(image: Image, checksums: list[Checksum]) -> None:
    """Most whole lists are refused for one fault; alone, many more get through to the reckoning."""
    for checksum in checksums:
        try:
            corrected = correct(image, [checksum])
        except CaldiffError:
            continue
        assert states(corrected, [checksum])[0].status in {"valid", "not verifiable"}


@pytest.mark.parametrize("entry", [b"\0\0\0\0\0\x0f\xff\xff", b"\0\0\0\0\0\0\0\0"])
def test_a_list_that_names_the_whole_image_over_and_over(entry: bytes) -> None:
    """4,096 pairs, each of all of it or of one byte: an answer in little memory."""
    image = Image.of(entry * (2**20 // 8))
    blocks = BlockList(at=0, type=TYPES["u32"], byte_order="big", count=4096, most=4096)
    field = StoredField(at=0x100, size=4, byte_order="big")
    checksum = Checksum(name="c", method=Adler32(), coverage=Coverage(blocks=blocks), fields=(field,))
    tracemalloc.start()
    (state,) = states(image, [checksum])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 * 2**20
    if entry[-1]:
        assert state.reason == "the checksum covers the same bytes over and over"
        with pytest.raises(ChecksumError):
            correct(image, [checksum])
    else:
        assert state.status == "stale"
