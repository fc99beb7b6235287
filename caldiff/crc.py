"""CRCs: the public catalogue of parametrised CRC algorithms, and their reckoning. The only importer of anycrc."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

import attrs

__all__ = ["Crc", "catalogue", "combine_crcs", "crc_by_name", "crc_name", "reckon_crc", "running_crcs"]


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
    return int(_engine(crc).calc(data)) if len(data) else _of_nothing(crc)


def running_crcs(crc: Crc, data: bytes | bytearray | memoryview, step: int) -> Iterator[int]:
    """The CRC of nothing, of the first ``step`` bytes, of the first two steps, and so on while they are whole."""
    value = _of_nothing(crc)
    yield value
    engine = _engine(crc)
    for at in range(step, len(data) + 1, step):
        value = int(engine.calc(data[at - step : at], value))
        yield value


def combine_crcs(crc: Crc, first: int, second: int, length: int) -> int:
    """The CRC of two runs of bytes from the CRC of each; ``length`` is that of the second."""
    return int(_engine(crc).combine(first, second, length))


def _of_nothing(crc: Crc) -> int:
    start = int(f"{crc.start:0{crc.width}b}"[::-1], 2) if crc.reflect_out else crc.start
    return start ^ crc.final_xor


def _engine(crc: Crc) -> Any:
    from anycrc import CRC  # noqa: PLC0415 - as above

    return CRC(crc.width, crc.polynomial, crc.start, crc.reflect_in, crc.reflect_out, crc.final_xor)
