"""Sketches: what they leave of images, and that distances are counted as a plain loop over blocks counts them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.image.model import Image, Segment
from caldiff.vault.sketch import BLOCK, Sketch, distances, marks, sketch_of

BLOCKS = st.lists(st.integers(0, 3), min_size=1, max_size=12)


def block(kind: int) -> bytes:
    """0: erased; else one of a few blocks that are not."""
    return b"\xff" * BLOCK if kind == 0 else bytes([kind, *range(7)]) * (BLOCK // 16) + bytes(range(8)) * (BLOCK // 16)


def image(kinds: list[int], start: int = 5 * BLOCK) -> Image:
    return Image.of(b"".join(map(block, kinds)), start=start)


def as_dict(sketch: Sketch) -> dict[int, int]:
    return dict(zip(sketch.places.tolist(), sketch.hashes.tolist(), strict=True))


def test_one_hash_a_block_and_none_for_erased_memory() -> None:
    found = as_dict(sketch_of(image([1, 0, 2, 1])))
    assert set(found) == {5, 7, 8}
    assert found[5] == found[8] != found[7]


@pytest.mark.parametrize("at", [0, 1, 8, BLOCK - 1])
def test_any_byte_of_a_block_counts(at: int) -> None:
    data = block(1)
    other = data[:at] + bytes([data[at] ^ 0x40]) + data[at + 1 :]
    assert as_dict(sketch_of(Image.of(data))).keys() == as_dict(sketch_of(Image.of(other))).keys()
    assert as_dict(sketch_of(Image.of(data))) != as_dict(sketch_of(Image.of(other)))


def test_the_order_of_words_counts() -> None:
    words = [bytes([n]) * 8 for n in range(BLOCK // 8)]
    swapped = [words[1], words[0], *words[2:]]
    assert as_dict(sketch_of(Image.of(b"".join(words)))) != as_dict(sketch_of(Image.of(b"".join(swapped))))


def test_a_block_is_one_block_however_segments_lie_in_it() -> None:
    data = bytes(range(1, 80))
    starts = (BLOCK - 20, BLOCK + 90, 2 * BLOCK - 30, 9 * BLOCK)
    parts = Image(segments=tuple(Segment(start=start, data=data) for start in starts))
    room = bytearray(10 * BLOCK)
    for segment in parts:
        room[segment.start : segment.stop] = segment.data
    whole = as_dict(sketch_of(Image.of(bytes(room))))
    assert as_dict(sketch_of(parts)) == whole
    assert set(whole) == {0, 1, 2, 9}


def test_an_image_of_nothing() -> None:
    empty = sketch_of(Image.of(b""))
    assert as_dict(empty) == {}
    assert as_dict(Sketch.read(empty.dump())) == {}
    assert marks(empty).size == 0
    assert [a.tolist() for a in distances(empty, empty, [empty])] == [[0, 0], [0, 0]]


@given(BLOCKS, BLOCKS, st.integers(0, 3))
def test_less_and_over_are_inverse(first: list[int], second: list[int], moved: int) -> None:
    one, other = sketch_of(image(first)), sketch_of(image(second, start=(5 + moved) * BLOCK))
    left = one.less(other)
    assert as_dict(Sketch.read(left.dump()).over(other)) == as_dict(one)
    mine, theirs = as_dict(one), as_dict(other)
    assert as_dict(left) == {p: mine.get(p, 0) for p in mine.keys() | theirs.keys() if mine.get(p) != theirs.get(p)}


@given(BLOCKS, BLOCKS, st.lists(BLOCKS, max_size=5))
def test_distances_are_those_of_a_plain_count(asked: list[int], base: list[int], members: list[list[int]]) -> None:
    one, root = sketch_of(image(asked)), sketch_of(image(base))
    whole = [root, *(sketch_of(image(member)) for member in members)]
    far, same = distances(one, root, [member.less(root) for member in whole[1:]])
    mine = as_dict(one)
    for n, member in enumerate(map(as_dict, whole)):
        assert far[n] == sum(mine.get(p) != member.get(p) for p in mine.keys() | member.keys())
        assert same[n] == sum(mine[p] == member.get(p) for p in mine)


def test_images_that_are_alike_share_marks() -> None:
    draw = np.random.default_rng(3)
    data = bytearray(draw.bytes(400 * BLOCK))
    before = marks(sketch_of(Image.of(bytes(data))))
    for n in range(20):  # one block in twenty
        data[n * 20 * BLOCK] ^= 1
    after = marks(sketch_of(Image.of(bytes(data))))
    assert len(before) == len(after) == 128
    assert len(np.intersect1d(before, after)) > 100
    assert len(np.intersect1d(before, marks(sketch_of(Image.of(draw.bytes(400 * BLOCK)))))) == 0
    assert len(np.intersect1d(before, marks(sketch_of(Image.of(bytes(data), start=BLOCK))))) == 0
