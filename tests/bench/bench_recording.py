"""Recording a revision of 4 MiB under a definition of 5,000 tables, and reckoning it again."""

from __future__ import annotations

import hashlib
import random
import tempfile
import time
from pathlib import Path
from typing import Any

from corpus import START, corpus

from caldiff.definition.catalogue import Catalogue
from caldiff.diff.compare import compare
from caldiff.image.reading import read_image
from caldiff.table.opening import open_calibration
from caldiff.trace.history import history
from caldiff.trace.raw import raw_changes_digest
from caldiff.trace.recording import Recorder
from caldiff.trace.replay import replay
from caldiff.vault.vault import Vault

__all__ = ["run"]

TABLES = 5_000
SIZE = 4 << 20
REVISIONS = 20
CHANGED = 490
"""bytes of a revision against its parent, in tables that lie together"""
TIME = "2026-03-11T09:30:00Z"


def _revised(before: bytes, number: int) -> bytes:
    """The image with some hundred bytes changed within a few kilobytes, as somebody does who works on one subject."""
    draw = random.Random(number)
    image = bytearray(before)
    first = 0x11000 + draw.randrange(200_000)
    for at in draw.sample(range(first, first + 8_000), CHANGED):
        image[at] ^= draw.randrange(1, 256)
    return bytes(image)


def _ms(began: float) -> float:
    return (time.perf_counter() - began) * 1000


def run() -> list[dict[str, Any]]:
    """Rows of name, ms, peer, peer_ms, ratio (how many times the peer takes) and wanted."""
    with tempfile.TemporaryDirectory() as folder:
        return _rows(Path(folder))


def _rows(folder: Path) -> list[dict[str, Any]]:
    made = corpus(folder / "corpus", tables=TABLES, size=SIZE)
    catalogue = Catalogue([made.folder], folder / "cache")
    vault = Vault.create(folder / "vault", id="5eed" * 8)
    recorder = Recorder(vault=vault, time=TIME, catalogue=catalogue)
    recorder.baseline("unit", made.before)
    data, path, recorded, compared, digested, hashed = made.before.read_bytes(), folder / "revision.bin", [], [], [], []
    stock = open_calibration(made.before, catalogue=catalogue)
    for number in range(REVISIONS):
        parent = open_calibration(read_image(data, name="parent", start=START), catalogue=catalogue)
        data = _revised(data, number)
        path.write_bytes(data)
        began = time.perf_counter()
        recorder.revision("unit", path)
        recorded.append(_ms(began))
        began = time.perf_counter()
        now = open_calibration(path, catalogue=catalogue)
        compare(parent, now)
        compare(stock, now)
        compared.append(_ms(began))
        began = time.perf_counter()
        raw_changes_digest(stock.image, now.image)
        digested.append(_ms(began))
        began = time.perf_counter()
        hashlib.sha256(data).hexdigest()
        hashed.append(_ms(began))
    began = time.perf_counter()
    found = replay(vault, vault.chain("unit"))
    replayed = _ms(began) / (REVISIONS + 1)
    if found:
        raise AssertionError(found[0].text)
    began = time.perf_counter()
    history(vault, "unit")
    told = _ms(began) / (REVISIONS + 1)
    twice, sha = min(compared), min(hashed)
    return [
        _row("record a revision (the quickest)", min(recorded), "<= 500 ms", "open, compare twice", twice),
        _row("reckon an entry again (mean)", replayed, "", "open, compare twice", twice),
        _row("digest of all raw changes against the stock", min(digested), "", "SHA-256 of the file", sha),
        _row("history, an entry (mean)", told, "", "SHA-256 of the file", sha),
    ]


def _row(name: str, ms: float, wanted: str, peer: str, peer_ms: float) -> dict[str, Any]:
    return {
        "name": name,
        "ms": round(ms, 2),
        "peer": peer,
        "peer_ms": round(peer_ms, 2),
        "ratio": round(peer_ms / ms, 2),
        "wanted": wanted,
    }
