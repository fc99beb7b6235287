"""Recovery data: what it promises to mend, it mends; what it gives back is what was there, or nothing."""

from __future__ import annotations

import random
import zlib
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, VaultError
from caldiff.vault.mend import make_mend, read_mend, rebuilt

NAME = "objects/ab/some"
SIZES = [0, 1, 700, 4095, 4096, 4097, 8192, 8193, 3 * 4096 + 5, 20_000]


def content(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


@pytest.mark.parametrize("size", SIZES)
def test_what_is_sound_is_given_back(size: int) -> None:
    data = content(size)
    mend = read_mend(make_mend(NAME, data))
    assert (mend.file, mend.size, mend.digest.hex, mend.intact) == (NAME, size, sha256(data).hexdigest(), True)
    assert rebuilt(mend, data) == data


@pytest.mark.parametrize("size", [1, 700, 4095, 4096])
def test_a_small_file_comes_back_when_all_of_it_is_lost(size: int) -> None:
    mend = read_mend(make_mend(NAME, content(size)))
    assert rebuilt(mend, None) == content(size)
    assert rebuilt(mend, b"") == content(size)


@given(st.data(), st.integers(1, 60_000), st.integers(0, 9))
def test_any_one_block_is_mended(data: st.DataObject, size: int, seed: int) -> None:
    was = content(size, seed)
    at = data.draw(st.integers(0, (size - 1) // 4096)) * 4096
    block = was[at : at + 4096]
    lost = was[:at] + data.draw(st.sampled_from([bytes(len(block)), block[::-1], block.swapcase()])) + was[at + 4096 :]
    assert rebuilt(read_mend(make_mend(NAME, was)), lost) == was


@given(st.data(), st.integers(1, 30_000), st.integers(0, 9))
def test_any_burst_of_a_block_is_mended_wherever_it_begins(data: st.DataObject, size: int, seed: int) -> None:
    """Two groups at least, so ``(2 - 1) * 4096 + 1`` bytes."""
    was = content(size, seed)
    at = data.draw(st.integers(0, size - 1))
    length = data.draw(st.integers(1, 4097))
    lost = was[:at] + bytes(len(was[at : at + length])) + was[at + length :]
    assert rebuilt(read_mend(make_mend(NAME, was)), lost) == was


@pytest.mark.parametrize("seed", range(5))
def test_a_longer_burst_is_mended_in_a_larger_file(seed: int) -> None:
    """A file of 1024 blocks has 8 groups of 128: bursts up to ``7 * 4096 + 1`` bytes."""
    was = content(1024 * 4096)
    mend = read_mend(make_mend(NAME, was))
    at = random.Random(seed).randrange(len(was) - 28_673)
    assert rebuilt(mend, was[:at] + bytes(28_673) + was[at + 28_673 :]) == was
    assert len(mend.parity) == 8


def test_an_end_cut_off_within_a_block_is_mended() -> None:
    was = content(10 * 4096)
    mend = read_mend(make_mend(NAME, was))
    assert rebuilt(mend, was[:-4096]) == was
    assert rebuilt(mend, was[:-5000]) == was
    assert rebuilt(mend, was + b"more") == was


def test_more_than_it_can_is_not_mended() -> None:
    """Blocks 0 and 2 of ten lie in one of two groups."""
    was = content(10 * 4096)
    mend = read_mend(make_mend(NAME, was))
    assert rebuilt(mend, bytes(4096) + was[4096:8192] + bytes(4096) + was[12_288:]) is None
    assert rebuilt(mend, None) is None


def test_the_form_does_not_change() -> None:
    """By hand: the first line, the CRC-32 of each block, a copy for parity, the digest of it all."""
    data = b"engine"
    line = (
        b'{"caldiff":"mend","file":"vault.json","sha256":"%s","size":6,"version":1}\n'
        % sha256(data).hexdigest().encode()
    )
    plain = line + zlib.crc32(data).to_bytes(4, "big") + data
    assert make_mend("vault.json", data) == plain + sha256(plain).digest()


def test_two_blocks_have_a_copy_each() -> None:
    data = content(5000)
    tail = make_mend("x", data)[-32 - 8192 : -32]
    assert tail == data.ljust(8192, b"\0")


def test_the_parity_does_not_change() -> None:
    """By hand: the line through (0, 1) and (1, 4) in GF(256), at 2: 1 + 2 * (1 + 4), sums being XOR, is 11.

    The second of the two groups has one block, copied.
    """
    data = b"".join(bytes([n]) * 4096 for n in (1, 2, 4))
    tail = make_mend("x", data)[-32 - 8192 : -32]
    assert tail[:4096] == bytes([11]) * 4096
    assert tail[4096:] == b"\2" * 4096


@given(st.data(), st.sampled_from(SIZES))
def test_damaged_recovery_data_never_gives_other_bytes(data: st.DataObject, size: int) -> None:
    was = content(size)
    whole = bytearray(make_mend(NAME, was))
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] ^= 1 << data.draw(st.integers(0, 7))
    try:
        mend = read_mend(bytes(whole))
    except VaultError:
        return
    # A name may be read wrong; what is given back may not.
    assert not mend.intact
    assert rebuilt(mend, was) in (was, None)
    assert rebuilt(mend, None) in (was, None)


@given(st.binary(max_size=300))
def test_any_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(VaultError):
        read_mend(data)


@pytest.mark.parametrize(
    "line",
    [
        b'{"caldiff":"mend","file":"x","sha256":"%s","size":1,"version":2}' % (b"0" * 64),
        b'{"caldiff":"mend","file":"x","sha256":"%s","size":1,"version":true}' % (b"0" * 64),
        b'{"caldiff":"mend","file":"x","sha256":"%s","size":-1,"version":1}' % (b"0" * 64),
        b'{"caldiff":"mend","file":"x","sha256":"%s","size":1e3,"version":1}' % (b"0" * 64),
        b'{"caldiff":"mend","file":"x","sha256":"%s","size":9007199254740991,"version":1}' % (b"0" * 64),
        b'{"caldiff":"mend","file":7,"sha256":"%s","size":1,"version":1}' % (b"0" * 64),
        b'{"caldiff":"mend","file":"x","sha256":"00","size":1,"version":1}',
        b'{"caldiff":"mend","file":"x","more":1,"sha256":"%s","size":1,"version":1}' % (b"0" * 64),
        b'{"caldiff":"mend", "file":"x","sha256":"%s","size":1,"version":1}' % (b"0" * 64),
        b"[" * 900,
        b"null",
    ],
)
def test_a_first_line_that_makes_no_sense_is_refused(line: bytes) -> None:
    with pytest.raises(CaldiffError):
        read_mend(line + b"\n" + bytes(37))
