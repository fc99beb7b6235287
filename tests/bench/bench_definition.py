"""First load of a definition from YAML, against PyYAML's C loader."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import yaml
from corpus import definition_yaml

from caldiff.definition.compiled import compile_normal, open_compiled
from caldiff.definition.loader import Loaded, normal_from_text

__all__ = ["run"]

TABLES = 20_000
SIZE = 8 << 20
ROUNDS = 5


def best(*calls: Callable[[], object]) -> list[float]:
    """The least milliseconds of each call; the calls take turns, so that a busy moment hits all alike."""
    found = [float("inf")] * len(calls)
    for _ in range(ROUNDS):
        for number, call in enumerate(calls):
            began = time.perf_counter()
            call()
            found[number] = min(found[number], (time.perf_counter() - began) * 1000)
    return found


def compiled(loaded: Loaded) -> object:
    sources = [(source.name, source.digest.hex) for source in loaded.sources]
    return open_compiled(compile_normal(loaded.normal, sources))


def run() -> list[dict[str, Any]]:
    """Rows of name, ms, peer, peer_ms, ratio (how many times the peer takes) and wanted."""
    text = definition_yaml(TABLES, SIZE)
    doubtful = text.replace("title: Generated corpus", 'title: "\\x47enerated corpus"')
    peer, ours, whole, other = best(
        lambda: yaml.load(text, yaml.CSafeLoader),
        lambda: normal_from_text(text),
        lambda: compiled(normal_from_text(text)),
        lambda: normal_from_text(doubtful),
    )
    rows = [
        (f"YAML of {TABLES} tables to the normal form", ours, ">= 3"),
        (f"YAML of {TABLES} tables to a compiled definition, opened", whole, ">= 3"),
        ("the same to the normal form, by the parser that decides", other, ""),
    ]
    return [
        {
            "name": name,
            "ms": round(ms, 1),
            "peer": "PyYAML CSafeLoader, construction only",
            "peer_ms": round(peer, 1),
            "ratio": round(peer / ms, 2),
            "wanted": wanted,
        }
        for name, ms, wanted in rows
    ]


if __name__ == "__main__":
    for row in run():
        print(row)  # noqa: T201 - a benchmark prints
