"""CRCs per byte beside zlib's, and the state of a 4 MiB image with eight checksums of mixed kinds.

``python tests/bench/bench_checksum.py``
"""

from __future__ import annotations

import sys
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from random import Random
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from caldiff.checksum.correct import correct
from caldiff.checksum.methods import reckon
from caldiff.checksum.state import states
from caldiff.crc import Crc, crc_by_name
from caldiff.definition.checksums import (
    Adler32,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Method,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.model import TYPES
from caldiff.image.model import Image

SIZE = 4 * 1024 * 1024
START = 0x00800000


def best(work: Callable[[], object], times: int = 15) -> float:
    """Milliseconds of the fastest of several runs."""
    found = []
    for _ in range(times):
        began = perf_counter()
        work()
        found.append(perf_counter() - began)
    return 1000 * min(found)


def crc(name: str) -> Crc:
    """By its name in the catalogue."""
    found = crc_by_name(name)
    assert found is not None
    return found


def unlike(width: int) -> Crc:
    """A CRC of any width that reflects its input and not its output."""
    ones = (1 << width) - 1
    return Crc(width=width, polynomial=0x1D & ones, start=ones, reflect_in=True, reflect_out=False, final_xor=ones)


def rows_per_crc(data: bytes) -> list[dict[str, Any]]:
    """Every width from 8 to 64 against zlib; the slowest and some named ones are shown."""
    peer = best(lambda: zlib.crc32(data))
    named = ["CRC-8/SMBUS", "CRC-16/IBM-3740", "CRC-24/OPENPGP", "CRC-32/ISO-HDLC", "CRC-40/GSM", "CRC-64/XZ"]
    times = {f"reckon 4 MiB {name}": best(partial(reckon, crc(name), data)) for name in named}
    every = {width: best(partial(reckon, unlike(width), data), 5) for width in range(8, 65)}
    slowest = max(every, key=lambda width: every[width])
    times[f"the slowest width of 8 to 64: {slowest}, unlike reflection"] = every[slowest]
    return [
        {"name": name, "ms": ms, "peer": "zlib.crc32", "peer_ms": peer, "ratio": ms / peer, "wanted": "<= 1.0 x"}
        for name, ms in times.items()
    ]


def scheme() -> list[Checksum]:
    """Eight checksums of mixed kinds that cover the image between them, one over the others' fields."""
    quarter, end = SIZE // 4, START + SIZE - 1024
    u8, u16, u32 = (TYPES[name] for name in ("u8", "u16", "u32"))
    kinds: list[tuple[Method, int, int, int]] = [
        (crc("CRC-32/ISO-HDLC"), 0, SIZE - 1024, 4),
        (crc("CRC-16/IBM-3740"), 0, SIZE - 1024, 2),
        (Sum(word=u16, byte_order="big", bits=32, complement="twos"), 0, SIZE - 1024, 4),
        (Sum(word=u8, byte_order="big", bits=16), 0, quarter, 2),
        (Xor(word=u32, byte_order="big"), 0, SIZE - 1024, 4),
        (Adler32(), quarter, 2 * quarter, 4),
        (Fletcher(bits=16), 2 * quarter, 3 * quarter, 2),
        (Hash(name="sha-256"), 3 * quarter, SIZE - 1024 + 32 * 7, 32),
    ]
    return [
        Checksum(
            name=f"c{n}",
            method=method,
            coverage=Coverage(spans=(Span(start=START + low, stop=START + high),)),
            fields=(StoredField(at=end + 32 * n, size=size, byte_order="big"),),
        )
        for n, (method, low, high, size) in enumerate(kinds)
    ]


def run() -> list[dict[str, Any]]:
    """The rows: CRCs against zlib, then a whole image."""
    data = Random(1).randbytes(SIZE)
    image = Image.of(data, start=START)
    checksums = scheme()
    good = correct(image, checksums)
    assert {s.status for s in states(good, checksums)} == {"valid"}
    return [
        *rows_per_crc(data),
        {
            "name": "state of 4 MiB, eight mixed checksums",
            "ms": best(lambda: states(good, checksums)),
            "wanted": "<= 15 ms",
        },
        {"name": "correct 4 MiB, eight mixed checksums", "ms": best(lambda: correct(image, checksums), 5)},
    ]


if __name__ == "__main__":
    from report import show

    show(run())
