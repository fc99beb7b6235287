"""Reading and writing 4 MiB of Intel HEX and S-record, beside bincopy and intelhex in the same run.

``python tests/bench/bench_image.py``
"""

from __future__ import annotations

import io
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from random import Random
from time import process_time
from typing import Any

import bincopy
import intelhex

sys.path.insert(0, str(Path(__file__).parent))

from caldiff.image.model import Format, Image, RecordShape
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image

SIZE = 4 * 1024 * 1024
START = 0x00800000
WANTED = {"read": 60, "write": 40}  # milliseconds


def best(work: Callable[[], object], times: int) -> float:
    """Milliseconds of processor time of the fastest of several runs: all is done in one thread, and in memory."""
    found = []
    for _ in range(times):
        began = process_time()
        work()
        found.append(process_time() - began)
    return 1000 * min(found)


def bincopy_file(image: Image) -> bincopy.BinFile:
    """The same content for bincopy."""
    file = bincopy.BinFile()
    file.add_binary(image.segments[0].data, address=image.start)
    return file


def intelhex_file(image: Image) -> intelhex.IntelHex:
    """The same content for intelhex."""
    file = intelhex.IntelHex()
    file.frombytes(image.segments[0].data, offset=image.start)
    return file


def intelhex_written(file: intelhex.IntelHex, length: int) -> str:
    """What intelhex writes."""
    out = io.StringIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        file.write_hex_file(out, byte_count=length)
    return out.getvalue()


def row(name: str, ms: float, peer: str, peer_ms: float) -> dict[str, Any]:
    """One line of the table."""
    wanted = WANTED[name.split(maxsplit=1)[0]]
    return {
        "name": name,
        "ms": ms,
        "peer": peer,
        "peer_ms": peer_ms,
        "ratio": ms / peer_ms,
        "wanted": f"<= {wanted} ms",
    }


def run() -> list[dict[str, Any]]:
    """Rows for Intel HEX at the two usual record lengths, and S-record at one. Peers run once: they take seconds."""
    data = Random(1).randbytes(SIZE)
    rows = []
    cases: list[tuple[Format, int]] = [("ihex", 16), ("ihex", 32), ("srec", 32)]
    for form, length in cases:
        image = Image.of(data, start=START)
        shape = RecordShape(length=length, header=b"bench", count=True)
        text = dump_image(image, format=form, shape=shape)
        assert read_image(text) == image
        reading = best(lambda text=text: read_image(text), 7)  # type: ignore[misc] # bound now, on purpose
        writing = best(lambda i=image, f=form, s=shape: dump_image(i, format=f, shape=s), 7)  # type: ignore[misc]
        words = text.decode()
        about = f"4 MiB {form}, {length} bytes a record"
        other = bincopy_file(image)
        add, dump = (
            (bincopy.BinFile().add_ihex, other.as_ihex)
            if form == "ihex"
            else (bincopy.BinFile().add_srec, other.as_srec)
        )
        rows.append(row(f"read {about}", reading, "bincopy", best(lambda a=add, w=words: a(w), 1)))  # type: ignore[misc]
        rows.append(row(f"write {about}", writing, "bincopy", best(lambda d=dump, n=length: d(n), 1)))  # type: ignore[misc]
        if (form, length) == ("ihex", 32):
            third = intelhex_file(image)
            parsing = best(lambda w=words: intelhex.IntelHex().loadhex(io.StringIO(w)), 1)  # type: ignore[misc]
            rows.append(row(f"read {about}", reading, "intelhex", parsing))
            rows.append(row(f"write {about}", writing, "intelhex", best(lambda t=third: intelhex_written(t, 32), 1)))  # type: ignore[misc]
    return rows


if __name__ == "__main__":
    from report import show

    show(run())
