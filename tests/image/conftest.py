"""Makes ``image_records`` importable here, and runs foreign tools."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def tool() -> Callable[..., None]:
    """Run a foreign tool; skip where this machine has none."""

    def run(*command: str | Path) -> None:
        if shutil.which(str(command[0])) is None:
            pytest.skip(f"{command[0]} is not installed")
        subprocess.run([str(c) for c in command], check=True, capture_output=True)

    return run
