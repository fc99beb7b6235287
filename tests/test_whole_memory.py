"""Comparing takes at most four times the memory that the images take; and what runs and tables it has to tell of.

Measured in a process of its own, as the highest resident size (VmHWM, which Linux resets on request) above what stood
there before the images were opened. That counts numpy's arrays and the libraries' own memory alike.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import attrs
import pytest

SIZE = 8 * 1024 * 1024
FOUR_TIMES = 4 * 2 * SIZE
BYTES_A_RUN = 96

PROGRAM = """
import sys
from pathlib import Path
from caldiff.definition.definition import Definition
from caldiff.definition.model import TYPES, Cells, Frame, TableSpec
from caldiff.diff.compare import compare
from caldiff.image.reading import read_image
from caldiff.image.uniform import read_uniform_ihex
from caldiff.table.calibration import Calibration

def highest():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))

size, count = map(int, sys.argv[3:5])
def table(number):
    cells = Cells(at=1024 * number, type=TYPES["u16"], byte_order="big", shape=(16, 16), strides=(32, 2))
    return TableSpec(name=f"table{number}", kind="block", cells=cells)

tables = [table(number) for number in range(count)]
definition = Definition.of(name="d", frame=Frame(start=0, size=size, byte_order="big"), tables=tables)
Path("/proc/self/clear_refs").write_text("5")  # the highest size starts again from the present one
before = highest()
sides = [Calibration(label=path, image=read_image(path), definition=definition) for path in sys.argv[1:3]]
comparison = compare(*sides)
print(highest() - before, comparison.fates.total, len(comparison.extents), len(comparison.tables))
"""


def noise(size: int, seed: int) -> bytes:
    """Bytes without a pattern, the same every time."""
    import numpy as np  # noqa: PLC0415 - the parent does without

    return np.random.default_rng(seed).bytes(size)


def changed(data: bytes, step: int) -> bytes:
    """Every ``step``-th byte turned over."""
    other = bytearray(data)
    other[::step] = bytes(b ^ 0xFF for b in other[::step])
    return bytes(other)


@pytest.fixture(scope="module")
def base() -> bytes:
    return noise(SIZE, 1)


@attrs.frozen
class Measured:
    """What one comparison took and told."""

    memory: int
    differing: int
    runs: int
    tables: int


def measured(folder: Path, before: bytes, after: bytes, *, tables: int = 0) -> Measured:
    (folder / "before").write_bytes(before)
    (folder / "after").write_bytes(after)
    said = subprocess.run(
        [sys.executable, "-c", PROGRAM, folder / "before", folder / "after", str(SIZE), str(tables)],
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    return Measured(*map(int, said.stdout.split()))


pytestmark = pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="reads Linux's account of memory")


def test_a_few_changes_with_their_tables(base: bytes, tmp_path: Path) -> None:
    found = measured(tmp_path, base, changed(base, 131_072), tables=2000)
    assert (found.differing, found.tables) == (64, 16)
    assert found.memory <= FOUR_TIMES


def test_every_byte_differs(base: bytes, tmp_path: Path) -> None:
    found = measured(tmp_path, base, changed(base, 1))
    assert (found.differing, found.runs) == (SIZE, 1)
    assert found.memory <= FOUR_TIMES


def test_two_images_that_have_nothing_in_common(base: bytes, tmp_path: Path) -> None:
    found = measured(tmp_path, base, noise(SIZE, 2))
    assert found.differing > SIZE * 0.99
    assert found.memory <= FOUR_TIMES


def test_every_other_byte_differs(base: bytes, tmp_path: Path) -> None:
    """The most runs that two images can have. Each is told of twice, as differing and as unexplained."""
    found = measured(tmp_path, base, changed(base, 2))
    assert found.runs == SIZE // 2
    assert found.memory <= FOUR_TIMES + found.runs * BYTES_A_RUN
