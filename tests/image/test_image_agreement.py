"""The reader of uniform records and the line-by-line reader give the same answer wherever the former gives one."""

from __future__ import annotations

import re
from collections.abc import Callable

import attrs
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from image_records import DATA, ihex, images, lines, srec

from caldiff.errors import ImageError
from caldiff.image import uniform
from caldiff.image.ihex import read_ihex
from caldiff.image.limits import Limits
from caldiff.image.model import Image, RecordShape
from caldiff.image.parsed import Parsed
from caldiff.image.srec import read_srec
from caldiff.image.uniform import read_uniform_ihex, read_uniform_srec
from caldiff.image.writing import dump_image

LIMITS = Limits(size=4096, span=1 << 20)
WIDE = Limits(span=1 << 32)


def fast(data: bytes, limits: Limits = LIMITS) -> Parsed | None:
    return (read_uniform_srec if data.lstrip()[:1] in (b"S", b"s") else read_uniform_ihex)(data, limits=limits)


def exact(data: bytes, limits: Limits = LIMITS) -> Parsed | ImageError:
    reader = read_srec if data.lstrip()[:1] in (b"S", b"s") else read_ihex
    try:
        return reader(data, name="a", limits=limits)
    except ImageError as error:
        return error


def assert_agree(data: bytes, limits: Limits = LIMITS) -> bool:
    """Whether the fast reader answered; what it says is what the exact one says."""
    quick, slow = fast(data, limits), exact(data, limits)
    if quick is None:
        return False
    assert isinstance(slow, Parsed), f"read all the same: {slow}"
    assert attrs.evolve(quick, segments=()) == attrs.evolve(slow, segments=())
    assert Image(segments=quick.segments) == Image(segments=slow.segments)
    return True


# ------------------------------------------------------------------------------------------------- regular files

shapes = st.builds(
    RecordShape,
    length=st.integers(1, 40),
    address_bits=st.sampled_from([16, 24, 32]),
    newline=st.sampled_from(["\n", "\r\n"]),
    upper=st.booleans(),
    header=st.one_of(st.none(), st.binary(max_size=20)),
    count=st.booleans(),
    entry=st.one_of(st.none(), st.integers(1, (1 << 32) - 1)),
    segmented_entry=st.one_of(st.none(), st.integers(0, (1 << 32) - 1)),
    eof=st.booleans(),
    leading=st.booleans(),
    crossing=st.booleans(),
    block=st.one_of(st.none(), st.integers(48, 100)),
    segmented=st.booleans(),
    narrow=st.booleans(),
)


@given(image=images(top=1 << 32), shape=shapes)
def test_both_readers_agree_on_regular_intel_hex(image: Image, shape: RecordShape) -> None:
    text = dump_image(image, format="ihex", shape=attrs.evolve(shape, address_bits=32))
    assert assert_agree(text, WIDE)


@given(image=images(top=1 << 16), shape=shapes)
def test_both_readers_agree_on_regular_s_record(image: Image, shape: RecordShape) -> None:
    text = dump_image(image, format="srec", shape=attrs.evolve(shape, entry=None))
    assert assert_agree(text, WIDE)


@pytest.mark.parametrize("name", sorted(p.name for p in DATA.glob("*.[hs][e123]*") if p.suffix != ".sh"))
def test_both_readers_agree_on_files_of_real_tools(name: str) -> None:
    answered = assert_agree((DATA / name).read_bytes(), WIDE)
    assert answered == (name != "srecord-crossing.s19")  # an S1 record that runs on over its range is for the exact one


# ----------------------------------------------------------------------------------- files with something unusual

ihex_record = st.one_of(
    st.builds(ihex, st.just(0), st.integers(0, 400), st.binary(min_size=1, max_size=6)),
    st.builds(ihex, st.just(0), st.integers(0xFFF0, 0xFFFF), st.binary(max_size=6)),
    st.builds(
        ihex, st.sampled_from([2, 4]), st.integers(0, 1), st.sampled_from([b"\0\0", b"\0\1", b"\x10\0", b"\xff\xff"])
    ),
    st.builds(ihex, st.sampled_from([3, 5]), st.just(0), st.binary(min_size=4, max_size=4)),
    st.builds(ihex, st.integers(0, 7), st.integers(0, 0xFFFF), st.binary(max_size=4)),
)
srec_record = st.one_of(
    st.builds(srec, st.integers(1, 3), st.integers(0, 400), st.binary(min_size=1, max_size=6)),
    st.builds(srec, st.just(1), st.integers(0xFFF0, 0xFFFF), st.binary(max_size=6)),
    st.builds(srec, st.sampled_from([5, 6]), st.integers(0, 8)),
    st.builds(srec, st.sampled_from([0, 1, 5, 9]), st.integers(0, 0xFFFF), st.binary(max_size=4)),
)
ends = st.sampled_from([b"\n", b"\r\n", b"\n\n", b" \n", b"\r\r\n", b""])
tails = st.sampled_from([b"", b"\n", b"\x1a", b"\r\n\x1a", b"\x1a\n", b"\n\n"])


