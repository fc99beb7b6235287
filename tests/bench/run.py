"""All benchmarks, one command: ``python tests/bench/run.py``. Figures are of this machine; the ratios travel."""

from __future__ import annotations

import importlib
import platform
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from report import show

BENCHES = (
    "bench_process",
    "bench_diff",
    "bench_compiled",
    "bench_definition",
    "bench_image",
    "bench_checksum",
    "bench_recording",
    "bench_trace",
    "bench_vault",
    "bench_vault_faults",
    "bench_gate",
    "bench_evidence",
)

if __name__ == "__main__":
    wanted = sys.argv[1:] or BENCHES
    print(f"Python {platform.python_version()} on {platform.machine()}")  # noqa: T201 - it prints
    for name in wanted:
        print(f"\n{name}")  # noqa: T201 - it prints
        show(importlib.import_module(name).run())
