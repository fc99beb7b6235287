"""Generated corpora for the benchmarks: a definition of any number of tables, a stock image, a revision of it.

Sizes are those of real controllers (common practice, no source): most tables are single values, a fifth are maps.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import attrs

__all__ = ["START", "Corpus", "corpus", "definition_yaml"]

START = 0x0080_0000
HEAD = 0x1_0000
"""bytes before the first table: identity, then code"""
AXES = 64


@attrs.frozen(kw_only=True)
class Place:
    """One generated table."""

    name: str
    kind: str
    at: int
    type: str
    cells: int

    @property
    def size(self) -> int:
        return self.cells * int(self.type[1:]) // 8


@attrs.frozen(kw_only=True)
class Corpus:
    """Files of one corpus in a folder."""

    folder: Path
    definition: Path
    before: Path
    after: Path
    tables: int
    changed: int


def _places(tables: int, size: int) -> Iterator[Place]:
    draw = random.Random(7)
    at = START + HEAD + AXES * 64
    kinds = ["value"] * 60 + ["curve"] * 18 + ["map"] * 20 + ["block"] * 2
    for number in range(tables):
        kind = draw.choice(kinds)
        width = draw.choice(["u8", "i8", "u16", "i16"])
        cells = {"value": 1, "curve": 16, "map": 16 * 12, "block": 24}[kind]
        place = Place(name=f"table_{number:05d}", kind=kind, at=at, type=width, cells=cells)
        at += place.size + place.size % 2
        if at > START + size:
            raise ValueError(f"{tables} tables do not fit {size} bytes")
        yield place


def definition_yaml(tables: int, size: int) -> str:
    """A definition of that many tables over an image of that many bytes."""
    out = [
        f"definition: 1\nname: corpus-{tables}\ntitle: Generated corpus\n",
        f"image: {{start: 0x{START:08X}, size: {size}, byte_order: big, erased: 0xFF}}\n",
        f'fits:\n  - {{at: 0x{START:08X}, text: "CORPUS {tables:05d}"}}\n',
        f"identity:\n  calibration_id: {{at: 0x{START + 32:08X}, text: 16}}\n",
        "regions:\n",
        f"  - {{name: program, at: 0x{START + 64:08X}, size: {HEAD - 64}, role: code}}\n",
        f"  - {{name: calibration, at: 0x{START + HEAD:08X}, size: {size - HEAD}, role: calibration}}\n",
        "scalings:\n",
    ]
    out += [f'  scaling_{n:02d}: {{unit: "u{n}", factor: 1/{n + 1}, offset: -{n}, decimals: 2}}\n' for n in range(40)]
    out.append("axes:\n")
    for n in range(AXES):
        count = 16 if n % 2 == 0 else 12
        out.append(
            f"  axis_{n:02d}: {{at: 0x{START + HEAD + n * 64:08X}, type: u16, count: {count}, "
            f"scaling: scaling_{n % 40:02d}, quantity: engine_speed}}\n"
        )
    out.append("tables:\n")
    for n, place in enumerate(_places(tables, size)):
        axes = {
            "value": "",
            "curve": f"    x: axis_{n % 32 * 2:02d}\n",
            "map": f"    x: axis_{n % 32 * 2:02d}\n    y: axis_{n % 32 * 2 + 1:02d}\n",
            "block": "    shape: [4, 6]\n",
        }[place.kind]
        out.append(
            f"  {place.name}:\n    title: Generated {place.kind} {n}\n    group: group {n % 50}\n"
            f"    at: 0x{place.at:08X}\n    type: {place.type}\n{axes}    scaling: scaling_{n % 40:02d}\n"
        )
    return "".join(out)


def _stock(tables: int, size: int) -> bytearray:
    image = bytearray(b"\xff" * size)
    image[0:12] = f"CORPUS {tables:05d}".encode()
    image[32:48] = b"CAL-00000000-001"
    image[64:HEAD] = random.Random(11).randbytes(HEAD - 64)
    for n in range(AXES):
        for point in range(16):
            at = HEAD + n * 64 + point * 2
            image[at : at + 2] = (point * 400 + n).to_bytes(2, "big")
    draw = random.Random(13)
    for place in _places(tables, size):
        offset = place.at - START
        image[offset : offset + place.size] = draw.randbytes(place.size)
    return image


def _revised(stock: bytearray, tables: int, size: int, changed: int) -> bytearray:
    draw = random.Random(17)
    image = bytearray(stock)
    for place in draw.sample(list(_places(tables, size)), changed):
        offset = place.at - START
        for at in range(offset, offset + max(place.size // 4, 1)):
            image[at] ^= draw.randrange(1, 256)
    return image


def corpus(folder: Path, *, tables: int, size: int, changed: int = 40) -> Corpus:
    """Write a definition, a stock image and a revision that changes ``changed`` tables into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    made = Corpus(
        folder=folder,
        definition=folder / f"corpus-{tables}.yaml",
        before=folder / "before.bin",
        after=folder / "after.bin",
        tables=tables,
        changed=changed,
    )
    made.definition.write_text(definition_yaml(tables, size), encoding="utf-8")
    stock = _stock(tables, size)
    made.before.write_bytes(stock)
    made.after.write_bytes(_revised(stock, tables, size, changed))
    return made
