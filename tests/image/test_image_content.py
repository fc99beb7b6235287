"""What a file is, told from its content: images of every kind, and everything that customers send in place of one."""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from image_records import DATA, ihex, lines

from caldiff.errors import ImageError
from caldiff.image.content import known_stranger, text_format
from caldiff.image.reading import read_image


def office() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/workbook.xml", "<workbook/>")
    return out.getvalue()


def open_document() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    return out.getvalue()


def png() -> bytes:
    head = struct.pack(">II5B", 1, 1, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + b"IHDR" + head + struct.pack(">I", zlib.crc32(b"IHDR" + head))


# Signatures: PDF ISO 32000-2, PNG ISO/IEC 15948, JPEG ITU-T T.81 and JFIF, GIF89a, RIFF, ISO/IEC 14496-12, MDF (ASAM),
# tar POSIX.1-1988, gzip RFC 1952; compound files, PE, RAR, 7z, bzip2 and BMP from memory.
STRANGERS = {
    "a PDF document": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj",
    "a PNG picture": png(),
    "a JPEG picture": b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01",
    "a GIF picture": b"GIF89a\x01\x00\x01\x00\x80\x00\x00",
    "a BMP picture": b"BM" + struct.pack("<I", 58) + bytes(52),
    "a picture, sound or film (RIFF)": b"RIFF" + struct.pack("<I", 8) + b"WEBPVP8 ",
    "a picture or film (ISO media)": b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00",
    "an office document or a saved mail": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504),
    "an office document": office(),
    "an RTF document": b"{\\rtf1\\ansi hello}",
    "a 7z archive": b"7z\xbc\xaf\x27\x1c\x00\x04",
    "a RAR archive": b"Rar!\x1a\x07\x01\x00",
    "a bzip2 archive": b"BZh91AY&SY\x00\x01\x02",
    "a tar archive": bytes(100) + b"0000644\x00" + bytes(149) + b"ustar\x0000" + bytes(247),
    "a measurement log (MDF)": b"MDF     4.10    caldiff " + bytes(40),
    "a program for Windows": b"MZ" + bytes(58) + struct.pack("<I", 64) + b"PE\x00\x00" + bytes(20),
    "text in UTF-16": "Stock read".encode("utf-16"),
    "a web page or XML": b"\r\n<!DOCTYPE html>\n<html><head><title>Sign in</title></head></html>",
    "plain text": "Please find attached the stock read.\r\nMit freundlichen Grüßen\r\n".encode(),
}


@pytest.mark.parametrize("what", STRANGERS)
def test_what_is_no_image_is_refused_by_its_name(what: str) -> None:
    with pytest.raises(ImageError, match="this is no image but") as caught:
        read_image(STRANGERS[what])
    assert what in caught.value.reason
    assert "binary" in (caught.value.hint or "")
    assert read_image(STRANGERS[what], format="binary").segments[0].data == STRANGERS[what]


def test_other_web_pages_and_documents() -> None:
    for page in (b"<html lang=de>", b"\xef\xbb\xbf<?xml version='1.0'?><a/>", b"  <HTML>\xff\xff"):
        assert "web page" in (known_stranger(page) or "")
    assert known_stranger(open_document()) == "an office document"


@pytest.mark.parametrize(
    "text",
    [b"00 11 22 33\n44 55 66 77\n", b'{"a": 1}', b"time;rpm\n0.1;800\n", b"\xef\xbb\xbfhello", b"S10 and S20 are fine"],
    ids=["hex dump without addresses", "JSON", "CSV", "byte order mark", "words"],
)
def test_other_text_is_no_image(text: bytes) -> None:
    with pytest.raises(ImageError):
        read_image(text)


@pytest.mark.parametrize(
    "data", [b"\x00", b"\xff" * 64, bytes(64), b"WREN4\x00\x01", bytes(range(256)), b"MZ\x90\x00", b"BM\x00\x01"]
)
def test_anything_else_is_a_raw_binary(data: bytes) -> None:
    image = read_image(data)
    assert image.source is not None
    assert image.source.format == "binary"


def test_records_quoted_inside_a_binary_do_not_make_it_text() -> None:
    record = lines(ihex(0, 0, bytes(16)))
    assert text_format(bytes(4096) + record * 3 + bytes(4096)) is None


@pytest.mark.parametrize(
    "name", sorted(p.name for p in DATA.iterdir() if p.suffix in {".hex", ".s19", ".s28", ".txt", ".elf"})
)
def test_formats_are_told_whatever_the_name(name: str) -> None:
    expected = {".hex": "ihex", ".s19": "srec", ".s28": "srec", ".txt": "titxt", ".elf": "elf"}
    image = read_image((DATA / name).read_bytes(), name="hot_day_fix.bin")
    assert image.source is not None
    assert image.source.format == expected["." + name.rsplit(".", 1)[1]]


@given(st.binary(max_size=100))
def test_random_bytes_are_a_raw_binary(data: bytes) -> None:
    data = b"\x48\x1f\x00" + data
    assert read_image(data).segments[0].data == data


def test_a_gzip_is_a_container_not_a_binary() -> None:
    image = read_image(gzip.compress(b"\x00\x01\x02"))
    assert image.segments[0].data == b"\x00\x01\x02"