@st.composite
def files(draw: st.DrawFn) -> bytes:
    """Records in any order, mostly put in order of address, with ends and tails that are mostly regular."""
    hexadecimal = draw(st.booleans())
    records = draw(st.lists(ihex_record if hexadecimal else srec_record, min_size=1, max_size=9))
    if draw(st.booleans()):
        records.sort(key=lambda r: (r[1:2] in b"5789" and not hexadecimal, r[3:7] if hexadecimal else r[4:8]))
    if draw(st.integers(0, 3)):
        records.append(ihex(1, 0) if hexadecimal else srec(9, draw(st.integers(0, 2))))
    end = draw(st.sampled_from([b"\n", b"\r\n"]))
    text = b"".join(r + (draw(ends) if draw(st.integers(0, 19)) == 0 else end) for r in records)
    return text + draw(tails)


@given(files())
@example(b":0100000000FF\r\n:00000001FF\n")  # the last line ends otherwise
def test_both_readers_agree_on_odd_files(data: bytes) -> None:
    assume(data.lstrip()[:1] in (b":", b"S"))
    assert_agree(data)


@given(
    image=images(top=1 << 16), at=st.integers(0, 10_000), to=st.integers(0, 255), form=st.sampled_from(["ihex", "srec"])
)
def test_both_readers_agree_on_files_with_one_byte_changed(image: Image, at: int, to: int, form: str) -> None:
    data = bytearray(dump_image(image, format=form))  # type: ignore[arg-type] # one of the two literals
    data[at % len(data)] = to
    assert_agree(bytes(data))


@given(
    image=images(top=1 << 16),
    at=st.integers(0, 10_000),
    length=st.integers(1, 9),
    form=st.sampled_from(["ihex", "srec"]),
)
def test_both_readers_agree_on_files_with_a_hole(image: Image, at: int, length: int, form: str) -> None:
    data = dump_image(image, format=form)  # type: ignore[arg-type] # one of the two literals
    assert_agree(data[: at % len(data)] + data[at % len(data) + length :])


def many(record: Callable[[int, int, bytes], bytes], end: bytes) -> bytes:
    return lines(*(record(1 if record is srec else 0, n * 16, bytes([n & 255]) * 16) for n in range(3000)), end)


@pytest.mark.parametrize("data", [many(ihex, ihex(1, 0)), many(srec, srec(9, 0))], ids=["ihex", "srec"])
def test_blocks_are_joined(data: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = fast(data, WIDE)
    assert whole is not None
    for size in (1000, 1024, 4096, 50_001):
        monkeypatch.setattr(uniform, "_BLOCK", size)
        assert fast(data, WIDE) == whole
    assert assert_agree(data, WIDE)


def test_the_base_address_lasts_from_block_to_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uniform, "_BLOCK", 100)
    records = [ihex(0, n * 16, bytes([n]) * 16) for n in range(20)]
    text = lines(ihex(4, 0, b"\x00\x80"), *records, ihex(2, 0, b"\xf0\x00"), ihex(1, 0))
    assert assert_agree(text, WIDE)
    parsed = fast(text, WIDE)
    assert parsed is not None
    assert parsed.segments[0].start == 0x800000


@pytest.mark.parametrize("at", range(0, 90, 2))
def test_every_digit_is_verified(at: int) -> None:
    text = lines(ihex(0, 0, bytes(range(16))), ihex(0, 16, bytes(range(16))), ihex(1, 0))
    assert fast(text, WIDE) is not None
    if re.match(rb"[0-9A-F]", text[at : at + 1]):
        for wrong in (b"0" if text[at : at + 1] != b"0" else b"1", b"G", b" ", b"\xb0"):
            assert fast(text[:at] + wrong + text[at + 1 :], WIDE) is None
