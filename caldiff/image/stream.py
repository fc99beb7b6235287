"""Reading from anything that gives bytes piece by piece, never more than the limits allow."""

from __future__ import annotations

from io import BytesIO
from typing import Protocol

from caldiff.errors import LimitError
from caldiff.image.content import HEAD, is_text, packing
from caldiff.image.limits import Limits

__all__ = ["Stream", "gather", "most"]

_PIECE = 1024 * 1024


class Stream(Protocol):
    """What has a ``read``: a file, a decompressor."""

    def read(self, size: int, /) -> bytes:
        """At most ``size`` bytes; none at the end."""


def most(head: bytes, limits: Limits) -> int:
    """The most bytes that a file which begins so may have: a raw binary is as large as its image, others larger."""
    other = is_text(head) or packing(head) is not None or head.startswith(b"\x7fELF")
    return limits.text if other else limits.size


def gather(stream: Stream, *, name: str, limits: Limits, size: int | None = None) -> bytes:
    """Everything that the stream gives; ``size`` is what it is said to hold, where that is known.

    Raises:
        LimitError: it holds too much; at most a piece more than the limit has been read then.
    """
    head = stream.read(HEAD)
    allowed = most(head, limits)
    room = BytesIO()  # grows in place and gives its bytes away without a copy
    have = room.write(head)
    while have <= allowed and (size is None or size <= allowed):
        piece = stream.read(_PIECE)
        if not piece:
            return room.getvalue()
        have += room.write(piece)
    raise LimitError(
        "the file is larger than the limit",
        file=name,
        expected=f"at most {allowed} bytes",
        got=str(size) if size is not None and size > allowed else "more",
        hint="raise the size limit if this is meant",
    )
