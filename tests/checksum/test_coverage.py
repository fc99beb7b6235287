"""What is covered, by hand: an image whose every byte is known, ranges counted out on paper."""

from __future__ import annotations

from typing import Any

import pytest

from caldiff.checksum.coverage import covered, gather, places
from caldiff.definition.checksums import BlockList, Checksum, Coverage, Span, StoredField, Sum
from caldiff.definition.model import TYPES, StoredCount
from caldiff.errors import CaldiffError, ChecksumError, ImageError
from caldiff.image.model import Image, Segment

BYTES = Sum(word=TYPES["u8"], byte_order="big", bits=16)
IMAGE = Image.of(bytes(range(64)), start=0x100)


def checksum(*spans: tuple[int, int], at: int = 0x13E, constant: int | None = None, **coverage: Any) -> Checksum:
    ranges = tuple(Span(start=a, stop=b) for a, b in spans)
    field = StoredField(at=at, size=2, byte_order="big")
    return Checksum(
        name="c", method=BYTES, coverage=Coverage(spans=ranges, **coverage), fields=(field,), constant=constant
    )


def read(scheme: Checksum, image: Image = IMAGE) -> bytes:
    return bytes(gather(image, scheme, covered(image, scheme)))


def test_one_range() -> None:
    assert read(checksum((0x102, 0x105))) == b"\x02\x03\x04"


def test_one_plain_range_is_not_copied() -> None:
    scheme = checksum((0x100, 0x13E))
    data = gather(IMAGE, scheme, covered(IMAGE, scheme))
    assert data.obj is IMAGE.segments[0].data
    assert data.readonly


def test_ranges_come_in_the_order_written() -> None:
    assert read(checksum((0x110, 0x112), (0x100, 0x102))) == b"\x10\x11\x00\x01"


def test_ranges_that_overlap_count_as_often_as_they_are_written() -> None:
    assert read(checksum((0x100, 0x103), (0x102, 0x104))) == b"\x00\x01\x02\x02\x03"


def test_holes_are_passed_over() -> None:
    holes = (Span(start=0x104, stop=0x106), Span(start=0x101, stop=0x103), Span(start=0x102, stop=0x104))
    assert read(checksum((0x100, 0x108), skip=holes)) == b"\x00\x06\x07"


def test_a_hole_may_take_everything() -> None:
    assert read(checksum((0x100, 0x108), skip=(Span(start=0, stop=0x200),))) == b""


@pytest.mark.parametrize(
    ("own", "data"),
    [("skip", b"\x00\x03"), ("stored", b"\x00\x01\x02\x03"), (0xFF, b"\x00\xff\xff\x03"), (0, b"\x00\x00\x00\x03")],
)
def test_the_checksum_itself(own: Any, data: bytes) -> None:
    assert read(checksum((0x100, 0x104), at=0x101, own=own)) == data


@pytest.mark.parametrize(("own", "data"), [("skip", b"\x00"), (0xFF, b"\x00\xff")])
def test_the_checksum_itself_half_inside(own: Any, data: bytes) -> None:
    assert read(checksum((0x100, 0x102), at=0x101, own=own)) == data


def test_a_given_value_counts_wherever_the_checksum_is_covered() -> None:
    assert read(checksum((0x100, 0x104), (0x102, 0x105), at=0x102, own=0xEE)) == b"\x00\x01\xee\xee\xee\xee\x04"


def test_a_compensation_word_counts_as_it_is_stored() -> None:
    assert read(checksum((0x100, 0x104), at=0x101, constant=0)) == b"\x00\x01\x02\x03"


def test_places() -> None:
    spans = [Span(start=10, stop=14), Span(start=12, stop=13), Span(start=0, stop=13)]
    assert places(spans, 12) == [2, 4, 17]
    assert places(spans, 14) == []


def test_a_range_over_a_gap_is_an_error_with_its_address() -> None:
    image = Image(segments=(Segment(start=0, data=b"ab"), Segment(start=4, data=b"cd")))
    with pytest.raises(ImageError) as error:
        read(checksum((0, 6), at=8), image)
    assert error.value.address == 2


