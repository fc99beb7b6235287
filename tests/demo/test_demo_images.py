"""The images of the demo: the same bytes everywhere, and nothing odd in them."""

from __future__ import annotations

import binascii
import hashlib
import struct
from collections.abc import Mapping
from pathlib import Path

import attrs
import numpy as np
import pytest

from caldiff.checksum.state import states
from caldiff.definition.definition import Definition
from caldiff.demo.story import Story
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.table.decode import decode
from caldiff.table.fit import fits
from caldiff.table.identity import identify

GOLDEN = {
    "van17_stock_read.bin": "893d88f4b165a9f0a772c2b51e45fafc0372f56c2c25d8cc84dbad41d21881ec",
    "van17_second_read.bin": "e7617c2a8fba3eabae2e289430921dccec0a4fc0c770bbb951d51ad3ef65f9c2",
    "van17_rev1.hex": "b1e7428408300b26ac61f52ab45c804894ce28b97d2c9d4cedb34486381e918d",
    "van17_rev2.s19": "f08f3b79ced5dbc30e4ee9e3efc11b87943fc37c2286158af74aa97f3bf23b79",
    "van17_readback.bin": "306a45f61922cd0a66f71a6aaf69a3814302346d6e45a25f374826b5be4dfe72",
    "van17_rev3.zip": "b79a302596ffa49f583d8ca3e7336a7035fe497f0b58d0bc19a8f14035f1ea8c",
    "van17_read_after_update.hex": "00ed1a406bfaf3a7d3b0a28d4181eb4e2176b87a4434fb51df7d8eb6b2a94a65",
    "van17_drive_town.csv": "20ee188b7aee6bedd57c4ce7e7b06966576e957def0db4b5f9fe61d00ac5724f",
    "van17_drive_motorway.csv": "eefca97ba9c3eb69399d96a49b9d6f5e79ec52614e6e947672278fb6d54ddc0f",
    "van17_drive_hills.csv": "51e2eae2c906ae5f02664c9be115c825db3b52597aee2727f5f6503e70f65ff6",
}

WORDS = {
    "channels.yaml",
    "warm.yaml",
    "van17_faults_before.yaml",
    "van17_faults_after.yaml",
    "trust.yaml",
    "README.txt",
}
"""files that are read, not reckoned"""

IMAGES = ("stock", "again", "first", "second", "readback", "third", "newer")


@pytest.fixture(params=IMAGES)
def case(
    request: pytest.FixtureRequest, story: Story, old: Definition, new: Definition
) -> tuple[str, Image, Definition]:
    return request.param, getattr(story, request.param), new if request.param == "newer" else old


def test_the_same_bytes_everywhere(files: Mapping[str, bytes]) -> None:
    assert {n: hashlib.sha256(files[n]).hexdigest() for n in GOLDEN} == GOLDEN
    assert set(files) - set(GOLDEN) == WORDS


def test_the_files_hold_the_images(files: Mapping[str, bytes], story: Story, tmp_path: Path) -> None:
    formats = {
        "van17_stock_read.bin": ("binary", None, ()),
        "van17_second_read.bin": ("binary", None, ()),
        "van17_rev1.hex": ("ihex", None, ()),
        "van17_rev2.s19": ("srec", None, ()),
        "van17_readback.bin": ("binary", None, ()),
        "van17_rev3.zip": ("binary", "zip", ()),
        "van17_read_after_update.hex": ("ihex", None, ("lines end in CR LF",)),
    }
    for (name, expected), image in zip(formats.items(), attrs.astuple(story, recurse=False), strict=True):
        path = tmp_path / name
        path.write_bytes(files[name])
        read = read_image(path, start=0x00800000)
        assert read.source is not None
        source = read.source
        assert (source.format, source.container, tuple(n.text for n in source.notes)) == expected
        assert read == image


def test_one_definition_fits(case: tuple[str, Image, Definition], old: Definition, new: Definition) -> None:
    _, image, definition = case
    assert [d for d in (old, new) if fits(d, image)] == [definition]


def test_every_table_decodes_without_a_problem(case: tuple[str, Image, Definition]) -> None:
    _, image, definition = case
    for name in definition.tables:
        table = decode(image, definition, name)
        assert table.problems == (), name
        assert [a.problems for a in table.axes if a.problems] == [], name


