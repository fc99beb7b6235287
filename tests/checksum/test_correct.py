"""Correction: laws over random schemes, and the cases that need an equation solved."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Any

import pytest
from checksum_schemes import ORDERS, SIZE, START, crcs, schemes, sums, xors
from hypothesis import given
from hypothesis import strategies as st

from caldiff.checksum.correct import correct
from caldiff.checksum.state import states
from caldiff.crc import Crc, catalogue
from caldiff.definition.checksum_order import in_order
from caldiff.definition.checksums import (
    BlockList,
    Checksum,
    Coverage,
    Hash,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import TYPES
from caldiff.errors import ChecksumError, DefinitionError
from caldiff.image.model import Image

CRC32 = catalogue()["CRC-32/ISO-HDLC"]
CRC16 = catalogue()["CRC-16/IBM-3740"]
U16_SUM = Sum(word=TYPES["u16"], byte_order="big", bits=16)


def noise(seed: int, size: int = SIZE) -> Image:
    return Image.of(random.Random(seed).randbytes(size), start=START)


def status(image: Image, checksums: list[Checksum]) -> set[str]:
    return {s.status for s in states(image, checksums)}


def changed(before: Image, after: Image) -> set[int]:
    pairs = zip(before.segments[0].data, after.segments[0].data, strict=True)
    return {before.start + n for n, (a, b) in enumerate(pairs) if a != b}


def plain(name: str, start: int, stop: int, at: int, method: Any = CRC32, **other: Any) -> Checksum:
    spans = (Span(start=START + start, stop=START + stop),)
    size = other.pop("size", 4)
    own = other.pop("own", "skip")
    field = StoredField(at=START + at, size=size, byte_order=other.pop("byte_order", "big"))
    return Checksum(name=name, method=method, coverage=Coverage(spans=spans, own=own), fields=(field,), **other)


# --------------------------------------------------------------------------------------------------------------- laws


@given(schemes(), st.integers(0, 2**32))
def test_what_is_corrected_holds_and_only_fields_change(checksums: list[Checksum], seed: int) -> None:
    image = noise(seed)
    corrected = correct(image, checksums)
    assert status(corrected, checksums) == {"valid"}
    assert changed(image, corrected) <= {a for c in checksums for f in c.fields for a in range(f.at, f.stop)}
    assert correct(corrected, reversed(checksums)) == corrected


@given(schemes(), st.integers(0, 2**32), st.data())
def test_a_changed_byte_under_a_crc_makes_it_stale(checksums: list[Checksum], seed: int, drawn: st.DataObject) -> None:
    image = correct(noise(seed), checksums)
    covered = [s for s in states(image, checksums) if isinstance(s.checksum.method, Crc) and len(s.spans) == 1]
    for state in covered:
        at = drawn.draw(st.integers(state.spans[0].start, state.spans[0].stop - 1))
        if any(f.at <= at < f.stop for f in state.checksum.fields):
            continue
        bit = 1 << drawn.draw(st.integers(0, 7))
        broken = image.patched({at: bytes([image.read(at, 1)[0] ^ bit])})
        assert states(broken, [state.checksum])[0].status == "stale"


@given(st.one_of(crcs(), sums(), xors()), ORDERS, st.booleans(), st.integers(0, 2**32), st.data())
def test_compensation_words(method: Any, order: Any, inverted: bool, seed: int, drawn: st.DataObject) -> None:
    """Anywhere that the words of the method allow, in either byte order."""
    if isinstance(method, Sum):
        bits = 8 * method.word.size
        method = Sum(word=method.word, byte_order=method.byte_order, bits=bits, complement=method.complement)
    else:
        bits = method.width if isinstance(method, Crc) else 8 * method.word.size
    size = -(-bits // 8)
    at = START + 4 * drawn.draw(st.integers(0, 100))
    constant = drawn.draw(st.integers(0, (1 << bits) - 1))
    spans = (Span(start=START, stop=START + SIZE),)
    field = StoredField(at=at, size=size, byte_order=order, inverted=inverted)
    checksum = Checksum(name="c", method=method, coverage=Coverage(spans=spans), fields=(field,), constant=constant)
    image = noise(seed)
    corrected = correct(image, [checksum])
    assert states(corrected, [checksum])[0].reckoned == constant
    assert changed(image, corrected) <= set(range(at, at + size))
    assert correct(corrected, [checksum]) == corrected


@given(st.one_of(crcs(), xors()), st.booleans(), st.integers(0, 2**32))
def test_a_value_that_covers_itself(method: Any, both: bool, seed: int) -> None:
    """Where there is one at all, it is found; with its complement beside it the sums do not feel it."""
    bits = method.width if isinstance(method, Crc) else 8 * method.word.size
    size = max(-(-bits // 8), 4)
    fields = [StoredField(at=START + 64, size=size, byte_order="big")]
    if both:
        fields.append(StoredField(at=START + 64 + size, size=size, byte_order="big", inverted=True))
    coverage = Coverage(spans=(Span(start=START, stop=START + SIZE),), own="stored")
    checksum = Checksum(name="c", method=method, coverage=coverage, fields=tuple(fields))
    try:
        corrected = correct(noise(seed), [checksum])
    except ChecksumError as error:
        assert "no value" in error.reason  # noqa: PT017 - either way is right, but only this error
    else:
        assert status(corrected, [checksum]) == {"valid"}


@given(sums(), st.integers(0, 2**32))
def test_a_sum_over_its_own_value_and_complement(method: Sum, seed: int) -> None:
    """Value and complement add up to a constant, so both may be summed with the rest: common practice, no source."""
    bits = 8 * method.word.size
    method = Sum(word=method.word, byte_order=method.byte_order, bits=bits, complement=method.complement)
    size = method.word.size
    fields = tuple(
        StoredField(at=START + 64 + n * size, size=size, byte_order=method.byte_order, inverted=bool(n)) for n in (0, 1)
    )
    coverage = Coverage(spans=(Span(start=START, stop=START + SIZE),), own="stored")
    checksum = Checksum(name="c", method=method, coverage=coverage, fields=fields)
    assert status(correct(noise(seed), [checksum]), [checksum]) == {"valid"}


# --------------------------------------------------------------------------------------------------- by hand, and order


def test_a_sum_by_hand() -> None:
    image = Image.of(bytes.fromhex("0001 0002 FFFF 1234"), start=START)
    word = plain("c", 0, 8, 6, U16_SUM, size=2, constant=0)
    assert correct(image, [word]).segments[0].data.hex() == "00010002fffffffe"
    value = plain("c", 0, 6, 6, U16_SUM, size=2)
    assert correct(image, [value]).segments[0].data.hex() == "00010002ffff0002"


def test_a_compensation_word_covered_twice() -> None:
    """2 w + 6 = 0x0010 modulo 0x10000, so w = 5; an odd constant has no word."""
    image = Image.of(bytes.fromhex("0001 0002 1234"), start=START)
    spans = (Span(start=START, stop=START + 6),) * 2
    field = StoredField(at=START + 4, size=2, byte_order="big")
    word = Checksum(name="c", method=U16_SUM, coverage=Coverage(spans=spans), fields=(field,), constant=0x10)
    assert correct(image, [word]).read(START + 4, 2) in {b"\x00\x05", b"\x80\x05"}
    odd = Checksum(name="c", method=U16_SUM, coverage=Coverage(spans=spans), fields=(field,), constant=0x11)
    with pytest.raises(ChecksumError, match="no value that could be stored here"):
        correct(image, [odd])


def test_nested_checksums_in_any_order() -> None:
    inner = plain("inner", 0, 100, 100)
    middle = plain("middle", 96, 200, 200, CRC16, size=2, byte_order="little")
    outer = plain("outer", 0, 512, 512, U16_SUM, size=2)
    for checksums in ([inner, middle, outer], [outer, middle, inner], [middle, outer, inner]):
        assert status(correct(noise(1), checksums), checksums) == {"valid"}


def test_a_circle_is_named() -> None:
    one, two, three = (
        plain("one", 0, 100, 300),
        plain("two", 300, 304, 400),
        plain("three", 400, 404, 50),
    )
    with pytest.raises(DefinitionError) as error:
        correct(noise(1), [one, two, three])
    text = error.value.reason
    assert text.startswith("checksums cover one another in a circle: ")
    steps = text.partition(": ")[2].split(", which covers the field of ")
    assert steps[0] == steps[-1]
    assert list(pairwise(steps)) in [
        [("one", "three"), ("three", "two"), ("two", "one")],
        [("two", "one"), ("one", "three"), ("three", "two")],
        [("three", "two"), ("two", "one"), ("one", "three")],
    ]


def test_a_checksum_over_its_own_field_is_no_circle() -> None:
    one = plain("one", 0, 512, 100)
    assert in_order([one], {"one": one.coverage.spans}) == (one,)


def test_a_block_list_may_name_another_checksums_field() -> None:
    """The order then follows from the image, not from the definition."""
    blocks = BlockList(at=START, type=TYPES["u32"], byte_order="big", count=2)
    field = StoredField(at=START + 600, size=4, byte_order="big")
    outer = Checksum(name="a", method=CRC32, coverage=Coverage(blocks=blocks), fields=(field,))
    inner = plain("b", 64, 128, 500)
    pairs = (START + 32, START + 63, START + 500, START + 503)
    image = noise(3).patched({START: b"".join(p.to_bytes(4, "big") for p in pairs)})
    assert status(correct(image, [outer, inner]), [outer, inner]) == {"valid"}


def test_opaque_fields_stay_and_are_covered_like_any_byte() -> None:
    signature = plain("signature", 0, 512, 600, Opaque(what="a signature"), size=64)
    crc = plain("crc", 600, 664, 700)
    image = noise(4)
    corrected = correct(image, [crc, signature])
    assert [s.status for s in states(corrected, [crc, signature])] == ["valid", "not verifiable"]
    assert changed(image, corrected) <= set(range(START + 700, START + 704))


def test_a_valid_image_comes_back_as_it_is() -> None:
    image = correct(noise(5), [plain("c", 0, 100, 100)])
    assert correct(image, [plain("c", 0, 100, 100)]) is image


# ------------------------------------------------------------------------------------------------------------ refusals


def test_what_cannot_be_read_is_not_corrected() -> None:
    with pytest.raises(ChecksumError, match="checksum c cannot be corrected: the image has no byte here") as error:
        correct(noise(1), [plain("b", 0, 10, 20), plain("c", 0, SIZE + 4, 100)])
    assert error.value.address == START + SIZE


def test_a_compensation_word_outside() -> None:
    with pytest.raises(ChecksumError, match="checksum c: the compensation word is not among what is covered"):
        correct(noise(1), [plain("c", 0, 100, 100, constant=1)])


def test_a_word_too_narrow_for_the_constant() -> None:
    wide = Sum(word=TYPES["u8"], byte_order="big", bits=32)
    with pytest.raises(ChecksumError, match="no value that could be stored here"):
        correct(noise(1), [plain("c", 0, 512, 100, wide, size=2, constant=0xFFFFFFFF)])


def test_two_checksums_in_one_field() -> None:
    with pytest.raises(ChecksumError, match="does not hold after correction"):
        correct(noise(1), [plain("one", 0, 100, 512), plain("two", 100, 200, 512)])


@pytest.mark.parametrize(
    ("checksum", "fault"),
    [
        (plain("c", 0, 8, 8, Hash(name="md5"), constant=0), "only a sum, an exclusive or and a CRC"),
        (plain("c", 0, 8, 8, Hash(name="md5"), own="stored"), "its own bytes cannot count as stored"),
        (plain("c", 0, 8, 8, constant=1 << 32), "the constant 0x100000000 does not fit 32 bits"),
        (plain("c", 8, 8, 8), "holds nothing"),
        (plain("c", 0, 8, 8, size=0), "its field at 0x00800008 holds nothing"),
        (plain("c", 0, 8, 8, Xor(word=TYPES["i16"], byte_order="big")), "unsigned type, not i16"),
        (plain("c", 0, 8, 8, Xor(word=TYPES["u8"], byte_order="big", start=256)), "0x100 does not fit 8 bits"),
        (plain("c", 0, 8, 8, Sum(word=TYPES["u8"], byte_order="big", bits=7)), "8 to 64 bits, not 7"),
        (plain("c", 0, 8, 8, Sum(word=TYPES["u8"], byte_order="big", bits=8, start=-1)), "does not fit 8 bits"),
    ],
)
def test_faults(checksum: Checksum, fault: str) -> None:
    with pytest.raises(DefinitionError, match=fault):
        correct(noise(1), [checksum])


@pytest.mark.parametrize(
    ("parameters", "fault"),
    [
        ({"width": 2}, "3 to 64 bits, not 2"),
        ({"width": 65}, "3 to 64 bits, not 65"),
        ({"polynomial": 0xEDB88320}, "polynomial is odd"),
        ({"start": 1 << 32}, "the start 0x100000000 does not fit 32 bits"),
        ({"final_xor": -1}, "the final xor 0x-1 does not fit 32 bits"),
    ],
)
def test_faulty_parameters(parameters: dict[str, int], fault: str) -> None:
    good = {
        "width": 32,
        "polynomial": 0x04C11DB7,
        "start": 0,
        "reflect_in": True,
        "reflect_out": True,
        "final_xor": 0,
    }
    crc = Crc(**(good | parameters))  # type: ignore[arg-type]
    with pytest.raises(DefinitionError, match=fault):
        correct(noise(1), [plain("c", 0, 8, 8, crc, size=9)])


def test_two_fields_that_overlap() -> None:
    spans = (Span(start=START, stop=START + 8),)
    fields = tuple(StoredField(at=START + at, size=4, byte_order="big") for at in (10, 12))
    with pytest.raises(DefinitionError, match="two of its fields overlap"):
        correct(noise(1), [Checksum(name="c", method=CRC32, coverage=Coverage(spans=spans), fields=fields)])
