"""A made-up shop in a folder: a definition in two files, a vault, images of 512 bytes, and who records them."""

from __future__ import annotations

import zlib
from pathlib import Path
from shutil import copytree
from typing import Any

from caldiff.definition.catalogue import Catalogue
from caldiff.trace.recording import Recorder
from caldiff.vault.vault import Vault

FAMILY = """\
definition: 1
name: made
scalings:
  half: {unit: "%", factor: 1/2}
tables:
  fuel: {type: u8, x: speed, scaling: half, tags: [fuel]}
  spark: {type: u8, x: speed, scaling: half, tags: [ignition]}
  top_speed: {type: u8, scaling: half, tags: [speed-limit]}
axes:
  speed: {type: u8, count: 4, scaling: half}
"""
OWN = """\
definition: 1
name: made-1
extends: made
image: {start: 0x1000, size: 512, byte_order: big}
fits:
  - {at: 0x1000, text: "MADE 1"}
identity:
  software: {at: 0x1000, text: 6, means: software-version}
  hardware: {at: 0x1008, text: 4, means: hardware-number}
  vin: {at: 0x1010, text: 17, means: vin, check_digit: false}
regions:
  - {name: program, at: 0x1040, size: 64, role: code}
  - {name: calibration, at: 0x1080, size: 128, role: calibration}
  - {name: learned, at: 0x1100, size: 32, role: volatile}
axes:
  speed: {at: 0x1080}
tables:
  fuel: {at: 0x1084}
  spark: {at: 0x1088}
  top_speed: {at: 0x1090}
checksums:
  - name: calibration
    over: [{at: 0x1080, size: 128}]
    crc: CRC-32/ISO-HDLC
    stored: {at: 0x1180, type: u32}
"""
START = 0x1000
FUEL, SPARK, TOP_SPEED, LEARNED, PROGRAM, NOTHING = 0x1084, 0x1088, 0x1090, 0x1100, 0x1040, 0x11F0
TIME = "2026-03-11T09:30:00Z"


def image(*, stale: bool = False, software: bytes = b"MADE 1", vin: bytes = b"00WREN4V5N0000017", **at: int) -> bytes:
    """The stock, or the same with bytes at ``a0x...`` set; its checksum holds unless it is to be stale."""
    data = bytearray(b"\xff" * 512)
    data[0:6], data[8:12], data[0x10:0x21] = software, b"HW-1", vin
    data[0x80:0x94] = bytes([10, 20, 30, 40, 50, 51, 52, 53, 20, 21, 22, 23]).ljust(20, b"\x50")
    for address, byte in at.items():
        data[int(address[1:], 16) - START] = byte
    if not stale:
        data[0x180:0x184] = zlib.crc32(data[0x80:0x100]).to_bytes(4, "big")
    return bytes(data)


def changed(address: int, byte: int, **more: Any) -> bytes:
    """The stock with one byte set."""
    return image(**{f"a{address:#x}": byte, **more})


class Shop:
    """A folder with definitions, a vault and files that arrive."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.definitions = folder / "definitions"
        self.definitions.mkdir()
        (self.definitions / "made.yaml").write_text(FAMILY)
        (self.definitions / "made-1.yaml").write_text(OWN)
        self.vault = Vault.create(folder / "vault", id="0123456789abcdef" * 2)

    @classmethod
    def copied(cls, other: Shop, folder: Path) -> Shop:
        """The same shop once more in a folder that is not there yet."""
        copytree(other.folder, folder)
        found = cls.__new__(cls)
        found.folder, found.definitions = folder, folder / "definitions"
        found.vault = Vault.open(folder / "vault")
        return found

    def file(self, name: str, data: bytes) -> Path:
        """A file that arrived."""
        path = self.folder / "in" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path

    def recorder(self, **facts: Any) -> Recorder:
        """Somebody who records."""
        known = {"vault": self.vault, "time": TIME, "author": "somebody", "catalogue": Catalogue([self.definitions])}
        return Recorder(**(known | facts))

    def objects(self) -> set[str]:
        """What the vault keeps, recovery data aside."""
        return {p.name for p in (self.folder / "vault" / "objects").rglob("*") if p.is_file() and p.suffix != ".mend"}
