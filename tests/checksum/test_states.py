"""The state of an image's checksums, on images made by hand."""

from __future__ import annotations

import zlib
from typing import Any

import pytest

from caldiff.checksum.state import State, states
from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Hash, Opaque, Span, StoredField, Sum
from caldiff.definition.model import TYPES
from caldiff.errors import DefinitionError
from caldiff.image.model import Image

CRC = catalogue()["CRC-32/ISO-HDLC"]
DATA = bytes(range(200, 240))
VALUE = zlib.crc32(DATA)


def scheme(*fields: StoredField, method: Any = CRC, constant: int | None = None, **coverage: Any) -> Checksum:
    covers = Coverage(spans=(Span(start=0, stop=len(DATA)),), **coverage)
    return Checksum(name="c", method=method, coverage=covers, fields=fields, constant=constant)


def field(at: int = 0, size: int = 4, order: Any = "big", *, inverted: bool = False) -> StoredField:
    return StoredField(at=len(DATA) + at, size=size, byte_order=order, inverted=inverted)


def state(tail: bytes, checksum: Checksum) -> State:
    (found,) = states(Image.of(DATA + tail), [checksum])
    assert found.name == "c"
    return found


@pytest.mark.parametrize("order", ["big", "little"])
def test_valid_and_stale(order: Any) -> None:
    good = VALUE.to_bytes(4, order)
    found = state(good, scheme(field(order=order)))
    assert (found.status, found.stored, found.reckoned) == ("valid", (VALUE,), VALUE)
    assert found.spans == (Span(start=0, stop=len(DATA)),)
    bad = (VALUE ^ 0x100).to_bytes(4, order)
    found = state(bad, scheme(field(order=order)))
    assert (found.status, found.stored, found.reckoned) == ("stale", (VALUE ^ 0x100,), VALUE)


def test_a_value_with_its_complement() -> None:
    both = scheme(field(), field(4, inverted=True))
    good = VALUE.to_bytes(4, "big") + (VALUE ^ 0xFFFFFFFF).to_bytes(4, "big")
    assert state(good, both).status == "valid"
    assert state(good, both).stored == (VALUE, VALUE)
    assert state(good[:4] * 2, both).status == "stale"
    assert state(good[4:] * 2, both).status == "stale"


def test_copies_must_all_hold() -> None:
    copies = scheme(field(), field(4, order="little"))
    assert state(VALUE.to_bytes(4, "big") + VALUE.to_bytes(4, "little"), copies).status == "valid"
    assert state(VALUE.to_bytes(4, "big") * 2, copies).status == "stale"


def test_a_wide_field_has_zeros_in_front() -> None:
    wide = scheme(field(size=6))
    assert state(b"\0\0" + VALUE.to_bytes(4, "big"), wide).status == "valid"
    assert state(b"\0\1" + VALUE.to_bytes(4, "big"), wide).status == "stale"


def test_a_digest_in_a_short_field_keeps_its_leading_bytes() -> None:
    """RFC 1321: MD5 of nothing is d41d8cd98f00b204e9800998ecf8427e."""
    empty = Coverage(spans=(Span(start=0, stop=4),), skip=(Span(start=0, stop=4),))
    for order in ("big", "little"):
        where = StoredField(at=4, size=5, byte_order=order)
        digest = Checksum(name="c", method=Hash(name="md5"), coverage=empty, fields=(where,))
        held = bytes.fromhex("d41d8cd98f")
        (found,) = states(Image.of(bytes(4) + (held if order == "big" else held[::-1])), [digest])
        assert (found.status, found.stored) == ("valid", (0xD41D8CD98F,))


def test_a_compensation_word() -> None:
    total = Sum(word=TYPES["u16"], byte_order="big", bits=16)
    words = sum(int.from_bytes(DATA[n : n + 2], "big") for n in range(0, len(DATA), 2)) % 0x10000
    covers = Coverage(spans=(Span(start=0, stop=len(DATA) + 2),))
    word = Checksum(name="c", method=total, coverage=covers, fields=(field(size=2),), constant=0x1234)
    good = (0x1234 - words) % 0x10000
    found = state(good.to_bytes(2, "big"), word)
    assert (found.status, found.stored, found.reckoned) == ("valid", (good,), 0x1234)
    found = state((good + 1).to_bytes(2, "big"), word)
    assert (found.status, found.reckoned) == ("stale", 0x1235)


def test_an_opaque_value_is_not_verifiable() -> None:
    found = state(b"\x01\x02", scheme(field(size=2), method=Opaque(what="a signature")))
    assert (found.status, found.stored, found.reckoned) == ("not verifiable", (0x0102,), None)
    assert found.spans == (Span(start=0, stop=len(DATA)),)


def test_what_the_image_lacks_is_said_with_its_address() -> None:
    found = state(b"", scheme(field()))
    assert (found.status, found.address, found.reason) == ("unreadable", len(DATA), "the image has no byte here")
    assert (found.stored, found.reckoned) == ((), None)
    (found,) = states(Image.of(DATA[:5]), [scheme(field(-36))])
    assert (found.status, found.address) == ("unreadable", 8)  # 4 to 7 is its own field


def test_a_broken_word_is_unreadable() -> None:
    odd = Sum(word=TYPES["u16"], byte_order="big", bits=16)
    found = state(b"\0\0", scheme(field(size=2), method=odd, skip=(Span(start=0, stop=1),)))
    assert found.status == "unreadable"
    assert found.reason == "what is covered is no whole number of 2-byte words"


def test_states_come_in_the_order_given() -> None:
    one, two = (
        Checksum(name=name, method=CRC, coverage=Coverage(spans=(Span(start=0, stop=4),)), fields=(field(),))
        for name in ("z", "a")
    )
    assert [s.name for s in states(Image.of(DATA + bytes(4)), iter([one, two]))] == ["z", "a"]


def test_a_checksum_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(DefinitionError) as error:
        states(Image.of(DATA), [scheme(), scheme(field(size=2)), scheme(field(), own=256)])
    assert [p.reason for p in error.value.problems] == [
        "checksum c: it is stored nowhere",
        "checksum c: its field at 0x00000028 is too small: 32 bits do not fit 2 bytes",
        "checksum c: its own bytes cannot count as 256: a byte is 0 to 255",
        "two checksums are called c",
    ]
