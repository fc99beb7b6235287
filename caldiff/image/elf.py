"""ELF: the loadable segments at their load (physical) addresses."""

from __future__ import annotations

from io import BytesIO

from caldiff.errors import ImageError, LimitError
from caldiff.image.limits import Limits
from caldiff.image.model import TOP, Segment
from caldiff.image.parsed import Parsed

__all__ = ["read_elf"]

_MOST = 65535
"""Program headers; more need the escape of ELF's extended numbering, which no controller's program does."""


def read_elf(data: bytes, *, name: str, limits: Limits) -> Parsed:
    """Read the ``PT_LOAD`` segments; what exists in memory only (``.bss``) is no content.

    Raises:
        ImageError: a broken file, or segments that overlap; LimitError where the image is too large.
    """
    loads = sorted(_loads(data, name))
    _check(loads, len(data), name, limits)
    return Parsed(segments=tuple(Segment(start=at, data=data[low : low + size]) for at, size, low in loads))


def _loads(data: bytes, name: str) -> list[tuple[int, int, int]]:
    """``(load address, size, place in the file)`` of every loadable segment with content."""
    from elftools.elf.elffile import ELFFile  # noqa: PLC0415 - slow to import, and few images are ELF

    try:
        elf = ELFFile(BytesIO(data))
        many = elf["e_phnum"]
        tables = max(elf["e_phoff"] + many * elf["e_phentsize"], elf["e_shoff"] + elf["e_shnum"] * elf["e_shentsize"])
        headers = [elf.get_segment(n).header for n in range(many if many < _MOST else 0)]
        loads = [
            (int(h["p_paddr"]), int(h["p_filesz"]), int(h["p_offset"]))
            for h in headers
            if h["p_type"] == "PT_LOAD" and h["p_filesz"]
        ]
    except Exception as error:
        # pyelftools lets through whatever a broken file provokes: ELFError, AttributeError, UnicodeDecodeError, ...
        raise ImageError("the ELF file is broken", file=name, got=str(error)[:200] or type(error).__name__) from error
    if many >= _MOST:
        raise ImageError("the ELF file has too many program headers", file=name, got=str(many))
    if tables > len(data):
        raise _cut_off(name, tables, len(data))
    return loads


def _cut_off(name: str, expected: int, got: int, at: int | None = None) -> ImageError:
    return ImageError(
        "the ELF file is cut off", file=name, address=at, expected=f"at least {expected} bytes", got=str(got)
    )


def _check(loads: list[tuple[int, int, int]], length: int, name: str, limits: Limits) -> None:
    if not loads:
        raise ImageError("the ELF file has no loadable content: it may be an object file before linking", file=name)
    before = 0
    for at, size, low in loads:
        if low + size > length:
            raise _cut_off(name, low + size, length, at)
        if at < before:
            raise ImageError("two segments of the ELF file overlap at their load addresses", file=name, address=at)
        before = at + size
    first, last = loads[0], loads[-1]
    size, span = sum(load[1] for load in loads), last[0] + last[1] - first[0]
    if before > TOP:
        raise ImageError("a segment runs beyond the highest address there can be", file=name, address=last[0])
    if size > limits.size or span > limits.span:
        raise LimitError(
            "the image is larger than the limits",
            file=name,
            expected=f"at most {limits.size} bytes over {limits.span} addresses",
            got=f"{size} over {span}",
            hint="raise the limits if this is meant",
        )
