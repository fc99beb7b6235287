"""Checksums that srec_cat inserts into the cross-compiled firmware hold, and come back when they are spoilt.

Source: srecord's generators, over the very range that the definition names; the firmware is GCC's and objcopy's.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

import attrs
import pytest

from caldiff.checksum.correct import correct
from caldiff.checksum.find import find
from caldiff.checksum.state import states
from caldiff.definition.catalogue import load_definition
from caldiff.definition.definition import Definition
from caldiff.image.reading import read_image

HERE = Path(__file__).parent
pytestmark = pytest.mark.skipif(shutil.which("srec_cat") is None, reason="srec_cat is not installed")


@attrs.frozen
class Build:
    name: str
    low: int
    high: int
    """the calibration region of its definition"""


BUILDS = [Build("firmware-be", 0x00F8FC00, 0x00F901C0), Build("firmware-le", 0x0000C000, 0x0000C5D0)]
KINDS: dict[str, tuple[list[str], str, str]] = {
    "a CRC": (["-crc32-{order}-endian"], "crc: CRC-32/ISO-HDLC", "type: u32"),
    "a narrow CRC": (["-crc16-{order}-endian", "-broken"], "crc: CRC-16/IBM-3740", "type: u16"),
    "a sum": (
        ["-checksum-negative-{order}-endian", "4", "2"],
        "sum: {words: u16, bits: 32, complement: twos}",
        "type: u32",
    ),
    "a sum of bytes": (
        ["-checksum-bitnot-{order}-endian", "2", "1"],
        "sum: {words: u8, bits: 16, complement: ones}",
        "type: u16",
    ),
    "Adler-32": (["-adler-32-{order}-endian"], "digest: adler-32", "type: u32"),
    "a digest": (["-sha256"], "digest: sha-256", "size: 32, byte_order: big"),
}


def made(folder: Path, build: Build, kind: str) -> tuple[Path, Definition]:
    """The firmware with the checksum behind its calibration, and the definition that declares it."""
    generator, method, stored = KINDS[kind]
    order = "big" if build.name == "firmware-be" else "little"
    source = HERE / "out" / f"{build.name}.s37"
    low, high = hex(build.low), hex(build.high)
    name, *options = (word.format(order=order) for word in generator)
    command: list[Any] = [
        "srec_cat",
        "(",
        source,
        "-crop",
        low,
        high,
        "-fill",
        "0xFF",
        low,
        high,
        name,
        high,
        *options,
        ")",
    ]
    file = folder / "summed.s37"
    subprocess.run([*command, source, "-exclude", low, high, "-o", file, "-Motorola"], check=True, capture_output=True)
    own = folder / "own.yaml"
    own.write_text(
        f"definition: 1\nname: own\nextends: {build.name}\n"
        f"checksums: [{{name: c, over: [{{at: {low}, size: {build.high - build.low}}}], {method}, "
        f"stored: {{at: {high}, {stored}}}}}]\n"
    )
    return file, load_definition(own, folders=[HERE])


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("build", BUILDS, ids=lambda build: build.name)
def test_srec_cats_checksums_hold(tmp_path: Path, build: Build, kind: str) -> None:
    file, definition = made(tmp_path, build, kind)
    image = read_image(file)
    (state,) = states(image, definition.checksums.values())
    assert state.status == "valid", f"stored {state.stored}, reckoned {state.reckoned}"
    size = definition.checksums["c"].fields[0].size
    spoilt = image.patched({build.high: bytes(size)})
    assert states(spoilt, definition.checksums.values())[0].status == "stale"
    assert correct(spoilt, definition.checksums.values()) == image


@pytest.mark.parametrize("build", BUILDS, ids=lambda build: build.name)
def test_srec_cats_crc_is_found(tmp_path: Path, build: Build) -> None:
    file, definition = made(tmp_path, build, "a CRC")
    found = find([read_image(file)], definition.regions).candidates[0]
    assert found.checksum.method == definition.checksums["c"].method
    assert found.checksum.fields == definition.checksums["c"].fields
    assert found.sure
