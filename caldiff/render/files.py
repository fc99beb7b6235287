"""How people speak of files: their formats and sizes."""

from __future__ import annotations

from caldiff.render.look import plural

__all__ = ["FORMATS", "size_words"]

FORMATS = {
    "binary": "raw binary",
    "ihex": "Intel HEX",
    "srec": "S-record",
    "titxt": "TI-TXT",
    "elf": "ELF",
}


def size_words(size: int) -> str:
    """A size as people say it, exact."""
    for unit, name in ((1 << 20, "MiB"), (1 << 10, "KiB")):
        if size >= unit and size % unit == 0:
            return f"{size // unit} {name}"
    return plural(size, "byte")
