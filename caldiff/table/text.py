"""Text as controllers store it: fixed room, padded. Free of numpy."""

from __future__ import annotations

__all__ = ["legible", "strange", "trimmed", "with_unit"]


def trimmed(data: bytes, erased: int) -> bytes:
    """The bytes without the padding at their end: NUL, erased bytes and spaces in any mixture."""
    return data.rstrip(bytes({0x00, 0x20, erased}))


def legible(data: bytes, encoding: str) -> str:
    r"""The bytes as one line of printable text; what is no character, or none that prints, stands as ``\xNN``."""
    text = data.decode(encoding, errors="backslashreplace")
    return "".join(c if c.isprintable() or c == "\xa0" else f"\\x{ord(c):02x}" for c in text)


def strange(data: bytes, encoding: str) -> int | None:
    """The index of the first byte that is no printable character, or None where all are."""
    return next((i for i, b in enumerate(data) if legible(data[i : i + 1], encoding) != chr(b)), None)


def with_unit(text: str, unit: str) -> str:
    """The number and its unit; nothing after it where the unit is 1, the unit of what has none."""
    return text if unit in {"", "1"} else f"{text} {unit}"
