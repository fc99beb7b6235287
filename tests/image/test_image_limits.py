"""Limits hold, and hold before memory is spent."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from image_records import ihex, lines, srec

from caldiff.errors import ImageError, LimitError
from caldiff.image.limits import Limits
from caldiff.image.reading import read_image

SMALL = Limits(size=1000, span=100_000)
MIB = 1 << 20


@contextmanager
def memory(most: int) -> Iterator[None]:
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < most
    finally:
        tracemalloc.stop()


def hex_of(size: int, start: int = 0) -> bytes:
    return lines(*(ihex(0, start + n, bytes(16)) for n in range(0, size, 16)), ihex(1, 0))


def srec_of(size: int) -> bytes:
    return lines(*(srec(1, n, bytes(16)) for n in range(0, size, 16)), srec(9, 0))


def titxt_of(size: int) -> bytes:
    return b"@0000\n" + b"00\n" * size + b"q\n"


@pytest.mark.parametrize("make", [hex_of, srec_of, titxt_of, bytes])
def test_size(make: Callable[[int], bytes]) -> None:
    assert read_image(make(992), limits=SMALL).size == 992
    with pytest.raises(LimitError, match="larger than the limit"):
        read_image(make(1008), limits=SMALL)


def test_bytes_given_twice_count_once() -> None:
    record = ihex(0, 0, bytes(100))
    assert read_image(lines(*[record] * 20, ihex(1, 0)), limits=SMALL).size == 100


def test_the_default_is_64_mib() -> None:
    assert (Limits().size, Limits().span) == (64 * MIB, 64 * MIB)


@pytest.mark.parametrize(
    "text",
    [
        lines(ihex(0, 0, b"a"), ihex(4, 0, b"\xff\xff"), ihex(0, 0, b"b"), ihex(1, 0)),
        lines(ihex(4, 0, b"\xff\xff"), ihex(0, 0, b"b"), ihex(4, 0, b"\0\0"), ihex(0, 0, b"a"), ihex(1, 0)),
        lines(srec(3, 0, b"a"), srec(3, 0xFFFF0000, b"b"), srec(7, 0)),
        b"@0000\n01\n@FFFF0000\n02\nq\n",
    ],
    ids=["ihex", "ihex downwards", "srec", "titxt"],
)
def test_two_far_records_are_refused(text: bytes) -> None:
    with memory(4 * MIB), pytest.raises(LimitError, match="too far") as caught:
        read_image(text)
    assert caught.value.line is not None
    assert read_image(text, limits=Limits(span=1 << 32)).size == 2


def test_a_large_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as file:
        file.truncate(1 << 40)
    with memory(4 * MIB), pytest.raises(LimitError, match="larger than the limit"):
        read_image(path)


def test_a_large_text_is_bounded_by_what_its_image_could_be(tmp_path: Path) -> None:
    path = tmp_path / "huge.hex"
    with path.open("wb") as file:
        file.write(hex_of(0x8000) * 3)
        file.truncate(1 << 40)
    with memory(4 * MIB), pytest.raises(LimitError, match="larger than the limit") as caught:
        read_image(path)
    assert caught.value.expected == f"at most {4 * 64 * MIB + MIB} bytes"


def test_an_endless_file_is_refused() -> None:
    with memory(32 * MIB), pytest.raises(LimitError):
        read_image("/dev/zero", limits=Limits(size=MIB, span=MIB))


def test_a_text_of_blank_lines_takes_no_room() -> None:
    with memory(24 * MIB), pytest.raises(ImageError):
        read_image(b":" + b"\n" * (2 * MIB) + b"x", format="ihex")
    image = read_image(lines(ihex(0, 0, b"a")) + b"\n" * 100_000 + lines(ihex(1, 0)))
    assert image.source is not None
    assert len(image.source.notes) == 1


def test_reading_stays_within_a_few_times_the_image(tmp_path: Path) -> None:
    records = [
        [ihex(4, 0, n.to_bytes(2, "big")), *(ihex(0, a, bytes(16)) for a in range(0, 1 << 16, 16))] for n in range(32)
    ]
    path = tmp_path / "a.hex"
    path.write_bytes(b"".join(lines(*bank) for bank in records) + lines(ihex(1, 0)))
    del records
    read_image(hex_of(1 << 15))  # tables and imports are made once
    with memory(path.stat().st_size + 2 * 32 * (1 << 16) + 6 * MIB):
        assert read_image(path).size == 32 << 16
