"""Everything in an image of the invented WREN-4 that is no table: program, identity, learned values, checksums."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from caldiff.checksum.correct import correct
from caldiff.definition.definition import Definition
from caldiff.definition.model import IdentityField, Region
from caldiff.image.model import Image

__all__ = ["blank", "region", "summed", "with_identity"]

_SAME_PROGRAM = 128 * 1024
"""bytes at the start of the program that every software version shares: its libraries"""
_LEARNED = 1024
"""bytes of the learned region that are in use"""
_BLOCKS = 0x008C0040
"""the list of what the checksum of the program covers: start and last address of each part"""
_SIGNATURE = 0x008C0080
_UNDESCRIBED = 0x008A0000
"""calibration data that no table describes, as in any real definition"""


def _noise(label: str, size: int) -> bytes:
    """Bytes that look like a program, always the same for one label."""
    blocks = (hashlib.sha256(f"{label} {i}".encode()).digest() for i in range(-(-size // 32)))
    return b"".join(blocks)[:size]


def region(definition: Definition, name: str) -> Region:
    """The region of that name."""
    return next(r for r in definition.regions if r.name == name)


def blank(definition: Definition, version: str) -> Image:
    """An image with program and learned values, erased where tables, identity and checksum are to come."""
    frame = definition.frame
    erased = bytes([frame.erased]) * frame.size
    boot, program, learned = (region(definition, name) for name in ("boot", "program", "learned"))
    middle = program.start + _SAME_PROGRAM
    parts = (program.start, middle - 1, middle, program.stop - 1)
    values = bytes(0x80 + b % 7 - 3 for b in _noise("learned", _LEARNED))
    return Image.of(erased, start=frame.start).patched(
        {
            boot.start: _noise("boot", boot.size),
            program.start: _noise("library", _SAME_PROGRAM)
            + _noise(f"program {version}", program.size - _SAME_PROGRAM),
            learned.start: values + bytes(learned.size - _LEARNED),
            _BLOCKS: b"".join(edge.to_bytes(4, "big") for edge in parts),
            _SIGNATURE: _noise(f"signature {version}", 64),
            _UNDESCRIBED: b"".join((i * i // 97 + 3 * i & 0xFFFF).to_bytes(2, "big") for i in range(4096)),
        }
    )


def with_identity(image: Image, definition: Definition, values: Mapping[str, str]) -> Image:
    """The image with its identity fields written; text is padded with spaces."""
    return image.patched({definition.identity[n].at: _field(definition.identity[n], v) for n, v in values.items()})


def _field(field: IdentityField, value: str) -> bytes:
    if field.kind == "text":
        return value.encode("ascii").ljust(field.size)
    return bytes.fromhex(value) if field.kind == "bcd" else int(value).to_bytes(field.size, field.byte_order)


def summed(image: Image, definition: Definition) -> Image:
    """The image with every checksum right that can be reckoned; the signature stays what it was."""
    return correct(image, definition.checksums.values())
