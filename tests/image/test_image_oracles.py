"""Against other programs, which say what the bytes are without us: intelhex, bincopy, GNU objcopy, srecord."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from pathlib import Path
from random import Random

import attrs
import bincopy
import intelhex
import pytest
from hypothesis import given
from image_records import DATA, images
from test_image_agreement import shapes

from caldiff.image.limits import Limits
from caldiff.image.model import Image, RecordShape, Segment
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

WIDE = Limits(span=1 << 32)
LOW, HIGH = (DATA / "low.bin").read_bytes(), (DATA / "high.bin").read_bytes()

# Where make.sh placed the content, by the tools' own options.
PLACES = {
    "objcopy-16bit.hex": 0x1000,
    "objcopy-20bit.hex": 0x2FFC0,
    "objcopy-32bit.hex": 0x881005,
    "objcopy-mixed.hex": 0xFFFC0,
    "objcopy-s1.s19": 0x1000,
    "objcopy-s2.s28": 0x881005,
    "objcopy-s3.s37": 0x881005,
    "srecord-crossing.hex": 0xFFF0,
    "srecord-crossing.s19": 0xFFF0,
    "srecord-crossing.txt": 0xFFF0,
}


@pytest.mark.parametrize("name", PLACES)
def test_golden_files_of_one_segment(name: str) -> None:
    assert read_image(DATA / name).segments == (Segment(start=PLACES[name], data=LOW),)


@pytest.mark.parametrize("name", ["srecord-gaps.hex", "srecord-gaps.s28", "srecord-gaps.txt"])
def test_golden_files_with_a_gap(name: str) -> None:
    assert read_image(DATA / name).segments == (
        Segment(start=0x880000, data=LOW),
        Segment(start=0x890003, data=HIGH),
    )


def by_bincopy(text: bytes) -> list[tuple[int, bytes]]:
    file = bincopy.BinFile()
    file.add(text.decode())
    return [(s.address, bytes(s.data)) for s in file.segments]


def by_intelhex(text: bytes) -> list[tuple[int, bytes]]:
    file = intelhex.IntelHex()
    file.fromfile(io.StringIO(text.decode()), "hex")
    return [(start, file.tobinstr(start, stop - 1)) for start, stop in file.segments()]


def ours(image: Image) -> list[tuple[int, bytes]]:
    return [(s.start, s.data) for s in image]


@given(image=images(top=1 << 32), shape=shapes)
def test_both_libraries_read_our_intel_hex(image: Image, shape: RecordShape) -> None:
    # intelhex wraps at 64 KiB what runs over it, as the form of type 02 would, and takes one start address only.
    shape = attrs.evolve(shape, address_bits=32, crossing=False, eof=False, segmented_entry=None, segmented=False)
    text = dump_image(image, format="ihex", shape=shape)
    assert by_bincopy(text) == ours(image)
    assert by_intelhex(text) == ours(image)


@given(image=images(top=1 << 20), shape=shapes)
def test_both_libraries_read_our_segmented_intel_hex(image: Image, shape: RecordShape) -> None:
    shape = attrs.evolve(shape, address_bits=20, crossing=False, eof=False, entry=None)
    text = dump_image(image, format="ihex", shape=shape)
    assert by_bincopy(text) == ours(image)
    assert by_intelhex(text) == ours(image)


@given(image=images(top=1 << 16), shape=shapes)
def test_bincopy_reads_our_s_record(image: Image, shape: RecordShape) -> None:
    text = dump_image(image, format="srec", shape=attrs.evolve(shape, eof=False, header=b"unit"))
    assert by_bincopy(text) == ours(image)


@given(image=images(top=1 << 32))
def test_bincopy_reads_our_ti_txt(image: Image) -> None:
    assert by_bincopy(dump_image(image, format="titxt")) == ours(image)


@given(image=images(top=1 << 32))
def test_we_read_what_bincopy_writes(image: Image) -> None:
    file = bincopy.BinFile()
    for segment in image:
        file.add_binary(segment.data, address=segment.start)
    for text in (file.as_ihex(), file.as_srec(address_length_bits=32), file.as_ti_txt()):
        assert read_image(text.encode(), limits=WIDE) == image


@given(image=images(top=1 << 32))
def test_we_read_what_intelhex_writes_and_write_it_back(image: Image) -> None:
    file = intelhex.IntelHex()
    for segment in image:
        file.puts(segment.start, segment.data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # intelhex calls array.tostring on old ways
        out = io.StringIO()
        file.write_hex_file(out, byte_count=16)
    assert read_image(out.getvalue().encode(), limits=WIDE) == image


@pytest.mark.parametrize("address", [0, 0x1005, 0xFFF1, 0x12345, 0xF8001, 0x880005, 0xFFFFF0])
@pytest.mark.parametrize("form", ["ihex", "srec"])
def test_objcopy(address: int, form: str, tmp_path: Path, tool: Callable[..., None]) -> None:
    data = Random(address).randbytes(70_001)
    (tmp_path / "a.bin").write_bytes(data)
    tool(
        "objcopy",
        "-I",
        "binary",
        "-O",
        form,
        "--change-addresses",
        hex(address),
        tmp_path / "a.bin",
        tmp_path / "a.out",
    )
    image = read_image(tmp_path / "a.out")
    assert image.segments == (Segment(start=address, data=data),)
    assert dump_image(image) == (tmp_path / "a.out").read_bytes()
    # And back: what we write in a plain shape, objcopy reads as the same bytes.
    (tmp_path / "b.in").write_bytes(dump_image(Image(segments=image.segments), format=form))  # type: ignore[arg-type]
    tool("objcopy", "-I", form, "-O", "binary", tmp_path / "b.in", tmp_path / "b.bin")
    assert (tmp_path / "b.bin").read_bytes() == data


@pytest.mark.parametrize("address", [0, 0x1005, 0xFFF1, 0x12345, 0xF8001, 0x880005, 0xFFFFF0])
@pytest.mark.parametrize("form", ["-intel", "-motorola", "-ti-txt"])
def test_srec_cat(address: int, form: str, tmp_path: Path, tool: Callable[..., None]) -> None:
    data = Random(address).randbytes(70_001)
    (tmp_path / "a.bin").write_bytes(data)
    tool("srec_cat", tmp_path / "a.bin", "-binary", "-offset", hex(address), "-o", tmp_path / "a.out", form)
    image = read_image(tmp_path / "a.out")
    assert image.segments == (Segment(start=address, data=data),)
    assert dump_image(image) == (tmp_path / "a.out").read_bytes()
    ours_as = {"-intel": "ihex", "-motorola": "srec", "-ti-txt": "titxt"}[form]
    (tmp_path / "b.in").write_bytes(dump_image(Image(segments=image.segments), format=ours_as))  # type: ignore[arg-type]
    tool("srec_cat", tmp_path / "b.in", form, "-offset", f"-{address:#x}", "-o", tmp_path / "b.bin", "-binary")
    assert (tmp_path / "b.bin").read_bytes() == data


def test_objcopy_reads_the_elf_as_we_do(tmp_path: Path, tool: Callable[..., None]) -> None:
    tool("powerpc-linux-gnu-objcopy", "-O", "binary", DATA / "load-addresses.elf", tmp_path / "a.bin")
    image = read_image(DATA / "load-addresses.elf")
    assert dump_image(image, format="binary", fill=0) == (tmp_path / "a.bin").read_bytes()
