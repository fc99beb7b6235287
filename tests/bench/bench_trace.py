"""Tracing over a vault of 10,000 entries: whole processes, with the index kept from an earlier one.

The vault is written without asking the disk to be done (no fsync), which is not what is measured here. Its images are
small so that it is written within minutes; what images of 4 MiB cost is measured on a vault of fewer entries.
"""

from __future__ import annotations

import gzip
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.definition.definition import Definition
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image
from caldiff.ledger.entry import Baseline, Changes, DefinitionFact, Draft, ImageFacts, Revision, Subject
from caldiff.trace.facts import stable_digest
from caldiff.trace.kept import keep_definition
from caldiff.vault.vault import Vault

RUNS = 9
PEER = [sys.executable, "-c", "import numpy"]
START = 0x0080_0000
DEFINITION = """\
definition: 1
name: bench-trace
image: {{start: 0x00800000, size: {size}, byte_order: big}}
fits:
  - {{at: 0x00800000, text: "BENCH"}}
regions:
  - {{name: learned, at: 0x{learned:08X}, size: 1024, role: volatile}}
scalings:
  count: {{unit: "1"}}
tables:
{tables}"""


@attrs.frozen(kw_only=True)
class Made:
    """A vault and files to trace by it, each with the exit status that it is to give."""

    vault: Path
    definitions: Path
    files: dict[str, tuple[Path, int]]


# ---------------------------------------------------------------------------------------------------------- the vault


def made(folder: Path, *, units: int, revisions: int, size: int) -> Made:
    """Units of one software, each with a stock read of its own and revisions in a row."""
    (folder / "definitions").mkdir(parents=True)
    tables = "".join(
        f"  table_{n:03d}: {{at: 0x{START + 4096 + 64 * n:08X}, type: u16, scaling: count}}\n" for n in range(200)
    )
    text = DEFINITION.format(size=size, learned=START + size - 4096, tables=tables)
    (folder / "definitions" / "bench-trace.yaml").write_text(text, encoding="utf-8")
    catalogue = Catalogue((folder / "definitions",))
    definition = catalogue.by_name("bench-trace")
    vault = Vault.create(folder / "vault", id="0123456789abcdef" * 2)
    fact = keep_definition(vault, catalogue, definition)
    draw = random.Random(5)
    stocks = [b"BENCH" + draw.randbytes(size - 5) for _ in range(8)]
    with _unsynced():
        for unit in range(units):
            stock = bytearray(stocks[unit % len(stocks)])
            stock[32:49] = f"{unit:017}".encode()
            name, data = f"van-{unit:04}", bytes(stock)
            last = _chain(vault, name, stock=data, revisions=revisions, definition=definition, fact=fact)
    return Made(vault=folder / "vault", definitions=folder / "definitions", files=_files(folder, last, size, draw))


def _chain(  # noqa: PLR0913 - one a part
    vault: Vault, unit: str, *, stock: bytes, revisions: int, definition: Definition, fact: DefinitionFact
) -> bytes:
    """A baseline and its revisions, each of some tables; the image of the last."""
    draw = random.Random(unit)
    image = bytearray(stock)
    near: dict[Digest, Image] = {}
    first = parent = None
    for number in range(revisions + 1):
        changed = draw.sample(range(200), 6) if number else []
        for table in changed:
            image[4096 + 64 * table] ^= draw.randrange(1, 256)
        data = bytes(image)
        read = read_image(data, name=f"{unit}-{number}.bin", start=START)
        file = vault.keep(data, image=read, near=near, whole=not number)
        near = {file: read}
        facts = ImageFacts(
            format="binary",
            size=len(data),
            start=START,
            content=read.content,
            stable=stable_digest(read, definition),
            definition=fact,
        )
        if first is None or parent is None:
            body: Baseline | Revision = Baseline(image=facts)
        else:
            changes = Changes(raw=file, cell=6, tables=tuple((f"table_{t:03d}", 1) for t in sorted(changed)))
            body = Revision(
                image=facts, parent=parent, baseline=first, against_parent=changes, against_baseline=changes
            )
        draft = Draft(
            body=body, time="2026-03-11T09:30:00Z", author="bench", subjects=(Subject(name=f"{unit}.bin", file=file),)
        )
        parent = vault.append(unit, draft).entry.hash
        first = first or parent
    return bytes(image)


