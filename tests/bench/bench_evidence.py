"""Coverage of a million samples: fifty tables on ten distinct pairs of axes, against NumPy's histogram."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable, Iterator
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt
from report import show

from caldiff.definition.catalogue import definition_from_text
from caldiff.evidence.coverage import cover
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

Floats = npt.NDArray[np.float64]

SAMPLES = 1_000_000
BLOCK = 65_536
TABLES, PAIRS, POINTS = 50, 10, 16


@attrs.frozen
class Rows:
    """Some samples."""

    time: Floats
    weight: Floats
    values: dict[str, Floats]


def controller() -> Calibration:
    """Fifty maps of 16 by 16, five on each of ten pairs of axes, no two axes alike."""
    step = 256
    lines = ["definition: 1", "name: bench", "image: {start: 0, size: 64 KiB, byte_order: big}", "axes:"]
    for n in range(PAIRS):
        speed = ", ".join(str(500 + n + 400 * k) for k in range(POINTS))
        load = ", ".join(str(2 + n / 16 + 6 * k) for k in range(POINTS))
        lines.append(f"  speed_{n}: {{list: [{speed}], quantity: speed}}")
        lines.append(f"  load_{n}: {{list: [{load}], quantity: load}}")
    lines.append("tables:")
    lines += [
        f"  table_{n}: {{at: {n * step}, type: u8, x: speed_{n % PAIRS}, y: load_{n % PAIRS}}}" for n in range(TABLES)
    ]
    definition = definition_from_text("\n".join(lines) + "\n")
    return Calibration(label="bench", image=Image.of(bytes(1 << 16)), definition=definition)


def drive(samples: int, *, seed: int = 1) -> Rows:
    """All over the map, in one piece."""
    random = np.random.default_rng(seed)
    values = {
        "speed": random.uniform(400, 7000, samples),
        "load": random.uniform(0, 100, samples),
        "lambda": random.normal(1, 0.02, samples),
    }
    return Rows(np.arange(samples) * 0.05, np.full(samples, 0.05), values)


def blocks(rows: Rows) -> Iterator[Rows]:
    for start in range(0, rows.time.size, BLOCK):
        part = slice(start, start + BLOCK)
        yield Rows(rows.time[part], rows.weight[part], {k: v[part] for k, v in rows.values.items()})


def best(call: Callable[[], object], times: int = 5) -> float:
    """The least processor time of several runs, in milliseconds."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        call()
        spent.append(time.process_time() - begin)
    return 1000 * min(spent)


def run() -> list[dict[str, Any]]:
    engine, rows = controller(), drive(SAMPLES)
    speed, load = rows.values["speed"], rows.values["load"]
    edges = [np.linspace(400, 7000, POINTS + 1), np.linspace(0, 100, POINTS + 1)]

    def histogram() -> None:
        np.histogram2d(speed, load, bins=edges)
        np.histogram2d(speed, load, bins=edges, weights=rows.weight)

    peer_ms = best(histogram)
    peer = "numpy.histogram2d, counts and one weighted sum"
    few = [f"table_{n}" for n in range(PAIRS)]
    asked: list[tuple[str, int, dict[str, Any]]] = [
        ("50 tables on 10 pairs: counts, time, shares, visits; a table", TABLES, {}),
        ("the same, and mean, spread, extremes of lambda; a table", TABLES, {"statistics": ["lambda"]}),
        (
            "the same, and three percentiles; a table",
            TABLES,
            {"statistics": ["lambda"], "percentiles": [5, 50, 95]},
        ),
        ("10 tables on 10 pairs: counts, time, shares, visits; a table", PAIRS, {"tables": few}),
    ]
    out = []
    for name, tables, options in asked:
        ms = best(lambda options=options: cover(blocks(rows), engine, **options), 3) / tables
        out.append(_row(name, ms, peer, peer_ms, "< 0.2" if tables == TABLES else ""))
    return [*out, _memory(engine)]


def _row(name: str, ms: float, peer: str, peer_ms: float, wanted: str) -> dict[str, Any]:
    return {"name": name, "ms": ms, "peer": peer, "peer_ms": peer_ms, "ratio": ms / peer_ms, "wanted": wanted}


def _memory(engine: Calibration) -> dict[str, Any]:
    """Streamed: ten times the samples take no more memory than one block and the tallies."""

    def streamed() -> Iterator[Rows]:
        for n in range(10 * SAMPLES // BLOCK):
            yield drive(BLOCK, seed=n)

    tracemalloc.start()
    begin = time.process_time()
    cover(streamed(), engine)
    spent = 1000 * (time.process_time() - begin)
    peak = tracemalloc.get_traced_memory()[1] / (1 << 20)
    tracemalloc.stop()
    return {
        "name": "10 million samples streamed, made as they are read",
        "ms": spent,
        "peak_mib": peak,
        "wanted": "< 64 MiB",
    }


if __name__ == "__main__":
    show(run())
