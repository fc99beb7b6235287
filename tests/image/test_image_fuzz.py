"""Arbitrary and mutated bytes into the reader: an image or an ImageError, nothing else."""

from __future__ import annotations

import gzip
import io
import zipfile
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from image_records import DATA

from caldiff.errors import ImageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

LIMITS = Limits(size=1 << 16, span=1 << 24)
FORMATS: tuple[Format | None, ...] = ("binary", "ihex", "srec", "titxt", "elf", None)


def zipped(data: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", data)
        archive.writestr("readme", b"hello")
    return out.getvalue()


SEEDS = {p.name: p.read_bytes() for p in sorted(DATA.iterdir()) if p.suffix != ".sh" and p.is_file()}
SEEDS |= {f"{n}.gz": gzip.compress(SEEDS[n], mtime=0) for n in ("low.bin", "objcopy-32bit.hex")}
SEEDS |= {f"{n}.zip": zipped(SEEDS[n]) for n in ("low.bin", "srecord-gaps.s28")}


def read(data: bytes, form: Format | None) -> None:
    with suppress(ImageError):
        image = read_image(data, format=form, limits=LIMITS)
        assert image.size > 0
        assert image.stop - image.start <= LIMITS.span
        if image.source is not None and image.source.format not in ("elf", "binary"):
            assert read_image(dump_image(image), limits=LIMITS) == image


@given(data=st.binary(min_size=1, max_size=400), form=st.sampled_from(FORMATS))
def test_arbitrary_bytes(data: bytes, form: Format | None) -> None:
    read(data, form)


@given(
    data=st.lists(
        st.sampled_from(
            [b":", b"S1", b"S3", b"S9", b"@", b"q", b"0", b"00", b"FF", b"7", b"\n", b"\r", b" ", b"\x1a", b"x"]
        ),
        max_size=60,
    ),
    form=st.sampled_from(FORMATS),
)
def test_bytes_like_records(data: list[bytes], form: Format | None) -> None:
    read(b"".join(data) or b"\0", form)


@given(
    name=st.sampled_from(sorted(SEEDS)),
    changes=st.lists(st.tuples(st.integers(0, 1 << 16), st.integers(0, 255)), min_size=1, max_size=4),
    cut=st.one_of(st.none(), st.integers(0, 1 << 12)),
    twice=st.booleans(),
)
def test_mutated_files(name: str, changes: list[tuple[int, int]], cut: int | None, twice: bool) -> None:
    data = bytearray(SEEDS[name])
    for at, to in changes:
        data[at % len(data)] = to
    if cut is not None:
        del data[cut % len(data) :]
    read(bytes(data + data[len(data) // 2 :] if twice else data) or b"\0", None)


@given(at=st.integers(0, 127), to=st.sampled_from([0, 1, 0x7F, 0x80, 0xFE, 0xFF]), then=st.integers(0, 127))
def test_mutated_elf_headers(at: int, to: int, then: int) -> None:
    data = bytearray(SEEDS["load-addresses.elf"])
    data[at], data[then] = to, 0xFF
    read(bytes(data), "elf")


@pytest.mark.parametrize("name", ["low.bin.gz", "low.bin.zip", "objcopy-32bit.hex.gz"])
def test_every_single_byte_of_a_container(name: str, tmp_path: Path) -> None:
    seed = SEEDS[name]
    path = tmp_path / "a"
    for at in range(0, len(seed), 2):
        data = bytearray(seed)
        data[at] ^= 0xFF
        path.write_bytes(data)
        with suppress(ImageError):
            read_image(path, limits=LIMITS)
