"""The gate over many images in one process: 200 revisions of 4 MiB with 5,000 tables, of ten units.

``python tests/bench/bench_gate.py [--full]``: 20 images, or 200. The peer is one comparison of two of these images by a
process of its own, per image.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from fleet import revisions, stock, write_definition

from caldiff.definition.catalogue import Catalogue
from caldiff.gate.gate import judge
from caldiff.gate.policy_file import load_policy
from caldiff.gate.trust_file import load_trust
from caldiff.ledger.signing import PrivateKey
from caldiff.trace.recording import Recorder
from caldiff.vault.vault import Vault

TIME = "2026-03-11T09:30:00Z"
POLICY = """\
policy: 1
name: bench
extends: strict
changes:
  "*": {parent: {absolute: 1000}, baseline: {absolute: 1000}}
steps:
  "table_00*": {most: 100000}
"""


def prepare(folder: Path, units: int, count: int) -> tuple[Vault, list[Path], Path]:
    """A signed vault, the files of all revisions, and the definition."""
    definition = write_definition(folder / "definitions")
    key = PrivateKey.of_seed(bytes(32))
    trusted = f"{{name: one, key: {key.public.text.strip()}, roles: [reader, calibrator]}}"
    (folder / "trust.yaml").write_text(f"trust: 1\nname: bench\nkeys:\n  - {trusted}\n")
    (folder / "policy.yaml").write_text(POLICY)
    vault = Vault.create(folder / "vault", id="0" * 32)
    recorder = Recorder(vault=vault, time=TIME, signers=[key], catalogue=Catalogue([definition.parent]))
    (folder / "images").mkdir()
    paths = []
    for unit in range(units):
        first = stock(unit)
        path = folder / f"stock-{unit}.bin"
        path.write_bytes(first)
        recorder.baseline(f"unit{unit}", path)
        recorder.repeat(f"unit{unit}", path)
        for number, data in enumerate(revisions(first, count, unit), start=1):
            paths.append(folder / "images" / f"unit{unit}-{number:02d}.bin")
            paths[-1].write_bytes(data)
            recorder.revision(f"unit{unit}", paths[-1])
    return vault, paths, definition


def run(units: int = 2, count: int = 10) -> list[dict[str, Any]]:
    """The rows of this benchmark."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        vault, paths, definition = prepare(folder, units, count)
        begun, spent = perf_counter(), process_time()
        verdict = judge(
            paths,
            vault=vault,
            policy=load_policy(folder / "policy.yaml"),
            trust=load_trust(folder / "trust.yaml"),
            catalogue=Catalogue([definition.parent]),
        )
        seconds, cpu = perf_counter() - begun, process_time() - spent
        environment = {**os.environ, "HOME": name}
        options = ["--vault", str(folder / "vault"), "--policy", str(folder / "policy.yaml")]
        options += ["--trust", str(folder / "trust.yaml"), "--definitions", str(definition.parent)]
        gate = [sys.executable, "-m", "caldiff", "gate", str(folder / "images"), *options]
        whole = _seconds(gate, 3, environment)
        pair = [sys.executable, "-m", "caldiff", "-d", str(definition), str(paths[0]), str(paths[1])]
        _seconds(pair, 1, environment)
        peer = min(_seconds(pair, 1, environment) for _ in range(3)) * len(paths)
    why = Counter(refusal.rule for _, refusal in verdict.refusals)
    asked = sum(rule.outcome != "not asked" for rule in verdict.files[0].rules)
    print(f"{len(paths)} images, {asked} rules asked of each; refused for {dict(why)}; {cpu:.1f} s of processor")  # noqa: T201 - it prints
    told = {"wanted": "<= 20 s of 200", "peer": f"caldiff A B, {len(paths)} processes", "peer_ms": peer * 1000}
    return [
        {"name": f"judge {len(paths)} images in process", "ms": seconds * 1000, "ratio": seconds / peer, **told},
        {"name": f"caldiff gate FOLDER, {len(paths)} images", "ms": whole * 1000, "ratio": whole / peer, **told},
    ]


def _seconds(command: list[str], status: int, environment: dict[str, str]) -> float:
    begun = perf_counter()
    done = subprocess.run(command, env=environment, check=False, capture_output=True)
    if done.returncode != status:
        raise RuntimeError(f"{command}: status {done.returncode}, not {status}\n{done.stderr.decode()}")
    return perf_counter() - begun


if __name__ == "__main__":
    from report import show

    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--full", action="store_true", help="200 images")
    options = given.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")  # noqa: T201 - it prints
    show(run(10, 20) if options.full else run())
