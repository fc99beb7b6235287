from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from image_records import DATA, ihex, lines, srec

from caldiff.errors import FileError, ImageError, LimitError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image, RecordShape, Segment
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image, write_image

GAP = Image(segments=(Segment(start=0x10, data=b"ab"), Segment(start=0x14, data=b"c")))
ONE = Image.of(b"abc", start=0x1234)


def names(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir()]


def test_intel_hex_by_hand() -> None:
    image = Image(segments=(Segment(start=0x10, data=b"ab"), Segment(start=0x80FFFF, data=b"cd")))
    assert dump_image(image, format="ihex") == lines(
        ihex(0, 0x10, b"ab"),
        ihex(4, 0, b"\x00\x80"),
        ihex(0, 0xFFFF, b"c"),
        ihex(4, 0, b"\x00\x81"),
        ihex(0, 0, b"d"),
        ihex(1, 0),
    )


def test_s_record_by_hand() -> None:
    image = Image.of(b"abcde", start=0x12345)
    shape = RecordShape(length=4, address_bits=24, header=b"unit", count=True, entry=0x12345)
    assert dump_image(image, format="srec", shape=shape) == lines(
        srec(0, 0, b"unit"), srec(2, 0x12345, b"abcd"), srec(2, 0x12349, b"e"), srec(5, 2), srec(8, 0x12345)
    )


def test_more_records_than_16_bits_count_are_counted_in_24() -> None:
    text = dump_image(Image.of(bytes(65536)), format="srec", shape=RecordShape(length=1, address_bits=16, count=True))
    assert text.splitlines()[-2] == srec(6, 65536)


def test_ti_txt_by_hand() -> None:
    assert dump_image(GAP, format="titxt", shape=RecordShape(length=1)) == b"@0010\n61\n62\n@0014\n63\nq\n"


def test_a_shape_is_kept_from_the_file() -> None:
    text = lines(ihex(0, 0, bytes(7)), ihex(0, 7, b"\xab"), ihex(5, 0, b"\0\0\0\7"), ihex(1, 0), end=b"\r\n").lower()
    image = read_image(text + b"\x1a")
    assert dump_image(image) == text + b"\x1a"
    changed = dump_image(image.patched({0: b"\xcd"}))
    assert changed == lines(
        ihex(0, 0, b"\xcd" + bytes(6)), ihex(0, 7, b"\xab"), ihex(5, 0, b"\0\0\0\7"), ihex(1, 0), end=b"\r\n"
    ).lower() + b"\x1a"  # fmt: skip


def test_the_start_address_is_kept_across_formats() -> None:
    image = read_image(lines(ihex(0, 0, b"abc"), ihex(5, 0, b"\0\0\0\2"), ihex(1, 0)))
    assert dump_image(image, format="srec").splitlines()[-1] == srec(9, 2)
    again = read_image(dump_image(image, format="srec"))
    assert ihex(5, 0, b"\0\0\0\2") in dump_image(again, format="ihex").splitlines()


def test_a_binary_with_a_gap_needs_a_fill() -> None:
    with pytest.raises(ImageError, match="cannot hold a gap") as caught:
        dump_image(GAP, format="binary")
    assert caught.value.address == 0x12
    assert dump_image(GAP, format="binary", fill=0xFF) == b"ab\xff\xffc"
    assert dump_image(GAP, format="binary", fill=0) == b"ab\0\0c"


def test_gaps_stay_gaps_in_other_formats_unless_a_fill_is_given() -> None:
    assert read_image(dump_image(GAP, format="ihex")) == GAP
    assert read_image(dump_image(GAP, format="ihex", fill=0)).read(0x10, 5) == b"ab\0\0c"


def test_filling_is_limited() -> None:
    far = Image(segments=(Segment(start=0, data=b"a"), Segment(start=1 << 31, data=b"b")))
    with pytest.raises(LimitError):
        dump_image(far, format="binary", fill=0)
    with pytest.raises(LimitError):
        dump_image(GAP, format="binary", fill=0, limits=Limits(span=4))


def test_an_elf_source_must_be_asked_for_a_format() -> None:
    image = read_image(DATA / "load-addresses.elf")
    with pytest.raises(UsageError, match="not written as ELF") as caught:
        dump_image(image)
    assert "ihex" in (caught.value.hint or "")
    assert read_image(dump_image(image, format="ihex")) == image
    with pytest.raises(UsageError):
        dump_image(image, format="elf")


