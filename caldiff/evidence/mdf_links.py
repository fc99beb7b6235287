"""A look at the links between the blocks of an MDF 4 file, before asammdf follows them.

asammdf goes from block to block as the file says, and would go round in a ring for ever. So every list that it walks
through when it opens a file is walked here first: each link leads into the file, and nowhere twice.
Block layouts after ASAM MDF 4.1: a header of 24 bytes (id, four reserved, length, number of links), then links of 8.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

from caldiff.errors import EvidenceError, FileError

__all__ = ["check_links"]

_HEADER = struct.Struct("<4s4xQQ")
_FIRST = 64
"""where the header block stands, behind the identification"""
_MOST_BLOCKS = 1_000_000
_MOST_LINKS = 10_000_000
_VERSION = slice(28, 30)


def check_links(path: Path) -> bool:
    """Whether the logger did not finish the file.

    Raises:
        EvidenceError: it is no MDF 4, or its links lead out of the file, or in a ring.
        FileError: the file cannot be read.
    """
    try:
        with path.open("rb") as stream:
            start = stream.read(_FIRST)
            size = stream.seek(0, 2)
            if len(start) < _FIRST or int.from_bytes(start[_VERSION], "little") // 100 != 4:  # noqa: PLR2004 - MDF 4
                got = start[8:16].decode("latin-1").strip("\0 ") or None
                raise EvidenceError("this MDF file is not of version 4", file=path, expected="4.00 to 4.30", got=got)
            _Walk(stream, size, path).all()
    except OSError as error:
        raise FileError(f"the file cannot be read: {error.strerror or error}", file=path) from None
    return start.startswith(b"UnFinMF")


class _Walk:
    """Follows every link there is, and each block once on the way down."""

    def __init__(self, stream: BinaryIO, size: int, path: Path) -> None:
        self._stream, self._size, self._path = stream, size, path

    def all(self) -> None:
        """Depth first. A block met again while it is still being followed closes a ring."""
        done: set[int] = set()
        open_: set[int] = set()
        todo: list[tuple[int, bool]] = [(_FIRST, False)]
        links = 0
        while todo:
            at, left = todo.pop()
            if left:
                open_.discard(at)
                done.add(at)
                continue
            if at in done:
                continue
            if at in open_:
                raise self._wrong("the blocks of the MDF file lead in a ring", at)
            found = self._links(at)
            links += len(found)
            if len(done) > _MOST_BLOCKS or links > _MOST_LINKS:
                raise self._wrong("the MDF file has more blocks than can be looked at", at)
            open_.add(at)
            todo.append((at, True))
            todo += [(link, False) for link in found if link and link not in done]

    def _links(self, at: int) -> tuple[int, ...]:
        if at > self._size - _HEADER.size:
            raise self._wrong("a link of the MDF file leads out of it", at)
        self._stream.seek(at)
        name, length, count = _HEADER.unpack(self._stream.read(_HEADER.size))
        if not name.startswith(b"##"):
            raise self._wrong("a link of the MDF file leads to no block", at)
        if length > self._size - at or count > (length - _HEADER.size) // 8:
            raise self._wrong("a block of the MDF file is longer than the file", at)
        return struct.unpack(f"<{count}Q", self._stream.read(8 * count))

    def _wrong(self, reason: str, at: int) -> EvidenceError:
        return EvidenceError(reason, file=self._path, address=at)
