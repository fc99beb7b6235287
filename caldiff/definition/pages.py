"""A sealed body of bytes: pages, each with a keyed digest, checked when they are first touched.

The seal tells bytes that this user's caldiff wrote from damaged ones, cut ones and ones that came from elsewhere. The
key is a secret of the user; the digests are keyed BLAKE2b (RFC 7693). Layout, integers little-endian::

    magic (8) | size of the body (8) | seal of magic, size and page digests (16) | page digests (16 each) | body
"""

from __future__ import annotations

from collections.abc import Callable
from hashlib import blake2b
from hmac import compare_digest
from typing import Any

from caldiff.errors import CaldiffError

__all__ = ["DamagedError", "Pages", "sealed"]

Buffer = Any
"""bytes, or anything else that memoryview takes and that does not change: a read-only mmap"""

_MAGIC = b"caldef\x00\x01"
_PAGE = 16 * 1024
_DIGEST = 16
_HEAD = len(_MAGIC) + 8 + _DIGEST


class DamagedError(CaldiffError):
    """A compiled definition that is not as it was written. Whoever has the sources builds it again."""


def _mark(key: bytes, *parts: bytes | memoryview) -> bytes:
    state = blake2b(key=key, digest_size=_DIGEST)
    for part in parts:
        state.update(part)
    return state.digest()


def sealed(body: bytes, key: bytes) -> bytes:
    """The body under its seal; ``key`` is at most 64 bytes."""
    view = memoryview(body)
    marks = b"".join(_mark(key, view[at : at + _PAGE]) for at in range(0, len(body), _PAGE))
    head = _MAGIC + len(body).to_bytes(8, "little")
    return b"".join([head, _mark(key, head, marks), marks, body])


class Pages:
    """Reads a sealed body. Every byte that it gives out was checked.

    When a page turns out damaged and ``rebuild`` is given, the sealed bytes are built again by it, once, and must hold
    the same body; the reader goes on with them.
    """

    def __init__(self, buffer: Buffer, key: bytes, rebuild: Callable[[], bytes] | None = None) -> None:
        self._key = key
        self._rebuild = rebuild
        self._take(memoryview(buffer).cast("B"))

    def _take(self, whole: memoryview) -> None:
        """Check the head.

        Raises:
            DamagedError: it is not sealed with this key, or the size is not what was sealed.
        """
        head = bytes(whole[: len(_MAGIC) + 8])
        size = int.from_bytes(head[len(_MAGIC) :], "little")
        pages = -(-size // _PAGE)
        body = _HEAD + pages * _DIGEST
        if head[: len(_MAGIC)] != _MAGIC or len(whole) != body + size:
            raise DamagedError("this is no compiled definition, or it was cut")
        marks = whole[_HEAD:body]
        if not compare_digest(whole[len(head) : _HEAD], _mark(self._key, head, marks)):
            raise DamagedError("the compiled definition was not written here, or is damaged")
        self._body = whole[body:]
        self._marks = bytes(marks)
        self._checked = bytearray(pages)

    def __len__(self) -> int:
        return len(self._body)

    def view(self, start: int, stop: int) -> memoryview:
        """The bytes ``[start, stop)`` of the body, checked, without a copy.

        Raises:
            DamagedError: a page is not as it was sealed, or the range is not inside the body.
        """
        if not 0 <= start <= stop <= len(self._body):
            raise DamagedError("the compiled definition points outside itself")
        for page in range(start // _PAGE, -(-stop // _PAGE)):
            if not self._checked[page]:
                self._check(page)
        return self._body[start:stop]

    def _check(self, page: int) -> None:
        mark = self._marks[page * _DIGEST : (page + 1) * _DIGEST]
        if not compare_digest(mark, _mark(self._key, self._body[page * _PAGE : (page + 1) * _PAGE])):
            self._repair()
        self._checked[page] = 1

    def _repair(self) -> None:
        if self._rebuild is None:
            raise DamagedError("the compiled definition is damaged")
        before, rebuild, self._rebuild = self._marks, self._rebuild, None
        self._take(memoryview(rebuild()))
        if self._marks != before:
            raise DamagedError("the definition's file changed while it was in use", hint="open the definition again")
        self._checked = bytearray(b"\x01" * len(self._checked))
