"""The compiled form of definitions: compile, open, ask by address. Rows as ``run.py`` prints them."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import Any

from caldiff.canonical import canonical_json
from caldiff.definition.compiled import compile_normal, open_compiled

BASE = 0x0080_0000
SHAPES = {"value": (), "curve": (16,), "map": (12, 16), "block": (24,)}


def corpus_normal(tables: int) -> dict[str, Any]:
    """A normal form of that many tables, most of them single values, a fifth maps (common practice, no source)."""
    draw = random.Random(7)
    kinds = ["value"] * 60 + ["curve"] * 18 + ["map"] * 20 + ["block"] * 2
    axes = {
        f"axis_{n:02d}": {
            "cells": {
                "at": BASE + 64 * n,
                "type": "u16",
                "byte_order": "big",
                "shape": [16 - n % 2 * 4],
                "strides": [2],
            },
            "scaling": f"scaling_{n % 40:02d}",
        }
        for n in range(64)
    }
    made: dict[str, Any] = {}
    at = BASE + 0x10000
    for number in range(tables):
        kind = draw.choice(kinds)
        shape = SHAPES[kind]
        cells: dict[str, Any] = {"at": at, "type": "u16", "byte_order": "big"}
        if shape:
            cells |= {"shape": list(shape), "strides": [32, 2][-len(shape) :]}
        names = [f"axis_{2 * draw.randrange(32) + (count == 12):02d}" for count in shape if kind != "block"]
        made[f"table_{number:05d}"] = {
            "kind": kind,
            "cells": cells,
            **({"axes": names} if names else {}),
            "scaling": f"scaling_{draw.randrange(40):02d}",
            "limits": ["-40", "6500"],
            "title": f"Generated table {number}",
            "group": f"Group {number % 50}",
            "tags": ["generated"],
        }
        count = 1
        for length in shape:
            count *= length
        at += 2 * count
    return {
        "definition": 1,
        "name": f"corpus-{tables}",
        "image": {"start": BASE, "size": 8 << 20, "byte_order": "big"},
        "regions": [{"name": "calibration", "start": BASE, "size": 8 << 20, "role": "calibration"}],
        "scalings": {f"scaling_{n:02d}": {"unit": f"u{n}", "linear": {"factor": f"1/{n + 2}"}} for n in range(40)},
        "axes": axes,
        "tables": made,
    }


def best(call: Callable[[], object], times: int = 5) -> float:
    """The shortest of several runs, in milliseconds."""
    spent = []
    for _ in range(times):
        begin = time.perf_counter()
        call()
        spent.append(time.perf_counter() - begin)
    return 1000 * min(spent)


def extents(tables: int, count: int, stop: int) -> list[tuple[int, int]]:
    """So many short ranges spread over the tables."""
    draw = random.Random(tables)
    starts = sorted(draw.sample(range(BASE + 0x10000, stop, 8), count))
    return [(start, start + 4) for start in starts]


def row(name: str, ms: float, peer: str, peer_ms: float, wanted: str) -> dict[str, Any]:
    return {"name": name, "ms": ms, "peer": peer, "peer_ms": peer_ms, "ratio": ms / peer_ms, "wanted": wanted}


def run() -> list[dict[str, Any]]:
    normal = {count: corpus_normal(count) for count in (10_000, 20_000)}
    data = {count: compile_normal(normal[count]) for count in normal}
    stop = max(t["cells"]["at"] for t in normal[10_000]["tables"].values())
    asked = extents(10_000, 300, stop)
    many = extents(10_000, 100_000, stop)
    fresh = {n: best(lambda n=n: open_compiled(data[n]).index.touching(asked), 20) for n in normal}
    opened = {n: best(lambda n=n: open_compiled(data[n]), 20) for n in normal}
    meaning = {key: value for key, value in normal[20_000].items() if key != "name"}
    compiling = best(lambda: compile_normal(normal[20_000]), 3)
    canonical = best(lambda: canonical_json(meaning), 3)
    everything = open_compiled(data[20_000])
    return [
        row("compile and digest, 20,000 tables", compiling, "canonical JSON alone", canonical, "< 250 ms"),
        row("open, 20,000 tables", opened[20_000], "open, 10,000 tables", opened[10_000], "< 2 ms, ratio < 1.2"),
        row("open and ask for 300 ranges", fresh[20_000], "the same, 10,000 tables", fresh[10_000], "< 4 ms"),
        row(
            "ask for 100,000 ranges",
            best(lambda: everything.index.touching(many), 3),
            "ask for 300 ranges",
            best(lambda: everything.index.touching(asked), 20),
            "bounded",
        ),
    ]
