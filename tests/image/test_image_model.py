from __future__ import annotations

import pytest

from caldiff.canonical import Digest
from caldiff.errors import ImageError, UsageError
from caldiff.image.model import Image, Segment, Source


def two() -> Image:
    return Image(segments=(Segment(start=0x20, data=b"world"), Segment(start=0x10, data=b"hello")))


def test_segments_come_in_order_and_neighbours_are_joined() -> None:
    image = Image(segments=(Segment(start=8, data=b"cd"), Segment(start=4, data=b"ab"), Segment(start=6, data=b"xy")))
    assert image.segments == (Segment(start=4, data=b"abxycd"),)


def test_overlap_is_refused() -> None:
    with pytest.raises(ImageError, match="overlap"):
        Image(segments=(Segment(start=0, data=b"abc"), Segment(start=2, data=b"c")))


def test_what_runs_beyond_63_bits_is_refused() -> None:
    assert Image.of(b"ab", start=(1 << 63) - 2).stop == 1 << 63
    with pytest.raises(ImageError, match="beyond"):
        Image.of(b"abc", start=(1 << 63) - 2)


def test_bytes_are_read_by_address_and_gaps_have_none() -> None:
    assert two().read(0x11, 3) == b"ell"
    assert (two().start, two().stop, two().size) == (0x10, 0x25, 10)
    with pytest.raises(ImageError, match="no byte here") as caught:
        two().read(0x14, 2)
    assert caught.value.address == 0x15


def test_a_slice_keeps_gaps() -> None:
    assert two()[0x13:0x22].segments == (Segment(start=0x13, data=b"lo"), Segment(start=0x20, data=b"wo"))


def test_the_content_digest_is_of_addresses_and_bytes() -> None:
    # The form is written out here by hand: it must never change without a new one.
    form = b"caldiff image content, form 1\n"
    first = (0x10).to_bytes(8, "big") + (5).to_bytes(8, "big") + b"hello"
    second = (0x20).to_bytes(8, "big") + (5).to_bytes(8, "big") + b"world"
    assert two().content == Digest.of(form + first + second)
    assert two() == two()
    assert hash(two()) == hash(two())
    assert two() != two().patched({0x10: b"j"})


def test_a_patch_changes_only_what_is_there() -> None:
    assert two().patched({0x21: b"0", 0x10: b"J"}).read(0x20, 5) == b"w0rld"
    with pytest.raises(ImageError, match="no byte here"):
        two().patched({0x1F: b"??"})


def source(format_: str) -> Source:
    return Source(name="a", format=format_, file=Digest.of(b""), size=5)  # type: ignore[arg-type] # from a literal


def test_a_raw_binary_moves_with_its_source() -> None:
    image = Image.of(b"hello", source=source("binary"))
    moved = image.moved(start=0x800000)
    assert moved.segments == (Segment(start=0x800000, data=b"hello"),)
    assert moved.source == image.source


@pytest.mark.parametrize(
    ("image", "start"),
    [
        (Image.of(b"hello", source=source("ihex")), 1),
        (two(), 1),
        (Image.of(b"hello"), -1),
        (Image.of(b"hello"), 1 << 63),
    ],
    ids=["own addresses", "gaps", "negative", "beyond 63 bits"],
)
def test_what_has_addresses_of_its_own_does_not_move(image: Image, start: int) -> None:
    with pytest.raises(UsageError):
        image.moved(start=start)
