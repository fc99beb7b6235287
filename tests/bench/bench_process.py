"""Whole processes: a comparison at the prompt against the time that importing numpy alone takes."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from corpus import Corpus, corpus

RUNS = 15
NUMPY = [sys.executable, "-c", "import numpy"]


def _once(command: list[str], environment: dict[str, str]) -> tuple[float, int, int]:
    """Wall seconds, exit status and peak memory in KiB of one run."""
    begun = time.perf_counter()
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return time.perf_counter() - begun, process.returncode, usage.ru_maxrss


def _paired(command: list[str], wanted_status: int, environment: dict[str, str]) -> dict[str, Any]:
    """Run the command and the peer in turn, so that a drift of the machine meets both."""
    _, status, _ = _once(command, environment)  # the first run compiles the definition
    if status != wanted_status:
        raise RuntimeError(f"{command} ended with {status}, not {wanted_status}")
    mine, peer, peaks = [], [], []
    for _ in range(RUNS):
        seconds, _, peak = _once(command, environment)
        mine.append(seconds)
        peaks.append(peak)
        peer.append(_once(NUMPY, environment)[0])
    return {
        "ms": statistics.median(mine) * 1e3,
        "peer": "python -c 'import numpy'",
        "peer_ms": statistics.median(peer) * 1e3,
        "ratio": statistics.median(a / b for a, b in zip(mine, peer, strict=True)),
        "peak_mib": max(peaks) / 1024,
    }


def _command(made: Corpus, second: Path) -> list[str]:
    return [sys.executable, "-m", "caldiff", "-d", str(made.definition), str(made.before), str(second)]


def run() -> list[dict[str, Any]]:
    """The rows of this benchmark."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        environment = {**os.environ, "HOME": folder, "NO_COLOR": "1"}
        # bytecode is written, as on any machine on which caldiff was installed
        for name in ("PYTHONDONTWRITEBYTECODE", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "CALDIFF_DEFINITIONS"):
            environment.pop(name, None)
        for tables, mebibytes in ((5_000, 4), (20_000, 8)):
            made = corpus(Path(folder) / str(tables), tables=tables, size=mebibytes << 20)
            size = f"{mebibytes} MiB, {tables} tables"
            rows.append(
                {"name": f"caldiff a b, {size}", "wanted": "<= 1.8"}
                | _paired(_command(made, made.after), 1, environment)
            )
            twin = made.folder / "twin.bin"
            twin.write_bytes(made.before.read_bytes())
            rows.append(
                {"name": f"caldiff a a, {size}", "wanted": "< 1"} | _paired(_command(made, twin), 0, environment)
            )
    return rows


if __name__ == "__main__":
    from report import show

    show(run())
