"""CRCs: the public catalogue of parametrised CRC algorithms, and their reckoning. The only importer of anycrc."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache

import attrs

__all__ = ["Crc", "catalogue", "crc_by_name", "crc_name", "reckon_crc"]


@attrs.frozen(kw_only=True)
class Crc:
    """A CRC by the parameters of the catalogue: the polynomial without its highest term, never reversed."""

    width: int
    """3 to 64 bits"""
    polynomial: int
    start: int
    reflect_in: bool
    reflect_out: bool
    final_xor: int


@cache
def catalogue() -> Mapping[str, Crc]:
    """The catalogue by its names, such as ``CRC-32/ISO-HDLC``."""
    from anycrc import models  # noqa: PLC0415 - only definitions with a CRC pay for it

    return {
        re.sub(r"^CRC(\d+)-", r"CRC-\1/", name): Crc(
            width=m.width,
            polynomial=m.poly,
            start=m.init,
            reflect_in=m.refin,
            reflect_out=m.refout,
            final_xor=m.xorout,
        )
        for name, m in models.items()
    }


def _plain(name: str) -> str:
    """Names as the library spells them: ``CRC-32/ISO-HDLC``, ``crc32-iso-hdlc`` and ``CRC-32`` are all found."""
    return re.sub(r"^CRC-(?=\d)", "CRC", name.upper()).replace("/", "-")


def crc_by_name(name: str) -> Crc | None:
    """The CRC of that name or alias in the catalogue, or None."""
    from anycrc import aliases  # noqa: PLC0415 - as above

    plain = _plain(name)
    plain = aliases.get(plain, plain)
    return next((crc for known, crc in catalogue().items() if _plain(known) == plain), None)


def crc_name(crc: Crc) -> str | None:
    """The catalogue's name for the parameters, or None."""
    return next((name for name, known in catalogue().items() if known == crc), None)


def reckon_crc(crc: Crc, data: bytes | bytearray | memoryview) -> int:
    """The CRC of the bytes; of none at all too."""
    from anycrc import CRC  # noqa: PLC0415 - as above

    if not len(data):
        start = int(f"{crc.start:0{crc.width}b}"[::-1], 2) if crc.reflect_out else crc.start
        return start ^ crc.final_xor
    engine = CRC(crc.width, crc.polynomial, crc.start, crc.reflect_in, crc.reflect_out, crc.final_xor)
    return int(engine.calc(data))
