"""What a vault survives, at full size: kills, many writers, years, and every file of it damaged in every way.

``python tests/bench/bench_vault_faults.py [--full] [kills|writers|years|damage ...]``. Tests hold the same at a modest
size. ``--full``: 200 kills, 8 processes of 50 appends, five years of weekly revisions at 4 MiB; every file of a vault.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import attrs
from fleet import revisions, stock, write_definition

from caldiff.definition.catalogue import Catalogue
from caldiff.errors import CaldiffError
from caldiff.ledger.entry import Draft, Note
from caldiff.trace.recording import Recorder
from caldiff.trace.verification import verify
from caldiff.vault.vault import Vault

TIME = "2026-03-11T09:30:00Z"
Row = dict[str, Any]


@attrs.frozen(kw_only=True)
class Scale:
    """How much of everything."""

    kills: int = 20
    writers: int = 4
    appends: int = 10
    weeks: int = 26
    tables: int = 300
    size: int = 256 << 10


FULL = Scale(kills=200, writers=8, appends=50, weeks=260, tables=5_000, size=4 << 20)


class Shop:
    """A vault with one unit, and files to record."""

    def __init__(self, folder: Path, scale: Scale, count: int) -> None:
        self.folder, self.scale = folder, scale
        definition = write_definition(folder / "definitions", scale.tables, scale.size)
        self.vault = Vault.create(folder / "vault", id="0" * 32)
        self.recorder = Recorder(vault=self.vault, time=TIME, catalogue=Catalogue([definition.parent]))
        self.files = [folder / f"{n:03d}.bin" for n in range(count + 1)]
        first = stock(0, tables=scale.tables, size=scale.size)
        self.files[0].write_bytes(first)
        made = revisions(first, count, 0, tables=scale.tables, size=scale.size)
        for path, data in zip(self.files[1:], made, strict=True):
            path.write_bytes(data)
        self.recorder.baseline("van", self.files[0])

    def sound(self) -> None:
        """See that links and bytes hold."""
        found = verify(Vault.open(self.folder / "vault"), levels=["links", "bytes"])
        faults = [finding for finding in found.findings if finding.fault]
        if faults or not found.held("bytes"):
            raise RuntimeError(f"the vault does not hold: {faults[:3]}")


# --------------------------------------------------------------------------------------------------------------- kills


def kills(folder: Path, scale: Scale) -> Iterator[Row]:
    """SIGKILL while revisions are recorded, at a random moment; then the next write must succeed at once."""
    shop = Shop(folder, scale, 20)
    draw = random.Random(5)
    told: list[tuple[int, str]] = []
    lost = blocked = 0
    waits = []
    for round_ in range(scale.kills):
        told += _killed(shop, draw)
        links = {link.sequence: link.hash.hex for link in Vault.open(folder / "vault").links("van")}
        lost += sum(links.get(sequence) != digest for sequence, digest in told)
        begun = perf_counter()
        try:
            Vault.open(folder / "vault").append("van", Draft(body=Note(), time=TIME, message=f"after {round_}"))
        except CaldiffError:
            blocked += 1
        waits.append(1000 * (perf_counter() - begun))
    shop.sound()
    left = sum(1 for path in (folder / "vault").rglob("*") if path.name.endswith(".part"))
    yield {
        "name": f"{scale.kills} kills, {len(told)} revisions acknowledged: {lost} lost, {blocked} writes refused after",
        "ms": statistics.median(waits),
        "wanted": "0 lost, 0 refused" if not lost + blocked else "FAILED",
        "peer": f"ms: of the write after a kill; {left} unfinished files left beside",
    }


def _killed(shop: Shop, draw: random.Random) -> list[tuple[int, str]]:
    """Record in another process until it is killed; what it acknowledged."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        _record_for_ever(shop, into, draw.randrange(20))
    os.close(into)
    time.sleep(draw.uniform(0.01, 1.2))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(out) as stream:
        lines = [line.split() for line in stream.read().split("\n")[:-1]]
    return [(int(number), digest) for number, digest in lines]


def _record_for_ever(shop: Shop, into: int, first: int) -> None:
    n = first
    while True:
        n += 1
        try:
            made = shop.recorder.revision("van", shop.files[1 + n % 20], parent="baseline")
        except CaldiffError as error:
            if "recorded" not in str(error):  # the very file is the newest one already
                os.write(2, f"{error}\n".encode())
            continue
        os.write(into, f"{made.entry.sequence} {made.entry.hash.hex}\n".encode())


# ------------------------------------------------------------------------------------------------------------- writers


def writers(folder: Path, scale: Scale) -> Iterator[Row]:
    """Many processes append to one unit at once: every entry is there once, in one chain."""
    shop = Shop(folder, attrs.evolve(scale, size=256 << 10, tables=300), 1)
    begun = perf_counter()
    children = []
    for writer in range(scale.writers):
        child = os.fork()
        if child == 0:
            _append(shop, writer)
        children.append(child)
    failed = sum(os.waitpid(child, 0)[1] != 0 for child in children)
    seconds = perf_counter() - begun
    messages = Counter(entry.draft.message for entry in Vault.open(folder / "vault").chain("van").entries[1:])
    wanted = {f"{writer}.{n}" for writer in range(scale.writers) for n in range(scale.appends)}
    if failed or set(messages) != wanted or set(messages.values()) != {1}:
        raise RuntimeError(f"{failed} writers failed, {len(messages)} of {len(wanted)} entries are there")
    shop.sound()
    yield {
        "name": f"{scale.writers} processes of {scale.appends} appends on one unit: {len(messages)} entries, one chain",
        "ms": 1000 * seconds / len(wanted),
        "wanted": "none lost",
        "peer": "ms: per entry",
    }


