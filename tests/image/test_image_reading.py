from __future__ import annotations

import os
import struct
import subprocess
import sys
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest
from image_records import DATA, ihex, lines, srec

from caldiff.errors import FileError, ImageError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Note, Segment
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

RAW = bytes(range(256)) * 4


def test_a_raw_binary_starts_where_it_is_told_or_at_0(tmp_path: Path) -> None:
    path = tmp_path / "looks_like.hex"
    path.write_bytes(RAW)
    assert read_image(path).segments == (Segment(start=0, data=RAW),)
    assert read_image(str(path), start=0x800000).segments == (Segment(start=0x800000, data=RAW),)


def test_the_source_knows_the_file(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(RAW)
    source = read_image(path).source
    assert source is not None
    assert (source.name, source.format, source.size) == (str(path), "binary", 1024)
    assert source.file.hex == sha256(RAW).hexdigest()
    named = read_image(RAW, name="from the mail").source
    assert named is not None
    assert named.name == "from the mail"


def test_other_formats_pay_no_heed_to_a_start() -> None:
    text = lines(ihex(0, 0x1234, b"abc"), ihex(1, 0))
    assert read_image(text, start=0x800000).segments == (Segment(start=0x1234, data=b"abc"),)


def test_the_format_may_be_named() -> None:
    text = lines(ihex(0, 0x1234, b"abc"), ihex(1, 0))
    assert read_image(text, format="binary").segments[0].data == text
    with pytest.raises(ImageError, match="no S-record"):
        read_image(text, format="srec")


def test_intel_hex_of_every_record_type() -> None:
    text = lines(
        ihex(0, 0x0010, b"\x01\x02"),
        ihex(2, 0, b"\x12\x34"),  # 0x12340
        ihex(0, 0x0003, b"\x03"),
        ihex(4, 0, b"\x00\x80"),  # 0x00800000
        ihex(0, 0xFFFF, b"\x04\x05"),  # with a linear base the address goes on over the 64 KiB
        ihex(3, 0, b"\x12\x34\x00\x05"),
        ihex(5, 0, b"\x00\x80\x00\x01"),
        ihex(1, 0),
    )
    image = read_image(text)
    assert image.segments == (
        Segment(start=0x10, data=b"\x01\x02"),
        Segment(start=0x12343, data=b"\x03"),
        Segment(start=0x80FFFF, data=b"\x04\x05"),
    )
    assert image.source is not None
    assert image.source.shape is not None
    assert (image.source.shape.entry, image.source.shape.segmented_entry) == (0x800001, 0x12340005)
    assert image.source.notes == (Note(text="extended addresses of type 02 and of type 04 are mixed"),)


def test_s_record_of_every_record_type() -> None:
    text = lines(
        srec(0, 0, b"unit 7"),
        srec(1, 0x0010, b"\x01"),
        srec(2, 0x812345, b"\x02\x03"),
        srec(3, 0xFFFFFFFE, b"\x04\x05"),
        srec(5, 3),
        srec(7, 0x812345),
    )
    image = read_image(text, limits=Limits(span=1 << 32))
    assert image.segments == (
        Segment(start=0x10, data=b"\x01"),
        Segment(start=0x812345, data=b"\x02\x03"),
        Segment(start=0xFFFFFFFE, data=b"\x04\x05"),
    )
    assert image.source is not None
    assert image.source.shape is not None
    assert (image.source.shape.header, image.source.shape.entry) == (b"unit 7", 0x812345)
    assert image.source.shape.count


def test_ti_txt() -> None:
    image = read_image(b"@F000\n01 02 0A\nFF\n@10000\n7F\nq\n")
    assert image.segments == (Segment(start=0xF000, data=b"\x01\x02\x0a\xff"), Segment(start=0x10000, data=b"\x7f"))


def test_elf_is_read_at_its_load_addresses() -> None:
    # The ELF is loaded elsewhere than it runs, and has memory without content (data/make.sh).
    image = read_image(DATA / "load-addresses.elf")
    low, high = (DATA / "low.bin").read_bytes(), (DATA / "high.bin").read_bytes()
    assert image.segments == (Segment(start=0x880000, data=low), Segment(start=0x890003, data=high))
    assert image == read_image(DATA / "load-addresses.s37")


@pytest.mark.parametrize("keep", range(0, 752, 8))
def test_a_cut_elf_is_an_error(keep: int) -> None:
    with pytest.raises(ImageError):
        read_image((DATA / "load-addresses.elf").read_bytes()[:keep], format="elf")


TOLERATED: dict[str, tuple[bytes, Callable[[bytes], bytes], str]] = {
    "CR LF": (b"\r\n", lambda t: t, "lines end in CR LF"),
    "lower case": (b"\n", lambda t: t.lower(), "digits in lower case"),
    "blank line": (b"\n", lambda t: t.replace(b"\n", b"\n\n", 1), "blank line"),
    "line of blanks": (b"\n", lambda t: t.replace(b"\n", b"\n \t\n", 1), "blank line"),
    "blank lines at the end": (b"\n", lambda t: t + b"\n", "blank line"),
    "DOS end of file": (b"\r\n", lambda t: t + b"\x1a", "a DOS end-of-file character (0x1A) follows the last record"),
    "DOS end of file on its line": (
        b"\n",
        lambda t: t.rstrip() + b"\x1a\x1a",
        "a DOS end-of-file character (0x1A) follows",
    ),
    "mixed line ends": (b"\n", lambda t: t.replace(b"\n", b"\r\n", 1), "line ends are mixed"),
    "mixed case": (b"\n", lambda t: t.replace(b"ABCD", b"ABcd"), "digits in upper and lower case"),
}


@pytest.mark.parametrize("case", TOLERATED)
@pytest.mark.parametrize(
    "records",
    [
        [ihex(0, 0, b"\xab\xcd"), ihex(0, 2, b"\xab\xcd"), ihex(1, 0)],
        [srec(0, 0), srec(1, 0, b"\xab\xcd"), srec(1, 2, b"\xab\xcd"), srec(9, 0)],
        [b"@0000", b"AB CD", b"AB CD", b"q"],
    ],
    ids=["ihex", "srec", "titxt"],
)
def test_what_real_tools_write_is_read_and_noted(records: list[bytes], case: str) -> None:
    end, change, note = TOLERATED[case]
    text = lines(*records, end=end)
    if case == "mixed case":
        text = text.replace(b"AB CD", b"AB cd")
    changed = change(text)
    assert changed != lines(*records)
    image = read_image(changed)
    assert image.segments == (Segment(start=0, data=b"\xab\xcd\xab\xcd"),)
    assert image.source is not None
    assert note in " | ".join(n.text for n in image.source.notes)


def test_a_file_without_a_last_line_end_is_read() -> None:
    assert read_image(lines(ihex(0, 0, b"abc"), ihex(1, 0)).rstrip()).segments[0].data == b"abc"


def test_records_out_of_order_are_read_and_noted() -> None:
    image = read_image(lines(ihex(0, 2, b"cd"), ihex(0, 0, b"ab"), ihex(1, 0)))
    assert image.segments == (Segment(start=0, data=b"abcd"),)
    assert image.source is not None
    assert image.source.notes == (Note(text="records are not in order of address", line=2),)


def test_a_record_given_twice_is_noted_once_with_a_count() -> None:
    record = ihex(0, 0, b"ab")
    image = read_image(lines(record, record, record, ihex(1, 0)))
    assert image.source is not None
    assert [(n.text, n.line) for n in image.source.notes if "repeats" in n.text] == [
        ("a record repeats bytes that were given before (2 times, first here)", 2)
    ]


def test_a_missing_header_is_noted() -> None:
    image = read_image(lines(srec(1, 0, b"ab"), srec(9, 0)))
    assert image.source is not None
    assert image.source.notes == (Note(text="no header record (S0)"),)


def test_a_count_record_stands_in_for_the_end_record() -> None:
    # srecord writes no end record where there is no start address (data/srecord-gaps.s28).
    image = read_image(DATA / "srecord-gaps.s28")
    assert image.source is not None
    assert any("no end record" in n.text for n in image.source.notes)


def test_a_file_that_cannot_be_read_is_a_file_error(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file") as caught:
        read_image(tmp_path / "none.bin")
    assert caught.value.file == str(tmp_path / "none.bin")
    with pytest.raises(FileError, match="is a directory"):
        read_image(tmp_path)
    with pytest.raises(FileError):
        read_image("a\0b")


def test_a_pipe_is_read() -> None:
    out, into = os.pipe()
    os.write(into, RAW)
    os.close(into)
    try:
        assert read_image(f"/dev/fd/{out}").segments[0].data == RAW
    finally:
        os.close(out)


def test_an_empty_file_is_an_error() -> None:
    with pytest.raises(ImageError, match="empty"):
        read_image(b"")


@pytest.mark.parametrize("start", [-1, 1 << 63, 1 << 70])
def test_a_start_that_is_no_address_is_an_error(start: int) -> None:
    with pytest.raises(UsageError, match="no address to start at"):
        read_image(RAW, start=start)


def elf64(*loads: tuple[int, int]) -> bytes:
    """ELF64 header and PT_LOADs of four bytes (file offset, load address), by hand after the System V generic ABI."""
    ident = b"\x7fELF\x02\x01\x01" + bytes(9)
    head = ident + struct.pack("<HHIQQQIHHHHHH", 2, 62, 1, 0, 64, 0, 0, 64, 56, len(loads), 0, 0, 0)
    return head + b"".join(struct.pack("<IIQQQQQQ", 1, 5, at, 0, load, 4, 4, 1) for at, load in loads) + b"abcdefgh"


def test_an_elf_beyond_63_bits_is_an_error() -> None:
    assert read_image(elf64((120, 0x8000_0000))).segments == (Segment(start=0x8000_0000, data=b"abcd"),)
    with pytest.raises(ImageError, match="highest address"):
        read_image(elf64((120, 0xFFFF_FFFF_8000_0000)))


def test_an_elf_with_segments_one_over_the_other_is_an_error() -> None:
    assert read_image(elf64((176, 4), (180, 0))).segments == (Segment(start=0, data=b"efghabcd"),)
    with pytest.raises(ImageError, match="overlap at their load addresses") as caught:
        read_image(elf64((176, 3), (180, 0)), name="a.elf")
    assert (caught.value.file, caught.value.address) == ("a.elf", 3)


def test_a_start_address_in_the_end_record_is_kept() -> None:
    # srecord writes 16-bit Intel HEX so.
    text = lines(ihex(0, 0x1000, b"abc"), ihex(1, 0x1002))
    image = read_image(text)
    assert image.source is not None
    assert image.source.shape is not None
    assert image.source.shape.entry == 0x1002
    assert dump_image(image) == text


def test_a_raw_binary_is_read_without_numpy_or_any_library(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(RAW)
    code = (
        "import sys\n"
        "from caldiff.image.reading import read_image\n"
        "assert read_image(sys.argv[1]).content\n"
        "print([m for m in ('numpy', 'bincopy', 'elftools', 'intelhex', 'zipfile', 'gzip') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code, path], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"
