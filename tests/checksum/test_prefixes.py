"""The values of every prefix are those of the prefixes, one by one."""

from __future__ import annotations

import random
from typing import Any

from checksum_schemes import ORDERS, crcs, sums, xors
from hypothesis import given
from hypothesis import strategies as st

from caldiff.checksum.methods import reckon
from caldiff.checksum.prefixes import prefix_values, unit_of
from caldiff.crc import Crc, catalogue, combine_crcs, reckon_crc, running_crcs
from caldiff.definition.checksums import Adler32, Fletcher

METHODS = st.one_of(
    crcs(), sums(), xors(), st.just(Adler32()), st.builds(Fletcher, bits=st.sampled_from([16, 32]), byte_order=ORDERS)
)


@given(METHODS, st.integers(0, 2100), st.integers(0, 2**32))
def test_every_prefix(method: Any, size: int, seed: int) -> None:
    data = random.Random(seed).randbytes(size)
    found, unit = prefix_values(method, data), unit_of(method)
    assert found.shape == (size // unit + 1,)
    for number in {0, 1, 2, *range(0, size // unit, 97), size // unit} & set(range(size // unit + 1)):
        assert int(found[number]) == reckon(method, data[: number * unit])


def test_long_data() -> None:
    data = random.Random(1).randbytes(300_000)
    for name in ("CRC-32/ISO-HDLC", "CRC-16/IBM-3740", "CRC-12/UMTS", "CRC-64/XZ", "CRC-3/GSM"):
        found = prefix_values(catalogue()[name], data)
        for size in (1, 1023, 1024, 1025, 262_144, 299_999, 300_000):
            assert int(found[size]) == reckon(catalogue()[name], data[:size])


def test_the_largest_bytes_do_not_overflow() -> None:
    data = b"\xff" * 3_000_000
    for method in (Adler32(), Fletcher(bits=16), Fletcher(bits=32)):
        assert int(prefix_values(method, data)[-1]) == reckon(method, data)


@given(crcs(), st.binary(max_size=50), st.integers(1, 9))
def test_running(crc: Crc, data: bytes, step: int) -> None:
    whole = range(0, len(data) + 1, step)
    assert list(running_crcs(crc, data, step)) == [reckon_crc(crc, data[:n]) for n in whole]


@given(crcs(), st.binary(max_size=50), st.binary(max_size=50))
def test_combined(crc: Crc, first: bytes, second: bytes) -> None:
    parts = reckon_crc(crc, first), reckon_crc(crc, second)
    assert combine_crcs(crc, *parts, len(second)) == reckon_crc(crc, first + second)