@contextmanager
def _unsynced() -> Iterator[None]:
    real, os.fsync = os.fsync, lambda _: None
    try:
        yield
    finally:
        os.fsync = real


def _files(folder: Path, last: bytes, size: int, draw: random.Random) -> dict[str, tuple[Path, int]]:
    """What a customer might send."""
    moved, other = bytearray(last), bytearray(last)
    moved[size - 4096 : size - 3072] = draw.randbytes(1024)
    for table in range(0, 200, 20):
        other[4096 + 64 * table] ^= 0x55
    image = Image.of(last, start=START)
    contents = {
        "known": (last, 0),
        "reformatted": (dump_image(image, format="ihex"), 0),
        "packed": (gzip.compress(last), 0),
        "volatile": (bytes(moved), 0),
        "stranger": (bytes(other), 1),
        "unlike": (b"BENCH" + draw.randbytes(size - 5), 1),
    }
    found = {}
    for name, (data, status) in contents.items():
        path = folder / f"{name}.file"
        path.write_bytes(data)
        found[name] = path, status
    return found


# ---------------------------------------------------------------------------------------------------------- the clock


def _seconds(command: list[str], environment: dict[str, str], status: int = 0) -> float:
    begun = time.perf_counter()
    done = subprocess.run(command, env=environment, capture_output=True, check=False)
    spent = time.perf_counter() - begun
    if done.returncode != status:
        raise RuntimeError(f"{command} ended with {done.returncode}, not {status}: {done.stderr.decode()}")
    return spent


def _rows(folder: Path, *, units: int, revisions: int, size: int) -> Iterator[dict[str, Any]]:
    entries = units * (revisions + 1)
    what = f"{entries:,} entries of {size >> 10} KiB"
    begun = time.perf_counter()
    built = made(folder, units=units, revisions=revisions, size=size)
    print(f"{what} written in {time.perf_counter() - begun:.0f} s", file=sys.stderr)  # noqa: T201 - it takes minutes
    environment = {**os.environ, "HOME": str(folder / "home"), "NO_COLOR": "1"}
    for name in ("PYTHONDONTWRITEBYTECODE", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "CALDIFF_DEFINITIONS"):
        environment.pop(name, None)
    common = ["--vault", str(built.vault), "--definitions", str(built.definitions)]

    def command(name: str) -> list[str]:
        return [sys.executable, "-m", "caldiff", "trace", str(built.files[name][0]), *common]

    def once(name: str) -> Callable[[], float]:
        return lambda: _seconds(command(name), environment, built.files[name][1])

    yield {"name": f"first trace ever, a known file, {what}", "ms": once("known")() * 1e3}
    yield {"name": f"first stranger ever, {what}", "ms": once("stranger")() * 1e3}
    for name in built.files:
        mine, peer = [], []
        for _ in range(RUNS):
            mine.append(once(name)())
            peer.append(_seconds(PEER, environment))
        yield {
            "name": f"trace {name}, {what}",
            "ms": statistics.median(mine) * 1e3,
            "peer": "python -c 'import numpy'",
            "peer_ms": statistics.median(peer) * 1e3,
            "ratio": statistics.median(a / b for a, b in zip(mine, peer, strict=True)),
            "wanted": "< 1000 ms",
        }


def run() -> list[dict[str, Any]]:
    """The rows of this benchmark."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        rows += _rows(Path(folder) / "small", units=500, revisions=19, size=64 << 10)
        rows += _rows(Path(folder) / "large", units=8, revisions=24, size=4 << 20)
    return rows


if __name__ == "__main__":
    from report import show

    show(run())
