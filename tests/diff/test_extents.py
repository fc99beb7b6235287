"""Differing bytes in runs, against a byte-by-byte loop."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.diff import extents
from caldiff.diff.extents import Window, joined, ranges_to_look_up, windows
from caldiff.image.model import Image, Segment


def naive(before: Image, after: Image) -> dict[int, int]:
    """Differing addresses with the bits that differ."""

    def held(image: Image) -> dict[int, int]:
        return {s.start + n: byte for s in image.segments for n, byte in enumerate(s.data)}

    ours, theirs = held(before), held(after)
    found = {}
    for address in sorted({*ours, *theirs}):
        one_sided = (address in ours) != (address in theirs)
        bits = 0xFF if one_sided else ours[address] ^ theirs[address]
        if bits:
            found[address] = bits
    return found


@st.composite
def images(draw: st.DrawFn) -> tuple[Image, Image]:
    """Two images with gaps; the second is often the first with a few bytes changed and ends cut."""
    before, after = [], []
    at = draw(st.integers(0, 9))
    for _ in range(draw(st.integers(0, 4))):
        data = draw(st.binary(min_size=1, max_size=60))
        before.append(Segment(start=at, data=data))
        other = bytearray(data)
        for place in draw(st.lists(st.integers(0, len(data) - 1), max_size=4)):
            other[place] ^= draw(st.integers(0, 255))
        cut = draw(st.integers(0, 12)) if draw(st.booleans()) else 0
        after.append(Segment(start=at + cut, data=bytes(other[cut:])))
        at += len(data) + draw(st.integers(1, 20))
    return Image(segments=tuple(before)), Image(segments=tuple(after))


@given(images())
def test_every_differing_byte_is_found_with_its_bits(pair: tuple[Image, Image]) -> None:
    found = {}
    for window in windows(*pair):
        for chunk in window.chunks():
            found |= {window.start + int(o): int(b) for o, b in zip(chunk.offsets, chunk.bits, strict=True)}
    assert found == naive(*pair)


@given(images())
def test_ranges_are_the_runs_of_differing_addresses(pair: tuple[Image, Image]) -> None:
    ranges = ranges_to_look_up(windows(*pair))
    assert [a for start, stop in ranges for a in range(start, stop)] == list(naive(*pair))
    assert all(stop < start for (_, stop), (start, _) in pairwise(ranges))


@given(images())
def test_windows_hold_every_address_once_and_say_who_has_it(pair: tuple[Image, Image]) -> None:
    before, after = pair
    seen: dict[int, str] = {}
    for window in windows(before, after):
        for address in range(window.start, window.stop):
            assert address not in seen
            seen[address] = window.presence
    held = {a for image in pair for s in image.segments for a in range(s.start, s.stop)}
    assert set(seen) == held
    for address, presence in seen.items():
        who = (before.segment_at(address) is not None, after.segment_at(address) is not None)
        assert who == {"both": (True, True), "before": (True, False), "after": (False, True)}[presence]


def test_many_chunks_give_what_one_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    data = bytes(range(256)) * 4
    other = bytes(b if n % 7 == 0 else b ^ 1 for n, b in enumerate(data))
    pair = Image.of(data, start=5), Image.of(other, start=5)
    whole = ranges_to_look_up(windows(*pair))
    monkeypatch.setattr(extents, "_CHUNK_WORDS", 3)
    assert ranges_to_look_up(windows(*pair)) == whole
    assert [a for start, stop in whole for a in range(start, stop)] == list(naive(*pair))


def test_very_many_runs_are_joined_and_still_cover_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extents, "_MOST_RANGES", 4)
    data = bytes(300)
    other = bytearray(data)
    for place in [0, 2, 4, 6, 8, 100, 102, 104, 299]:
        other[place] = 1
    ranges = ranges_to_look_up(windows(Image.of(data), Image.of(bytes(other))))
    assert ranges == [(0, 9), (100, 105), (299, 300)]


def test_two_images_of_different_alignment_are_compared_where_both_are() -> None:
    data = bytes(range(100))
    other = bytearray(data[3:])
    other[20] ^= 0x40
    assert ranges_to_look_up(windows(Image.of(data), Image.of(bytes(other), start=3))) == [(0, 3), (23, 24)]


def test_joined_joins_what_lies_within_the_gap() -> None:
    starts, stops = joined(np.array([0, 5, 9, 30]), np.array([3, 8, 10, 31]), gap=2)
    assert (starts.tolist(), stops.tolist()) == ([0, 30], [10, 31])


def test_an_empty_pair_has_no_window() -> None:
    assert windows(Image(segments=()), Image(segments=())) == ()
    assert ranges_to_look_up(()) == []


def test_equal_windows_have_no_run() -> None:
    same = np.arange(20, dtype=np.uint8)
    window = Window(start=0, size=20, before=same, after=same.copy())
    assert window.runs()[0].size == 0
