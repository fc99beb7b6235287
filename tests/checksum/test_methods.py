"""Every method against published vectors, the standard library's slow way, and crccheck's sums."""

from __future__ import annotations

import operator
from functools import reduce

import crccheck.checksum
import pytest
from checksum_schemes import ORDERS, UNSIGNED, sums, xors
from hypothesis import given
from hypothesis import strategies as st

from caldiff.checksum.methods import reckon
from caldiff.definition.checksums import Adler32, Fletcher, Hash, Opaque, Sum, Xor
from caldiff.definition.model import TYPES
from caldiff.errors import ChecksumError

U8, U16, U32 = UNSIGNED


# -------------------------------------------------------------------------------------------------- published vectors


def test_adler_32() -> None:
    """RFC 1950, section 8.2: s1 starts at 1, s2 at 0, both modulo 65521, by hand for one byte and none.

    The last from memory: the worked example that encyclopedias give.
    """
    assert reckon(Adler32(), b"") == 1
    assert reckon(Adler32(), b"\x02") == (3 << 16 | 3)
    assert reckon(Adler32(), b"Wikipedia") == 0x11E60398


@given(st.binary(max_size=6000))
def test_adler_32_as_rfc_1950_writes_it(data: bytes) -> None:
    low, high = 1, 0
    for byte in data:
        low = (low + byte) % 65521
        high = (high + low) % 65521
    assert reckon(Adler32(), data) == high * 65536 + low


@pytest.mark.parametrize(
    ("text", "narrow", "wide"),
    [
        (b"abcde", 0xC8F0, 0xF04FC729),
        (b"abcdef", 0x2057, 0x56502D2A),
        (b"abcdefgh", 0x0627, 0xEBE19591),
    ],
)
def test_fletcher(text: bytes, narrow: int, wide: int) -> None:
    """The worked examples that encyclopedias give, from memory; the odd one is padded with a zero byte there."""
    assert reckon(Fletcher(bits=16), text) == narrow
    assert reckon(Fletcher(bits=32), text + b"\0" * (len(text) % 2)) == wide


def test_fletcher_by_hand() -> None:
    """J. Fletcher's own rule: sums of words and of running sums, modulo 255: 1, 2 -> 3; 1, 3 -> 4."""
    assert reckon(Fletcher(bits=16), b"\x01\x02") == 0x0403
    assert reckon(Fletcher(bits=32, byte_order="big"), b"\x00\x01\x00\x02") == 0x00040003
    assert reckon(Fletcher(bits=32, byte_order="little"), b"\x00\x01\x00\x02") == 0x04000300


