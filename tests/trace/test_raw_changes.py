"""The digest of raw changes, held against a naive reckoning byte by byte that shares no code with the package."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.diff import extents
from caldiff.diff.model import Extent
from caldiff.image.model import Image, Segment
from caldiff.trace import raw
from caldiff.trace.raw import bytes_by_region, raw_changes_digest


def naive(before: dict[int, int], after: dict[int, int]) -> str:
    """Form 1 from images as mappings of address to byte, one address at a time."""
    runs: list[tuple[int, int, list[int]]] = []  # start, presence, addresses
    for address in sorted(before.keys() | after.keys()):
        was, now = before.get(address), after.get(address)
        if was == now:
            continue
        presence = 0 if was is not None and now is not None else 1 if now is None else 2
        if runs and runs[-1][1] == presence and runs[-1][2][-1] == address - 1:
            runs[-1][2].append(address)
        else:
            runs.append((address, presence, [address]))
    data = b"caldiff raw changes, form 1\n" + len(runs).to_bytes(8, "big")
    data += b"".join(start.to_bytes(8, "big") for start, _, _ in runs)
    data += b"".join(len(held).to_bytes(8, "big") for _, _, held in runs)
    data += bytes(presence for _, presence, _ in runs)
    data += bytes(before[a] for _, _, held in runs for a in held if a in before)
    data += bytes(after[a] for _, _, held in runs for a in held if a in after)
    return hashlib.sha256(data).hexdigest()


def plain(image: Image) -> dict[int, int]:
    return {segment.start + n: byte for segment in image for n, byte in enumerate(segment.data)}


def made(parts: dict[int, bytes]) -> Image:
    """An image of runs of bytes; where they overlap, the later ones count."""
    held = {at + n: byte for at, data in parts.items() for n, byte in enumerate(data)}
    return Image(segments=tuple(Segment(start=at, data=bytes([byte])) for at, byte in held.items()))


BY_HAND = "a21d8556a53258a590a43156a3d7ef02dc3036a267ae8bfb052e562945698934"
images = st.dictionaries(st.integers(0, 60), st.binary(max_size=24).map(lambda d: bytes(b & 1 for b in d))).map(made)


@given(before=images, after=images)
def test_against_a_naive_reckoning(before: Image, after: Image) -> None:
    assert raw_changes_digest(before, after).hex == naive(plain(before), plain(after))


@given(before=images, after=images)
def test_in_pieces_it_is_the_same(before: Image, after: Image) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(raw, "_CHUNK", 3)
        patch.setattr(extents, "_CHUNK_WORDS", 1)
        assert raw_changes_digest(before, after).hex == naive(plain(before), plain(after))


def test_by_hand() -> None:
    """The example of docs/recording.md: its bytes written down, and their digest by sha256sum of GNU coreutils."""
    before = Image.of(bytes.fromhex("000102030405"), start=0x1000)
    after = Image.of(bytes.fromhex("00aabb030405ff"), start=0x1000)
    written = (
        b"caldiff raw changes, form 1\n"
        + bytes.fromhex("0000000000000002")
        + bytes.fromhex("0000000000001001 0000000000001006")
        + bytes.fromhex("0000000000000002 0000000000000001")
        + bytes.fromhex("00 02")
        + bytes.fromhex("0102")
        + bytes.fromhex("aabb ff")
    )
    assert raw_changes_digest(before, after).hex == hashlib.sha256(written).hexdigest() == BY_HAND


def test_any_one_byte_of_either_side_counts() -> None:
    data = bytes(range(64))
    other = bytes(b ^ 0x55 for b in data)
    digest = raw_changes_digest(Image.of(data), Image.of(other))
    for at in range(64):
        for before, after in ((1, 0), (0, 1)):
            changed = raw_changes_digest(
                Image.of(data).patched({at: bytes([data[at] ^ before])}),
                Image.of(other).patched({at: bytes([other[at] ^ after])}),
            )
            assert changed != digest
    assert raw_changes_digest(Image.of(data, start=1), Image.of(other, start=1)) != digest


def test_addresses_at_the_top() -> None:
    top = (1 << 63) - 4
    before, after = Image.of(b"abcd", start=top), Image.of(b"abcx", start=top)
    assert raw_changes_digest(before, after).hex == naive(plain(before), plain(after))


def test_bytes_by_region_of_plain_extents_and_of_arrays_alike() -> None:
    found = [
        Extent(start=0, stop=4, region="a", role="code"),
        Extent(start=8, stop=9),
        Extent(start=16, stop=18, region="a", role="code", presence="after"),
    ]
    assert bytes_by_region(found) == {("a", "code"): 6, ("", None): 1}
