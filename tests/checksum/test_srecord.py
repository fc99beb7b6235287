"""The same ranges through srec_cat's own checksum generators. Source: srecord 1.64, a program of its own."""

from __future__ import annotations

import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from caldiff.checksum.correct import correct
from caldiff.checksum.state import states
from caldiff.crc import Crc, crc_by_name
from caldiff.definition.checksums import (
    Adler32,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Method,
    Span,
    StoredField,
    Sum,
)
from caldiff.definition.model import TYPES
from caldiff.image.model import Image
from caldiff.image.reading import read_image

pytestmark = pytest.mark.skipif(shutil.which("srec_cat") is None, reason="srec_cat is not installed")

START = 0x00010000
DATA = random.Random(11).randbytes(1500)
STORED = START + 0x1000


def inserted(folder: Path, *generator: str) -> Image:
    """The data with what srec_cat puts at ``STORED``, read back from its S-record."""
    (folder / "data.bin").write_bytes(DATA)
    name, *options = generator
    subprocess.run(
        [
            "srec_cat",
            folder / "data.bin",
            "-binary",
            "-offset",
            hex(START),
            name,
            hex(STORED),
            *options,
            "-o",
            folder / "a.s19",
        ],
        check=True,
        capture_output=True,
    )
    return read_image((folder / "a.s19").read_bytes())


def crc(name: str) -> Crc:
    found = crc_by_name(name)
    assert found is not None
    return found


def holds(image: Image, method: Method, size: int, order: Any) -> None:
    spans = (Span(start=START, stop=START + len(DATA)),)
    field = StoredField(at=STORED, size=size, byte_order=order)
    checksum = Checksum(name="c", method=method, coverage=Coverage(spans=spans), fields=(field,))
    (state,) = states(image, [checksum])
    assert state.status == "valid", f"stored {state.stored[0]:x}, reckoned {state.reckoned:x}"
    blank = image.patched({STORED: bytes(size)})
    assert correct(blank, [checksum]) == image


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize(("generator", "complement"), [("positive", "none"), ("negative", "twos"), ("bitnot", "ones")])
@pytest.mark.parametrize("size_and_width", [(1, 1), (2, 1), (2, 2), (4, 1), (4, 2), (4, 4)])
def test_sums(tmp_path: Path, generator: str, complement: Any, order: Any, size_and_width: tuple[int, int]) -> None:
    size, width = size_and_width
    image = inserted(tmp_path, f"-checksum-{generator}-{order}-endian", str(size), str(width))
    method = Sum(word=TYPES[f"u{8 * width}"], byte_order=order, bits=8 * size, complement=complement)
    holds(image, method, size, order)


CCITT_REFLECTED = Crc(width=16, polynomial=0x1021, start=0x1D0F, reflect_in=True, reflect_out=True, final_xor=0)


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize(
    ("options", "method"),
    [
        ((), crc("CRC-16/SPI-FUJITSU")),
        (("-least-to-most",), CCITT_REFLECTED),
        (("-xmodem",), crc("CRC-16/XMODEM")),
        (("-xmodem", "-least-to-most"), crc("CRC-16/KERMIT")),
        (("-broken",), crc("CRC-16/IBM-3740")),
        (("-polynomial", "ibm", "-xmodem"), crc("CRC-16/UMTS")),
        (("-polynomial", "ibm", "-xmodem", "-least-to-most"), crc("CRC-16/ARC")),
    ],
)
def test_crc_16(tmp_path: Path, options: tuple[str, ...], method: Crc, order: Any) -> None:
    holds(inserted(tmp_path, f"-crc16-{order}-endian", *options), method, 2, order)


@pytest.mark.parametrize("order", ["big", "little"])
def test_crc_32(tmp_path: Path, order: Any) -> None:
    holds(inserted(tmp_path, f"-crc32-{order}-endian"), crc("CRC-32/ISO-HDLC"), 4, order)


def test_crc_32_from_zero(tmp_path: Path) -> None:
    method = Crc(width=32, polynomial=0x04C11DB7, start=0, reflect_in=True, reflect_out=True, final_xor=0xFFFFFFFF)
    holds(inserted(tmp_path, "-crc32-big-endian", "-xmodem"), method, 4, "big")


@pytest.mark.parametrize("order", ["big", "little"])
def test_adler_32(tmp_path: Path, order: Any) -> None:
    holds(inserted(tmp_path, f"-adler-32-{order}-endian"), Adler32(), 4, order)


@pytest.mark.parametrize(("end", "order"), [("big", "little"), ("little", "big")])
def test_fletcher_16(tmp_path: Path, end: str, order: Any) -> None:
    """srec_cat has the plain sum where others have the sum of sums, hence the other byte order here.

    Its Fletcher-32 sums bytes rather than 16-bit words and so is another checksum.
    """
    holds(inserted(tmp_path, f"-fletcher-16-{end}-endian"), Fletcher(bits=16), 2, order)


@pytest.mark.parametrize(
    ("generator", "name", "size"), [("-md5", "md5", 16), ("-sha1", "sha-1", 20), ("-sha256", "sha-256", 32)]
)
def test_digests(tmp_path: Path, generator: str, name: Any, size: int) -> None:
    holds(inserted(tmp_path, generator), Hash(name=name), size, "big")
