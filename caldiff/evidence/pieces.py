"""A text file in pieces of whole lines, whatever its encoding and line ends."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from caldiff.errors import EvidenceError, FileError

__all__ = ["LONGEST_LINE", "Text"]

LONGEST_LINE = 1 << 20
"""bytes; a log with longer lines is none"""
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


class Text:
    """The lines of a file, as bytes: UTF-8 or whatever it is, but never UTF-16, with line feeds at their ends."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.cut = b""
        """after reading to the end: what stands behind the last line end"""
        try:
            with path.open("rb") as stream:
                start = stream.read(1 << 16)
        except OSError as error:
            raise _unreadable(path, error) from None
        self._bom, self._encoding = next((found for found in _BOMS if start.startswith(found[0])), (b"", ""))
        self._bare_returns = b"\r" in start and b"\n" not in start

    def pieces(self, size: int) -> Iterator[bytes]:
        """Whole lines, about so many bytes at a time.

        Raises:
            EvidenceError: a line is too long.
            FileError: the file cannot be read.
        """
        self.cut = rest = b""
        try:
            with self._path.open("rb") as stream:
                stream.seek(len(self._bom))
                for piece in self._decoded(stream, size):
                    text = rest + piece if rest else piece
                    end = text.rfind(b"\n") + 1
                    rest = text[end:]
                    if end:
                        yield text[:end]
                    if len(rest) > LONGEST_LINE:
                        raise self._too_long(rest)
        except OSError as error:
            raise _unreadable(self._path, error) from None
        self.cut = rest

    def _too_long(self, rest: bytes) -> EvidenceError:
        got = f"more than {len(rest) >> 20} MiB without a line end"
        return EvidenceError("a line is too long for a log", file=self._path, expected="lines of text", got=got)

    def _decoded(self, stream: BinaryIO, size: int) -> Iterator[bytes]:
        """The bytes with line feeds for line ends and without the zeros that a logger leaves which lost its power."""
        decoder = codecs.getincrementaldecoder(self._encoding)("replace") if "16" in self._encoding else None
        returned = b""
        while piece := stream.read(size):
            if decoder:
                piece = decoder.decode(piece).encode("utf-8", "replace")
            elif piece.endswith(b"\0"):
                piece = piece.rstrip(b"\0")
            if self._bare_returns:
                yield piece.replace(b"\r", b"\n")
                continue
            if returned or b"\r" in piece:
                whole = returned + piece
                returned = b"\r" if whole.endswith(b"\r") else b""
                piece = whole[: len(whole) - len(returned)].replace(b"\r\n", b"\n")
            yield piece
        yield returned


def _unreadable(path: Path, error: OSError) -> FileError:
    return FileError(f"the file cannot be read: {error.strerror or error}", file=path)
