"""The vault against general archives on the same files, in one run: git, restic, borg.

``python tests/bench/bench_vault.py [--full]``: 3 units of 5 revisions, or 20 of 20. What is not installed is left out,
and said. The archives take turns at every step, so that a drift of the machine meets them all; where it is busy, the
processor's time says more than the clock.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import attrs
from fleet import SIZE, differing, revisions, stock, write_definition
from peers import Borg, Caldiff, Git, Peer, Restic, on_disk, size_of

from caldiff.definition.catalogue import Catalogue
from caldiff.trace.recording import Recorder
from caldiff.vault.vault import Vault

RESTORES = 20
TIME = "2026-03-11T09:30:00Z"
Figures = dict[str, dict[str, float]]


@attrs.frozen(order=True)
class Cost:
    """Milliseconds of one run: on the clock, and of processor in this process and its children."""

    clock: float
    processor: float


def timed(work: Callable[[], object]) -> Cost:
    """What a run costs."""
    begun, spent = perf_counter(), _spent()
    work()
    return Cost(1000 * (perf_counter() - begun), 1000 * (_spent() - spent))


def _spent() -> float:
    about = os.times()
    return about.user + about.system + about.children_user + about.children_system


class Run:
    """One run over all archives."""

    def __init__(self, folder: Path, units: int, count: int) -> None:
        self.folder, self.units, self.count = folder, units, count
        definition = write_definition(folder / "definitions")
        made: list[Peer] = [Caldiff(folder / "vault", definition.parent, folder / "home"), Git(folder / "git")]
        for kind in (Restic, Borg):
            if shutil.which(kind.name):
                made.append(kind(folder / kind.name))
            else:
                print(f"{kind.name} is not installed, so it is left out")  # noqa: T201 - it prints
        self.peers = made
        self.inside = Vault.create(folder / "inside", id="0" * 32)
        self.recorder = Recorder(vault=self.inside, time=TIME, catalogue=Catalogue([definition.parent]))
        self.marks: dict[str, dict[tuple[str, int], str]] = defaultdict(dict)
        self.record: dict[str, list[Cost]] = defaultdict(list)
        self.changed: list[tuple[int, int]] = []
        self.figures: Figures = defaultdict(dict)

    def path(self, unit: str, number: int) -> Path:
        """The file of a revision; 0 is the stock."""
        return self.folder / "files" / f"{unit}-{number:02d}.bin"

    def prepare(self) -> None:
        """Write all files."""
        (self.folder / "files").mkdir()
        for n in range(self.units):
            before = first = stock(n)
            unit = f"unit{n:02d}"
            self.path(unit, 0).write_bytes(first)
            for number, data in enumerate(revisions(first, self.count, n), start=1):
                self.path(unit, number).write_bytes(data)
                self.changed.append((differing(before, data), differing(first, data)))
                before = data

    def stocks(self) -> None:
        """Record every stock."""
        for n in range(self.units):
            self._one(f"unit{n:02d}", 0)
        for peer in self.peers:
            self.figures["bytes of a stock"][peer.name] = self._size(peer) / self.units
        self.figures["bytes of recovery data of a stock"]["caldiff"] = self._mend() / self.units

    def revise(self) -> None:
        """Record every revision, the units in turn as a shop would."""
        git = next(peer for peer in self.peers if isinstance(peer, Git))
        git.pack("--aggressive")
        before = {peer.name: self._size(peer) for peer in self.peers}
        blocks = {peer.name: on_disk(peer.store) for peer in self.peers}
        mend = self._mend()
        self.record.clear()
        for number in range(1, self.count + 1):
            for n in range(self.units):
                self._one(f"unit{n:02d}", number)
        total = self.units * self.count
        loose = (self._size(git) - before["git"]) / total
        self.figures["bytes of a revision, git not yet packed"]["git"] = loose
        self.figures["ms to pack"]["git"] = timed(git.pack).clock
        packed = (self._size(git) - before["git"]) / total
        self.figures["ms to pack, --aggressive"]["git"] = timed(lambda: git.pack("--aggressive")).clock
        for peer in self.peers:
            grown = (self._size(peer) - before[peer.name]) / total
            self.figures["bytes of a revision, git packed"][peer.name] = packed if peer is git else grown
            self.figures["bytes of a revision, git packed --aggressive"][peer.name] = grown
            self.figures["bytes of a revision on the disk, blocks whole"][peer.name] = (
                on_disk(peer.store) - blocks[peer.name]
            ) / total
        self.figures["bytes of recovery data of a revision"]["caldiff"] = (self._mend() - mend) / total
        entries = size_of(self.folder / "vault" / "units", without=".mend")
        self.figures["bytes of an entry, in that"]["caldiff"] = entries / (total + self.units)
        self._costs("to record a revision", self.record)

    def _costs(self, what: str, costs: dict[str, list[Cost]]) -> None:
        for name, all_ in costs.items():
            self.figures[f"ms {what}"][name] = statistics.median(cost.clock for cost in all_)
            self.figures[f"processor ms {what}"][name] = statistics.median(cost.processor for cost in all_)

    def _one(self, unit: str, number: int) -> None:
        path = self.path(unit, number)
        for peer in self.peers:
            marks = self.marks[peer.name]

            def work(peer: Peer = peer, marks: dict[tuple[str, int], str] = marks) -> None:
                marks[unit, number] = peer.record(unit, path, first=number == 0)

            self.record[peer.name].append(timed(work))
        within = self.recorder.revision if number else self.recorder.baseline
        self.record["caldiff in process"].append(timed(lambda: within(unit, path)))

    def _size(self, peer: Peer) -> float:
        return size_of(peer.store, without=".mend" if isinstance(peer, Caldiff) else "\0")

    def _mend(self) -> float:
        return size_of(self.folder / "vault", ending=".mend")

    def restore(self) -> None:
        """Restore some files at random, from every archive; each must be what was recorded."""
        draw = random.Random(1)
        times: dict[str, list[Cost]] = defaultdict(list)
        for n in range(RESTORES):
            unit, number = f"unit{draw.randrange(self.units):02d}", draw.randint(0, self.count)
            wanted = self.path(unit, number).read_bytes()
            for peer in self.peers:
                out = self.folder / f"out-{n}-{peer.name}"
                mark = self.marks[peer.name][unit, number]
                times[peer.name].append(timed(lambda p=peer, m=mark, o=out, u=unit: p.restore(u, m, o)))
                if out.read_bytes() != wanted:
                    raise RuntimeError(f"{peer.name} gave back another file than it was given")
                out.unlink()
            link = self.inside.links(unit)[number]
            times["caldiff in process"].append(timed(lambda one=link: self.inside.fetch(one.subjects[0][1])))
            interpreter = [sys.executable, "-c", "pass"]
            times["python -c pass"].append(timed(lambda run=interpreter: subprocess.run(run, check=True)))
        self._costs("to restore a file", times)

    def verify(self) -> None:
        """Verify everything."""
        costs = {peer.name: [min(timed(peer.verify) for _ in range(2))] for peer in self.peers}
        self._costs("to verify all", costs)
        megabytes = self.units * (self.count + 1) * SIZE / 1e6
        seconds = self.figures["processor ms to verify all"]["caldiff"] / 1000
        self.figures["MB of image verified in a second of processor"]["caldiff"] = megabytes / seconds
        caldiff = self.peers[0]
        assert isinstance(caldiff, Caldiff)
        whole = timed(lambda: caldiff.call("verify", "--vault", str(caldiff.store))).clock
        self.figures["ms to verify all, meaning too (no peer does)"]["caldiff"] = whole


def _show(figures: Figures) -> None:
    names = list(dict.fromkeys(name for row in figures.values() for name in row))
    print(f"{'':<48}" + "".join(f"{name:>20}" for name in names))  # noqa: T201 - it prints
    for what, row in figures.items():
        mine = row.get("caldiff")
        print(f"{what:<48}" + "".join(_cell(row.get(name), mine, name) for name in names))  # noqa: T201 - as above


def _cell(figure: float | None, mine: float | None, name: str) -> str:
    if figure is None:
        return f"{'':>20}"
    ratio = "" if not mine or name.startswith(("caldiff", "python")) else f" ({mine / figure:.3f})"
    return f"{figure:>{20 - len(ratio)},.0f}{ratio}"


def run(units: int = 3, count: int = 5) -> list[dict[str, Any]]:
    """Print all figures of one run; the rows against each peer. In brackets the vault's figure through the peer's."""
    with tempfile.TemporaryDirectory() as folder:
        one = Run(Path(folder), units, count)
        for step in (one.prepare, one.stocks, one.revise, one.restore, one.verify):
            step()
        parent, first = (statistics.median(column) for column in zip(*one.changed, strict=True))
        print(f"{units} units of {count} revisions of {SIZE} bytes; median change {parent:.0f} bytes to the parent, ")  # noqa: T201 - it prints
        print(f"{first:.0f} to the stock; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")  # noqa: T201 - it prints
        _show(one.figures)
    return [
        {"name": f"{what}: against {name}", "ms": row["caldiff"], "peer_ms": peer, "ratio": row["caldiff"] / peer}
        for what, row in one.figures.items()
        for name, peer in row.items()
        if "caldiff" in row and name in {"git", "restic", "borg"} and " ms " in f" {what}"
    ]


if __name__ == "__main__":
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--full", action="store_true", help="20 units of 20 revisions")
    given.add_argument("--units", type=int, default=3, help="so many (default: 3)")
    given.add_argument("--revisions", type=int, default=5, help="so many of each (default: 5)")
    options = given.parse_args()
    run(*(20, 20) if options.full else (options.units, options.revisions))