def _append(shop: Shop, writer: int) -> None:
    status = 1
    try:
        vault = Vault.open(shop.folder / "vault")
        for n in range(shop.scale.appends):
            vault.append("van", Draft(body=Note(), time=TIME, message=f"{writer}.{n}"))
        status = 0
    finally:
        os._exit(status)


# --------------------------------------------------------------------------------------------------------------- years


def years(folder: Path, scale: Scale) -> Iterator[Row]:
    """A revision a week, then everything restored: byte-identical."""
    shop = Shop(folder, scale, scale.weeks)
    recording = [timed(lambda path=path: shop.recorder.revision("van", path)) for path in shop.files[1:]]
    vault = Vault.open(folder / "vault")
    restoring = []
    for link, path in zip(vault.links("van"), shop.files, strict=True):
        begun = perf_counter()
        data = vault.fetch(link.subjects[0][1])
        restoring.append(1000 * (perf_counter() - begun))
        if data != path.read_bytes():
            raise RuntimeError(f"{path.name} came back as another file")
    half = len(recording) // 2
    early, late = statistics.median(recording[:half]), statistics.median(recording[half:])
    yield {
        "name": f"{scale.weeks} weekly revisions, all {len(restoring)} restored byte for byte; ms to record one",
        "ms": statistics.median(recording),
        "peer": f"first half {early:.0f}, second {late:.0f}",
    }
    yield {
        "name": "ms to restore one, in process",
        "ms": statistics.median(restoring),
        "peer": f"worst {max(restoring):.0f}",
    }
    yield {"name": "ms to verify links and bytes of all", "ms": timed(shop.sound)}


def timed(work: Callable[[], object]) -> float:
    """Milliseconds of one run."""
    begun = perf_counter()
    work()
    return 1000 * (perf_counter() - begun)


# -------------------------------------------------------------------------------------------------------------- damage


def damage(folder: Path, scale: Scale) -> Iterator[Row]:
    """Every file of a vault, one at a time: one bit flipped, cut short, swapped with another, removed."""
    shop = Shop(folder, attrs.evolve(scale, size=min(scale.size, 1 << 20), tables=300), 6)
    for path in shop.files[1:]:
        shop.recorder.revision("van", path)
    shop.recorder.evidence("van", [shop.files[0].parent / "definitions" / "corpus-300.yaml"], of="latest", sort="log")
    whole = folder / "whole"
    shutil.copytree(folder / "vault", whole)
    names = sorted(str(path.relative_to(whole)) for path in whole.rglob("*") if path.is_file())
    draw = random.Random(3)
    for kind, hurt in (("one bit flipped", _flip), ("cut short", _cut), ("swapped", _swap), ("removed", _remove)):
        found, named, mended = 0, 0, 0
        missed = []
        begun = perf_counter()
        for name in names:
            hurt(folder / "vault", name, names, draw)
            one, two = _found(folder / "vault", name)
            found += one
            named += two
            mended += _mended(folder / "vault", whole, names)
            missed += [] if one and two else [name]
            shutil.rmtree(folder / "vault")
            shutil.copytree(whole, folder / "vault")
        yield {
            "name": f"{kind}: {found} of {len(names)} found, {named} named, {mended} mended whole",
            "ms": 1000 * (perf_counter() - begun) / len(names),
            "wanted": "all found" if not missed else f"MISSED {missed[:3]}",
            "peer": "ms: to find and mend one",
        }


def _flip(vault: Path, name: str, _: list[str], draw: random.Random) -> None:
    data = bytearray((vault / name).read_bytes())
    data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    (vault / name).write_bytes(data)


def _cut(vault: Path, name: str, _: list[str], draw: random.Random) -> None:
    data = (vault / name).read_bytes()
    (vault / name).write_bytes(data[: draw.randrange(len(data))])


def _swap(vault: Path, name: str, names: list[str], draw: random.Random) -> None:
    data = (vault / name).read_bytes()
    other = draw.choice([one for one in names if (vault / one).read_bytes() != data])
    (vault / name).write_bytes((vault / other).read_bytes())
    (vault / other).write_bytes(data)


def _remove(vault: Path, name: str, _: list[str], __: random.Random) -> None:
    (vault / name).unlink()


def _found(folder: Path, name: str) -> tuple[bool, bool]:
    """Whether anything was found, and whether the file was named, or the one that it is the recovery data of."""
    try:
        findings = verify(Vault.open(folder), levels=["links", "bytes"]).findings
    except CaldiffError as error:
        return True, name.removesuffix(".mend") in str(error) or "vault.json" in name
    base = name.removesuffix(".mend")
    return bool(findings), any((f.file or "").removesuffix(".mend") == base for f in findings)


def _mended(folder: Path, whole: Path, names: list[str]) -> bool:
    """Whether mending brings back the very bytes of every file."""
    try:
        Vault.open(folder).repair()
    except CaldiffError:
        return False
    return all((folder / n).exists() and (folder / n).read_bytes() == (whole / n).read_bytes() for n in names)


PARTS = {"kills": kills, "writers": writers, "years": years, "damage": damage}


def run(scale: Scale | None = None, parts: list[str] | None = None) -> list[Row]:
    """The rows of this benchmark."""
    rows = []
    for name in parts or PARTS:
        with tempfile.TemporaryDirectory() as folder:
            rows += list(PARTS[name](Path(folder), scale or Scale()))
    return rows


if __name__ == "__main__":
    from report import show

    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--full", action="store_true", help="the full size")
    given.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which (default: all)")
    options = given.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")  # noqa: T201 - it prints
    show(run(FULL if options.full else None, options.parts))