def test_values_keep_their_limits_and_types_their_room(case: tuple[str, Image, Definition]) -> None:
    _, image, definition = case
    for name, spec in definition.tables.items():
        limits = spec.effective_limits
        table = decode(image, definition, name)
        if limits is not None:
            assert (table.physical >= float(limits.low)).all(), name
            assert (table.physical <= float(limits.high)).all(), name
        if spec.kind in ("curve", "map", "cuboid"):
            assert table.raw.size >= 5, name


def test_maps_are_smooth(case: tuple[str, Image, Definition]) -> None:
    # No neighbour is further away than half of what the whole map spans: a misplaced table looks like noise.
    _, image, definition = case
    for name, spec in definition.tables.items():
        values = decode(image, definition, name).physical
        if spec.kind in ("map", "cuboid"):
            span = float(np.ptp(values))
            for direction in range(values.ndim):
                assert np.abs(np.diff(values, axis=direction)).max() <= 0.5 * span, name


def test_stored_counts(story: Story, old: Definition) -> None:
    counts = {"coolant_short": 6, "gas_injector_characteristic.x": 12, "petrol_small_pulse.x": 5}
    found = {
        axis.spec.name: axis.count
        for table in old.tables
        for axis in decode(story.stock, old, table).axes
        if axis.count is not None
    }
    assert found == counts


def test_the_checksum_of_the_calibration_is_right(case: tuple[str, Image, Definition]) -> None:
    # CRC-32/ISO-HDLC gives 0xCBF43926 for b"123456789" (public catalogue of CRC algorithms, from memory).
    assert binascii.crc32(b"123456789") == 0xCBF43926
    _, image, _ = case
    assert int.from_bytes(image.read(0x008BFFFC, 4), "big") == binascii.crc32(image.read(0x00880000, 0x3FFFC))


def test_the_other_checksums_are_right(case: tuple[str, Image, Definition]) -> None:
    """Worked out beside caldiff: by struct, and by binascii.crc_hqx, which is CRC-16/IBM-3740 from 0xFFFF on."""
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1  # public catalogue of CRC algorithms, from memory
    _, image, _ = case
    boot = sum(struct.unpack(">32640H", image.read(0x00800000, 0xFF00))) % 2**16
    assert struct.unpack(">2H", image.read(0x008C0000, 4)) == (boot, boot ^ 0xFFFF)
    assert image.read(0x008C0040, 20).hex() == "008100000082ffff008300000087ffffffffffff"
    program = binascii.crc_hqx(image.read(0x00810000, 448 * 1024), 0xFFFF)
    assert int.from_bytes(image.read(0x008C0004, 2), "big") == program
    checks = image.read(0x008BFFFC, 4) + image.read(0x008C0000, 0x80)
    assert sum(struct.unpack(">33I", checks)) % 2**32 == 0


def test_states(case: tuple[str, Image, Definition]) -> None:
    _, image, definition = case
    found = {s.name: s.status for s in states(image, definition.checksums.values())}
    assert found == dict.fromkeys(["calibration", "boot", "program", "checks"], "valid") | {
        "signature": "not verifiable"
    }


def test_identity(case: tuple[str, Image, Definition]) -> None:
    name, image, definition = case
    newer = name == "newer"
    assert {v.field.name: v.text for v in identify(image, definition)} == {
        "software": "WREN4 02.30" if newer else "WREN4 02.10",
        "calibration_id": "W4-BIFUEL-0230-A" if newer else "W4-BIFUEL-0210-C",
        "hardware": "40711",
        "made": "20230907" if newer else "20210318",
        "vin": "00WREN4V5N0000017",
    }


def test_the_vehicle_number_has_its_form_and_check_digit(story: Story, old: Definition) -> None:
    # 17 characters without I, O and Q: ISO 3779; values and weights: 49 CFR 565.15, tables III and IV (from memory).
    vin = story.stock.read(old.identity["vin"].at, 17).decode("ascii")
    values = {str(d): d for d in range(10)}
    values |= dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (*range(1, 9), *range(1, 6), 7, 9, *range(2, 10)), strict=True))
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    assert not set(vin) & set("IOQ")
    assert "0123456789X"[sum(values[c] * w for c, w in zip(vin, weights, strict=True)) % 11] == vin[8]
