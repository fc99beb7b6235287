"""Writing and reading are inverse, for every format and shape; a file of a real tool comes back byte for byte."""

from __future__ import annotations

import attrs
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from image_records import DATA, images
from test_image_agreement import shapes

from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image, RecordShape
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

WIDE = Limits(span=1 << 32)


@given(image=images(top=1 << 32, gaps=False))
@example(image=Image.of(b"\x1f\x8b\x08"))  # begins like a gzip
@example(image=Image.of(b"PK\x03\x04\x00", start=5))  # begins like a zip
def test_binary(image: Image) -> None:
    data = dump_image(image, format="binary")
    assert data == image.segments[0].data
    assert read_image(data, start=image.start, format="binary") == image


@given(image=images(top=1 << 32), form=st.sampled_from(["ihex", "srec", "titxt"]))
def test_text_formats_in_their_plain_shape(image: Image, form: Format) -> None:
    again = read_image(dump_image(image, format=form), limits=WIDE)
    assert again == image
    assert again.source is not None
    assert again.source.format == form
    assert dump_image(again) == dump_image(image, format=form)


@given(image=images(top=1 << 32), shape=shapes)
def test_intel_hex_in_any_shape(image: Image, shape: RecordShape) -> None:
    written = dump_image(image, format="ihex", shape=attrs.evolve(shape, address_bits=32))
    assert read_image(written, limits=WIDE) == image


@given(image=images(top=1 << 20), shape=shapes)
def test_intel_hex_of_20_bits_in_any_shape(image: Image, shape: RecordShape) -> None:
    written = dump_image(image, format="ihex", shape=attrs.evolve(shape, address_bits=20))
    assert read_image(written, limits=WIDE) == image


@given(image=images(top=1 << 16), shape=shapes)
def test_s_record_in_any_shape(image: Image, shape: RecordShape) -> None:
    assert read_image(dump_image(image, format="srec", shape=shape), limits=WIDE) == image


@given(image=images(top=1 << 32), shape=shapes)
@example(image=Image.of(bytes(20), start=0xFFF0), shape=RecordShape(length=32, crossing=True))  # ends in the crossing
@example(image=Image.of(bytes(50), start=0xFFF0), shape=RecordShape(length=32, crossing=True))  # goes on after it
def test_s_record_with_addresses_as_narrow_as_can_be(image: Image, shape: RecordShape) -> None:
    shape = attrs.evolve(shape, address_bits=16, narrow=True)
    assert read_image(dump_image(image, format="srec", shape=shape), limits=WIDE) == image


@given(image=images(top=1 << 32), shape=shapes)
def test_ti_txt_in_any_shape(image: Image, shape: RecordShape) -> None:
    written = dump_image(image, format="titxt", shape=attrs.evolve(shape, address_bits=None))
    assert read_image(written, limits=WIDE) == image


@given(image=images(top=1 << 32, gaps=False), shape=shapes, form=st.sampled_from(["ihex", "srec"]))
def test_a_shape_once_read_writes_the_same_file_again(image: Image, shape: RecordShape, form: Format) -> None:
    # One segment, a full record at least, and no edges of our own: a file as real tools write them.
    shape = attrs.evolve(shape, block=None, crossing=False, address_bits=32, narrow=False, segmented=False)
    written = dump_image(image, format=form, shape=shape)
    assert dump_image(read_image(written, limits=WIDE)) == written


def test_a_shape_with_edges_of_two_kinds_is_found_again() -> None:
    # Records end at multiples of 1792 as in srecord, which 24 does not divide, and at those of 64 KiB besides.
    shape = RecordShape(length=24, address_bits=32, block=1792)
    written = dump_image(Image.of(bytes(70_000), start=0x10), format="ihex", shape=shape)
    assert dump_image(read_image(written)) == written


GOLDEN = sorted(p.name for p in DATA.iterdir() if p.suffix in {".hex", ".s19", ".s28", ".s37", ".txt"})


@pytest.mark.parametrize("name", GOLDEN)
def test_a_file_of_a_real_tool_comes_back_byte_for_byte(name: str) -> None:
    data = (DATA / name).read_bytes()
    assert dump_image(read_image(data)) == data


@pytest.mark.parametrize("name", GOLDEN)
@pytest.mark.parametrize("form", ["ihex", "srec", "titxt"])
def test_content_survives_any_change_of_format(name: str, form: Format) -> None:
    image = read_image(DATA / name)
    assert read_image(dump_image(image, format=form)).content == image.content