# ------------------------------------------------------------------------------------------------------- block lists


def listed(*pairs: tuple[int, int], blocks: dict[str, Any], size: int = 2, order: Any = "big") -> Checksum:
    assert pairs or blocks
    kept = {"at": 0x200, "type": TYPES[f"u{8 * size}"], "byte_order": order} | blocks
    return checksum(blocks=BlockList(**kept))


def image_with(*numbers: int, size: int = 2, order: Any = "big") -> Image:
    data = b"".join(n.to_bytes(size, order) for n in numbers)
    return Image(segments=(*IMAGE.segments, Segment(start=0x200, data=data)))


def test_a_counted_list() -> None:
    image = image_with(0x110, 0x111, 0x100, 0x100, 0x120, 0x125)
    assert read(listed(blocks={"count": 2}), image) == b"\x10\x11\x00"


def test_a_list_whose_ends_are_not_covered() -> None:
    image = image_with(0x110, 0x112, 0x100, 0x100)
    assert read(listed(blocks={"count": 2, "last": False}), image) == b"\x10\x11"


def test_a_terminated_list_in_the_other_byte_order() -> None:
    image = image_with(0x110, 0x111, 0x120, 0x120, 0xFFFFFFFF, 0, size=4, order="little")
    scheme = listed(blocks={"terminator": 0xFFFFFFFF}, size=4, order="little")
    assert read(scheme, image) == b"\x10\x11\x20"


def test_the_end_of_a_terminated_list_needs_no_pair() -> None:
    assert read(listed(blocks={"terminator": 0xFFFF}), image_with(0x110, 0x111, 0xFFFF)) == b"\x10\x11"


def test_a_list_with_its_count_beside_it() -> None:
    count = StoredCount(at=0x200, type=TYPES["u16"], byte_order="big")
    image = image_with(2, 0x110, 0x111, 0x100, 0x100, 0x120, 0x120)
    assert read(listed(blocks={"at": 0x202, "count": count}), image) == b"\x10\x11\x00"


def test_ranges_come_before_the_list() -> None:
    blocks = BlockList(at=0x200, type=TYPES["u16"], byte_order="big", count=1)
    assert read(checksum((0x130, 0x131), blocks=blocks), image_with(0x100, 0x100)) == b"\x30\x00"


COUNT = StoredCount(at=0x200, type=TYPES["u16"], byte_order="big")
BAD_LISTS = [
    ((0x110, 0x111), {"count": 2}, 0x204, "the block list runs out of the image"),
    ((0x110,), {"count": 1}, 0x202, "the block list runs out of the image"),
    ((0x111, 0x10F), {"count": 1}, 0x200, "block 1 of the list ends before it starts"),
    ((0x111, 0x110), {"count": 1, "last": False}, 0x200, "block 1 of the list ends before it starts"),
    (
        (0x110, 0x110, 0x130, 0x140),
        {"count": 2},
        0x204,
        "block 2 of the list names addresses that the image does not hold",
    ),
    ((0x110, 0x110) * 3, {"terminator": 0xFFFF, "most": 3}, 0x200, "the list has no end within 3 blocks"),
    ((0x110, 0x110) * 3, {"terminator": 0xFFFF}, 0x20C, "the block list runs out of the image"),
    ((300, 0x110, 0x110), {"at": 0x202, "count": COUNT}, 0x200, "the list is longer than it may be"),
    (
        (0x100, 0x13F) * 8,
        {"count": 8},
        0x100,
        "the checksum covers the same bytes over and over",
    ),
]


@pytest.mark.parametrize(("numbers", "blocks", "address", "reason"), BAD_LISTS)
def test_a_bad_list_is_an_error_with_its_address(
    numbers: tuple[int, ...], blocks: dict[str, Any], address: int, reason: str
) -> None:
    with pytest.raises(CaldiffError) as error:
        read(listed(blocks=blocks), image_with(*numbers))
    assert isinstance(error.value, ChecksumError | ImageError)
    assert (error.value.reason, error.value.address) == (reason, address)
