"""Generated units: stock images of 4 MiB, each its own, and revisions that edit tables as a calibrator would.

Half of a stock is made like program code (words of a few thousand, which compress about two to one), an eighth is
tables, the rest is erased. A calibrator works on some dozens of maps of a unit (common practice, no source): a revision
shifts runs of neighbouring cells of these by a step, until about as many bytes differ as were drawn. That makes a
median of some 490 bytes to its parent and, over twenty revisions, of several thousand to the stock.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import numpy as np
from corpus import HEAD, START, Place, _places, _stock, definition_yaml

__all__ = ["SIZE", "TABLES", "differing", "revisions", "stock", "write_definition"]

SIZE = 4 << 20
TABLES = 5_000
MEDIAN, SPREAD = 490, 1.0
"""of the bytes that a revision changes, and of their logarithm"""
WORKED_ON = 80
"""maps of a unit that are ever edited"""
CODE = 1 << 20
"""offset from which on there is code"""


def write_definition(folder: Path, tables: int = TABLES, size: int = SIZE) -> Path:
    """The definition of them all, in a folder of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"corpus-{tables}.yaml"
    path.write_text(definition_yaml(tables, size), encoding="utf-8")
    return path


@cache
def places(tables: int, size: int) -> tuple[Place, ...]:
    """Maps: what is edited."""
    return tuple(p for p in _places(tables, size) if p.kind == "map")


def stock(number: int, *, tables: int = TABLES, size: int = SIZE) -> bytes:
    """The stock image of a unit."""
    draw = np.random.default_rng(number)
    image = np.frombuffer(bytes(_stock(tables, size)), np.uint8).copy()
    for place in _places(tables, size):
        at = place.at - START
        steps = draw.integers(-2, 4, place.size)  # smooth, as the surface of a table is
        image[at : at + place.size] = (draw.integers(40, 200) + np.cumsum(steps)) & 0xFF
    start = min(CODE, size // 4)
    words = draw.integers(0, 256, (4096, 4), dtype=np.uint8)
    wanted = np.minimum(draw.zipf(1.2, size // 8), 4096) - 1
    code = words[wanted].reshape(-1)
    image[start : start + len(code)] = code
    image[HEAD // 2 : HEAD] = draw.integers(0, 256, HEAD // 2, dtype=np.uint8)  # what no other unit has
    return image.tobytes()


def revisions(before: bytes, count: int, seed: int, *, tables: int = TABLES, size: int = SIZE) -> Iterator[bytes]:
    """So many revisions, each made from the one before."""
    draw = random.Random(seed)
    image = bytearray(before)
    worked_on = draw.sample(places(tables, size), min(WORKED_ON, len(places(tables, size))))
    for _ in range(count):
        target = min(max(int(draw.lognormvariate(np.log(MEDIAN), SPREAD)), 4), 20_000)
        changed: set[int] = set()
        while len(changed) < target:
            changed.update(_edit(image, draw, target - len(changed), worked_on))
        yield bytes(image)


def _edit(image: bytearray, draw: random.Random, most: int, worked_on: Sequence[Place]) -> range:
    """Shift a run of neighbouring cells of one table."""
    place = draw.choice(worked_on)
    width = int(place.type[1:]) // 8
    length = min(draw.randint(4, place.cells), most)
    first = draw.randint(0, place.cells - length)
    step = draw.choice([-6, -4, -3, -2, -1, 1, 2, 3, 4, 6])
    start = place.at - START + first * width
    shifted = range(start + width - 1, start + length * width, width)  # the low byte of a big-endian cell
    for at in shifted:
        image[at] = (image[at] + step) & 0xFF
    return shifted


def differing(one: bytes, other: bytes) -> int:
    """How many bytes differ."""
    return int(np.count_nonzero(np.frombuffer(one, np.uint8) != np.frombuffer(other, np.uint8)))