@pytest.mark.parametrize(
    ("text", "digest"),
    [
        (b"", "d41d8cd98f00b204e9800998ecf8427e"),
        (b"a", "0cc175b9c0f1b6a831c399e269772661"),
        (b"abc", "900150983cd24fb0d6963f7d28e17f72"),
        (b"message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
        (b"abcdefghijklmnopqrstuvwxyz", "c3fcd3d76192e4007dfb496cca67e13b"),
    ],
)
def test_md5(text: bytes, digest: str) -> None:
    """RFC 1321, appendix A.5."""
    assert reckon(Hash(name="md5"), text) == int(digest, 16)


@pytest.mark.parametrize(
    ("text", "digest"),
    [
        (b"abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
        (b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", "84983e441c3bd26ebaae4aa1f95129e5e54670f1"),
        (b"a" * 1_000_000, "34aa973cd4c4daa4f61eeb2bdbad27316534016f"),
    ],
)
def test_sha_1(text: bytes, digest: str) -> None:
    """RFC 3174, section 7.3 (TEST1, TEST2, TEST3)."""
    assert reckon(Hash(name="sha-1"), text) == int(digest, 16)


@pytest.mark.parametrize(
    ("text", "digest"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
)
def test_sha_256(text: bytes, digest: str) -> None:
    """FIPS 180-2, appendix B."""
    assert reckon(Hash(name="sha-256"), text) == int(digest, 16)


# ------------------------------------------------------------------------------------------------------- sums and xor


def test_sums_by_hand() -> None:
    data = b"\x01\x02\xff\xfe"
    assert reckon(Sum(word=U8, byte_order="big", bits=8), data) == 0x00
    assert reckon(Sum(word=U8, byte_order="big", bits=16), data) == 0x0200
    assert reckon(Sum(word=U16, byte_order="big", bits=16), data) == 0x0100
    assert reckon(Sum(word=U16, byte_order="little", bits=16), data) == 0x0100
    assert reckon(Sum(word=U16, byte_order="big", bits=32), data) == 0x010100
    assert reckon(Sum(word=U16, byte_order="little", bits=32), data) == 0x010100
    assert reckon(Sum(word=U32, byte_order="big", bits=32), data) == 0x0102FFFE
    assert reckon(Sum(word=U32, byte_order="little", bits=64, start=1), data) == 0xFEFF0202
    assert reckon(Sum(word=U8, byte_order="big", bits=16, complement="ones"), data) == 0xFDFF
    assert reckon(Sum(word=U8, byte_order="big", bits=16, complement="twos"), data) == 0xFE00
    assert reckon(Xor(word=U8, byte_order="big"), data) == 0x02
    assert reckon(Xor(word=U16, byte_order="big", start=0xFFFF), data) == 0x0103
    assert reckon(Xor(word=U16, byte_order="little"), data) == 0xFCFE


def _slowly(data: bytes, size: int, order: str) -> list[int]:
    return [int.from_bytes(data[at : at + size], order) for at in range(0, len(data), size)]  # type: ignore[arg-type]


@given(sums(), st.binary(max_size=3000))
def test_sums_agree_with_plain_integers(method: Sum, data: bytes) -> None:
    data = data[: len(data) // 4 * 4]
    total = method.start + sum(_slowly(data, method.word.size, method.byte_order))
    total = {"none": total, "ones": -1 - total, "twos": -total}[method.complement]
    assert reckon(method, data) == total % 2**method.bits


@given(xors(), st.binary(max_size=3000))
def test_xors_agree_with_plain_integers(method: Xor, data: bytes) -> None:
    data = data[: len(data) // 4 * 4]
    assert reckon(method, data) == reduce(
        operator.xor, _slowly(data, method.word.size, method.byte_order), method.start
    )


@given(st.sampled_from([16, 32]), ORDERS, st.binary(max_size=3000), st.integers(1, 20))
def test_fletcher_agrees_with_the_running_sums(bits: int, order: str, data: bytes, times: int) -> None:
    data = (data[: len(data) // 2 * 2]) * times
    low = high = 0
    for word in _slowly(data, bits // 16, order):
        low = (low + word) % (2 ** (bits // 2) - 1)
        high = (high + low) % (2 ** (bits // 2) - 1)
    assert reckon(Fletcher(bits=bits, byte_order=order), data) == high << bits // 2 | low  # type: ignore[arg-type]


def test_fletcher_over_more_than_one_run_of_rows() -> None:
    data = bytes(n * n % 251 for n in range(2_500_000))
    low = high = 0
    for byte in data:
        low += byte
        high += low
    assert reckon(Fletcher(bits=16), data) == high % 255 << 8 | low % 255


def test_the_largest_words_do_not_overflow() -> None:
    """All ones are 0 modulo all ones, however many there are."""
    assert reckon(Fletcher(bits=16), b"\xff" * 3_000_001) == 0
    assert reckon(Fletcher(bits=32), b"\xff" * 5_000_000) == 0
    assert reckon(Sum(word=U8, byte_order="big", bits=64), b"\xff" * 20_000_000) == 20_000_000 * 255


@given(st.binary(min_size=4, max_size=400))
def test_sums_and_xors_agree_with_crccheck(data: bytes) -> None:
    data = data[: len(data) // 4 * 4]
    for word in UNSIGNED:
        bits = 8 * word.size
        total = getattr(crccheck.checksum, f"Checksum{bits}").calc(data)
        assert reckon(Sum(word=word, byte_order="big", bits=bits), data) == total
        exclusive = getattr(crccheck.checksum, f"ChecksumXor{bits}").calc(data)
        assert reckon(Xor(word=word, byte_order="big"), data) == exclusive


# ------------------------------------------------------------------------------------------------------------ refusals


@pytest.mark.parametrize(
    ("method", "size"),
    [
        (Sum(word=U16, byte_order="big", bits=16), 3),
        (Sum(word=U32, byte_order="big", bits=16), 6),
        (Xor(word=U32, byte_order="big"), 5),
        (Fletcher(bits=32), 7),
    ],
)
def test_a_broken_word_is_named(method: Sum, size: int) -> None:
    with pytest.raises(ChecksumError) as error:
        reckon(method, bytes(size))
    width = 2 if isinstance(method, Fletcher) else method.word.size
    assert error.value.reason == f"what is covered is no whole number of {width}-byte words"
    assert error.value.got == f"{size} bytes"


def test_an_opaque_value_is_not_reckoned() -> None:
    with pytest.raises(ChecksumError, match="RSA signature"):
        reckon(Opaque(what="an RSA signature"), b"")


def test_types_are_the_ones_of_the_model() -> None:
    assert [TYPES["u8"], TYPES["u16"], TYPES["u32"]] == UNSIGNED
