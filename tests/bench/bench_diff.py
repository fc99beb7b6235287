"""Comparing in process, definition open: what it costs, and that the cost follows the change."""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attrs
from corpus import Corpus, corpus
from deepdiff import DeepDiff
from report import show

from caldiff.definition.catalogue import Catalogue
from caldiff.diff.compare import compare
from caldiff.diff.extents import windows
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.opening import open_calibration

MIB = 1 << 20


def best(call: Callable[[], object], times: int = 9) -> float:
    """The shortest of several runs, in milliseconds."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        call()
        spent.append(time.perf_counter() - begin)
    return 1000 * min(spent)


def opened(made: Corpus, cache: Path) -> tuple[Calibration, Calibration]:
    """Both images of a corpus, read by its compiled definition."""
    definition = Catalogue(folders=(made.folder,), cache=cache).load(made.definition)
    before, after = (open_calibration(path, definition=definition) for path in (made.before, made.after))
    return before, after


def decoded(side: Calibration) -> dict[str, Any]:
    return {name: side[name].physical.tolist() for name in side}


def row(
    name: str, ms: float, peer: str | None = None, peer_ms: float | None = None, wanted: str = "< 20 ms"
) -> dict[str, Any]:
    ratio = None if peer_ms is None else ms / peer_ms
    return {"name": name, "ms": ms, "peer": peer, "peer_ms": peer_ms, "ratio": ratio, "wanted": wanted}


def run() -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder:
        return _rows(Path(folder))


def _rows(folder: Path) -> list[dict[str, Any]]:
    sides = {}
    for tables, size, changed in ((5_000, 4, 40), (20_000, 8, 20), (20_000, 8, 80), (10_000, 8, 80)):
        made = corpus(folder / f"{tables}-{changed}", tables=tables, size=size * MIB, changed=changed)
        sides[tables, changed] = opened(made, folder / "cache")
    # The 20,000 tables begin with the 10,000: the same images, the same change, read by twice the definition.
    twice = tuple(attrs.evolve(s, definition=sides[20_000, 80][0].definition) for s in sides[10_000, 80])
    times = {key: best(lambda pair=pair: compare(*pair)) for key, pair in (sides | {"twice": twice}).items()}
    before, after = sides[20_000, 80]
    slow = best(lambda: DeepDiff(decoded(before), decoded(after)), 1)
    stranger = Image.of(random.Random(5).randbytes(8 * MIB), start=before.image.start)
    every = attrs.evolve(before, image=stranger)
    data = before.image.segments[0].data
    other = bytes(bytearray(data))
    runs = best(lambda: [w.runs() for w in windows(before.image, after.image)])
    return [
        row("differing runs, 8 MiB", runs, "8 MiB == 8 MiB", best(lambda: data == other), "1-2 ms"),
        row("compare, 4 MiB, 5,000 tables, 40 changed", times[5_000, 40]),
        row("compare, 8 MiB, 20,000 tables, 20 changed", times[20_000, 20], "decode all, DeepDiff", slow, "< 0.01"),
        row("compare, 8 MiB, 20,000 tables, 80 changed", times[20_000, 80], "decode all, DeepDiff", slow, "< 20 ms"),
        row("the same change, 20,000 tables", times["twice"], "10,000 tables", times[10_000, 80], "< 1.2"),
        row("every byte differs, 8 MiB, 20,000 tables", best(lambda: compare(before, every), 1), wanted="seconds"),
    ]


if __name__ == "__main__":
    show(run())
