from __future__ import annotations

import gzip
import io
import tracemalloc
import zipfile
from collections.abc import Callable, Mapping
from hashlib import sha256
from pathlib import Path

import pytest
from image_records import DATA, ihex, lines

from caldiff.errors import ImageError, LimitError
from caldiff.image.limits import Limits
from caldiff.image.model import Image, Segment
from caldiff.image.reading import read_image

RAW = bytes(range(256)) * 2
HEX = lines(ihex(0, 0x1234, b"abc"), ihex(1, 0))


def packed(members: Mapping[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize(
    "pack", [gzip.compress, lambda d: packed({"a": d}), lambda d: packed({"a": d}, zipfile.ZIP_STORED)]
)
def test_every_format_is_read_from_a_container(pack: Callable[[bytes], bytes]) -> None:
    for name in ("objcopy-32bit.hex", "objcopy-s2.s28", "srecord-gaps.txt", "load-addresses.elf", "low.bin"):
        plain = (DATA / name).read_bytes()
        data = pack(plain)
        image = read_image(data)
        assert image == read_image(plain)
        assert image.source is not None
        assert image.source.file.hex == sha256(data).hexdigest()
        assert image.source.size == len(data)


def test_a_zip_names_its_member_and_notes_the_others() -> None:
    data = packed({"readme.txt": b"Stock read of van 7.\n", "folder/": b"", "folder/STOCK": HEX, "none": b""})
    image = read_image(data, name="mail.zip")
    assert image.segments == (Segment(start=0x1234, data=b"abc"),)
    assert image.source is not None
    assert (image.source.name, image.source.container, image.source.member) == ("mail.zip", "zip", "folder/STOCK")
    assert [n.text for n in image.source.notes] == [
        "'readme.txt' in the zip is plain text and was left out",
        "'none' in the zip is an empty file and was left out",
    ]


def test_a_raw_binary_in_a_container_starts_where_it_is_told() -> None:
    assert read_image(packed({"a": RAW}), start=0x800000) == Image.of(RAW, start=0x800000)
    assert read_image(gzip.compress(RAW), start=0x800000) == Image.of(RAW, start=0x800000)


def test_errors_inside_a_zip_name_file_member_and_line() -> None:
    with pytest.raises(ImageError, match="checksum") as caught:
        read_image(packed({"stock.hex": HEX[:-3] + b"EE\n"}), name="mail.zip")
    assert (caught.value.file, caught.value.line) == ("mail.zip/stock.hex", 2)


def test_several_images_are_listed() -> None:
    with pytest.raises(ImageError, match="several images") as caught:
        read_image(packed({"a.bin": RAW, "b.hex": HEX, "c.txt": b"hello"}))
    assert caught.value.got == "'a.bin', 'b.hex'"


def test_no_image_inside_says_what_is() -> None:
    with pytest.raises(ImageError, match="no image") as caught:
        read_image(packed({"c.txt": b"hello", "d.txt": b"hello"}))
    assert "plain text" in (caught.value.got or "")
    with pytest.raises(ImageError, match="no image"):
        read_image(packed({}))


def test_a_member_that_is_alone_is_refused_as_what_it_is_unless_its_format_is_named() -> None:
    data = packed({"c.txt": b"hello"})
    with pytest.raises(ImageError, match="this is no image but plain text") as caught:
        read_image(data, name="mail.zip")
    assert caught.value.file == "mail.zip/c.txt"
    assert read_image(data, format="binary").read(0, 5) == b"hello"


def test_a_broken_image_is_not_taken_for_a_readme() -> None:
    with pytest.raises(ImageError, match="end record"):
        read_image(packed({"a.hex": HEX.splitlines()[0]}))


@pytest.mark.parametrize("inner", [gzip.compress(RAW), packed({"a": RAW})], ids=["gzip", "zip"])
def test_nested_containers_are_refused(inner: bytes) -> None:
    for outer in (gzip.compress(inner), packed({"a": inner}), packed({"a": inner, "b": RAW})):
        with pytest.raises(ImageError, match="inside a container"):
            read_image(outer)


def test_an_encrypted_zip_is_refused() -> None:
    data = bytearray(packed({"a": RAW}))
    for signature, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # the flags in both headers (APPNOTE 4.4.4)
        data[data.index(signature) + place] |= 1
    with pytest.raises(ImageError, match="encrypted") as caught:
        read_image(bytes(data))
    assert "password" in (caught.value.hint or "")


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_methods_are_refused_for_they_cannot_be_bounded(method: int) -> None:
    with pytest.raises(ImageError, match="method that is not read"):
        read_image(packed({"a": RAW}, method))


@pytest.mark.parametrize("keep", [4, 12, 40, -9, -1])
def test_a_cut_container_is_refused(keep: int) -> None:
    for data in (gzip.compress(RAW), packed({"a": RAW})):
        with pytest.raises(ImageError, match="broken"):
            read_image(data[:keep])


def test_a_container_with_a_wrong_checksum_is_refused() -> None:
    data = bytearray(gzip.compress(RAW))
    data[-6] ^= 1
    with pytest.raises(ImageError, match="broken"):
        read_image(bytes(data))
    data = bytearray(packed({"a": RAW}, zipfile.ZIP_STORED))
    data[data.index(RAW) + 5] ^= 1
    with pytest.raises(ImageError, match="broken"):
        read_image(bytes(data))


def test_a_gzip_of_nothing() -> None:
    with pytest.raises(ImageError, match="empty file"):
        read_image(gzip.compress(b""))


LIMITS = Limits(size=1 << 16, span=1 << 16)
BOMB = bytes(64 << 20)


@pytest.mark.parametrize(
    "data",
    [
        gzip.compress(BOMB),
        packed({"a": BOMB}),
        gzip.compress(b" " * len(BOMB)),
        packed({str(n): BOMB[:60_000] for n in range(30)}),
    ],
    ids=["gzip", "zip", "gzip of text", "zip of many"],
)
def test_a_bomb_is_refused_before_it_takes_room(data: bytes) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(LimitError):
            read_image(data, limits=LIMITS)
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()


def test_a_zip_that_lies_about_its_sizes_is_refused() -> None:
    data = bytearray(packed({"a": BOMB}))
    size = len(BOMB).to_bytes(4, "little")
    while size in data:
        at = data.index(size)
        data[at : at + 4] = (100).to_bytes(4, "little")
    with pytest.raises(ImageError):
        read_image(bytes(data), limits=LIMITS)


def test_too_many_members_are_refused() -> None:
    with pytest.raises(ImageError, match="too many"):
        read_image(packed({str(n): b"x" for n in range(1001)}, zipfile.ZIP_STORED))


def test_from_a_path(tmp_path: Path) -> None:
    path = tmp_path / "stock.bin"
    path.write_bytes(packed({"a": HEX}))
    assert read_image(path).read(0x1234, 3) == b"abc"