def test_an_image_from_no_file_has_no_format() -> None:
    with pytest.raises(UsageError, match="no format of its own"):
        dump_image(ONE)


def test_an_empty_image_is_not_written() -> None:
    with pytest.raises(ImageError, match="without a byte"):
        dump_image(Image(segments=()), format="ihex")


@pytest.mark.parametrize(
    ("form", "shape"),
    [
        ("ihex", RecordShape(length=0)),
        ("ihex", RecordShape(length=256)),
        ("srec", RecordShape(length=251)),
        ("srec", RecordShape(length=253, address_bits=16)),
        ("ihex", RecordShape(address_bits=24)),
        ("srec", RecordShape(address_bits=20)),
        ("srec", RecordShape(header=bytes(253))),
        ("ihex", RecordShape(entry=1 << 32)),
        ("ihex", RecordShape(segmented_entry=-1)),
        ("ihex", RecordShape(block=0)),
    ],
)
def test_a_shape_that_no_record_can_have_is_refused(form: Format, shape: RecordShape) -> None:
    with pytest.raises(UsageError):
        dump_image(ONE, format=form, shape=shape)


@pytest.mark.parametrize(
    ("form", "bits", "start"),
    [("ihex", 16, 0xFFFE), ("ihex", 20, 0xFFFFE), ("srec", 16, 0xFFFE), ("srec", 24, 0xFFFFFE)],
)
def test_an_address_beyond_the_form_is_refused(form: Format, bits: int, start: int) -> None:
    with pytest.raises(ImageError, match=f"beyond the {bits}-bit form"):
        dump_image(Image.of(b"abc", start=start), format=form, shape=RecordShape(address_bits=bits))


@pytest.mark.parametrize("form", ["ihex", "srec", "titxt"])
def test_an_address_beyond_32_bits_is_refused(form: Format) -> None:
    with pytest.raises(ImageError, match="beyond the 32-bit form"):
        dump_image(Image.of(b"abc", start=(1 << 32) - 2), format=form)


@pytest.mark.parametrize("fill", [-1, 256])
def test_a_fill_is_one_byte(fill: int) -> None:
    with pytest.raises(UsageError):
        dump_image(GAP, format="binary", fill=fill)


def test_a_file_is_written_whole(tmp_path: Path) -> None:
    write_image(ONE, tmp_path / "a.hex", format="ihex")
    assert read_image(tmp_path / "a.hex") == ONE
    assert names(tmp_path) == ["a.hex"]


def test_an_existing_file_is_left_alone_unless_asked(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    path.write_bytes(b"before")
    with pytest.raises(FileError, match="exists already") as caught:
        write_image(ONE, path, format="binary")
    assert caught.value.file == str(path)
    assert path.read_bytes() == b"before"
    write_image(ONE, path, format="binary", overwrite=True)
    assert path.read_bytes() == b"abc"
    assert names(tmp_path) == ["a.bin"]


def test_a_link_is_written_through(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"before")
    (tmp_path / "link").symlink_to("a.bin")
    write_image(ONE, tmp_path / "link", format="binary", overwrite=True)
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "a.bin").read_bytes() == b"abc"


def test_permissions_are_the_users(tmp_path: Path) -> None:
    write_image(ONE, tmp_path / "a.bin", format="binary")
    (tmp_path / "b.bin").write_bytes(b"")
    modes = [stat.S_IMODE((tmp_path / n).stat().st_mode) for n in ("a.bin", "b.bin")]
    assert modes[0] == modes[1]


def test_a_file_system_without_links_is_written_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write_image(ONE, tmp_path / "a.bin", format="binary")
    with pytest.raises(FileError, match="exists already"):
        write_image(GAP, tmp_path / "a.bin", format="ihex")
    assert (tmp_path / "a.bin").read_bytes() == b"abc"
    assert names(tmp_path) == ["a.bin"]


@pytest.mark.parametrize("step", ["fsync", "link"])
def test_a_failure_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(FileError, match="no space left on device"):
        write_image(ONE, tmp_path / "a.bin", format="binary")
    assert names(tmp_path) == []


def test_a_folder_that_is_not_there_is_a_file_error(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be written"):
        write_image(ONE, tmp_path / "none" / "a.bin", format="binary")


def test_nothing_is_written_where_the_image_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(ImageError):
        write_image(GAP, tmp_path / "a.bin", format="binary")
    assert names(tmp_path) == []
