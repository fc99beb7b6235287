"""Making a difference: the runs in which two images differ. Reading one back is :mod:`caldiff.vault.difference`."""

from __future__ import annotations

import zlib
from typing import Any

import numpy as np
import numpy.typing as npt

from caldiff.canonical import Digest
from caldiff.image.model import Image
from caldiff.image.writing import dump_image
from caldiff.vault.difference import AROUND, DEEPEST, LARGEST, RUNS, SEGMENTS, TOP, Difference, Flat, Layout, moved
from caldiff.vault.flat import plain_shape

__all__ = ["around", "difference_against"]

_CLOSE = 4
"""Equal bytes that do not part a run: they cost less inside it than another run does."""
_WORD = 8


def around(data: bytes, image: Image) -> tuple[bytes, bytes] | None:
    """What of a file stands before and after its image, written in its format and shape: mostly nothing.

    None where the image does not stand in the file so (an ELF, or it is deflated), or is too large.
    """
    source = image.source
    if source is None or source.format == "elf" or not image.segments:
        return None
    if image.size > LARGEST or len(image.segments) > SEGMENTS or len(data) > 5 * LARGEST:
        return None
    if source.format == "binary" and len(image.segments) > 1:
        return None
    core = dump_image(image)
    at = 0 if data == core else data.find(core)
    if at < 0 or max(at, len(data) - at - len(core)) > AROUND:
        return None
    return data[:at], data[at + len(core) :]


def difference_against(  # noqa: PLR0913 - one keyword a fact
    image: Image, outside: tuple[bytes, bytes], *, size: int, near: Image, base: Digest, depth: int
) -> Difference | None:
    """The difference of an image from a near one.

    Args:
        image: of a file in which it stands.
        outside: what is :func:`around` it there.
        size: of that file.
        near: the other image, with its source.
        base: digest of its file.
        depth: of the new difference.

    Returns:
        None where no difference is worth it.
    """
    if image.source is None or near.source is None or image.source.format == "elf" or not 1 <= depth <= DEEPEST:
        return None
    new, old = _flat(image), _flat(near)
    move = _shift(near) - _shift(image)
    body = _body(moved(old, new.layout, move).data, new.data, b"".join(outside)) if abs(move) <= TOP else None
    if body is None:
        return None
    return Difference(
        base=base,
        like=near.source.format,
        depth=depth,
        format=image.source.format,
        size=size,
        before=len(outside[0]),
        after=len(outside[1]),
        shape=None if image.source.format == "binary" else plain_shape(image.source.shape),
        segments=None if new.layout == old.layout else new.layout,
        move=move,
        body=body,
    )


def _shift(image: Image) -> int:
    """Where a raw binary lies in the controller: a vault has it at 0."""
    return image.start if image.source is not None and image.source.format == "binary" else 0


def _flat(image: Image) -> Flat:
    shift = _shift(image)
    layout: Layout = tuple((segment.start - shift, len(segment.data)) for segment in image.segments)
    return Flat(layout=layout, data=bytearray().join(segment.data for segment in image.segments))


def _body(old: bytearray, new: bytearray, outside: bytes) -> bytes | None:
    """The runs and what is around the image, deflated; None where they are too many."""
    one, other = np.frombuffer(old, dtype=np.uint8), np.frombuffer(new, dtype=np.uint8)
    places = _differing(one, other)
    if not len(places):
        return _deflated(bytes(4) + outside)
    breaks = np.flatnonzero(np.diff(places) > _CLOSE)
    starts = places[np.concatenate(([0], breaks + 1))]
    stops = places[np.concatenate((breaks, [len(places) - 1]))] + 1
    if len(starts) > RUNS:
        return None
    gaps = _planes(starts - np.concatenate(([0], stops[:-1])))
    lengths = _planes(stops - starts)
    values = other - one
    runs = [values[a:b].tobytes() for a, b in zip(starts.tolist(), stops.tolist(), strict=True)]
    return _deflated(b"".join([len(starts).to_bytes(4, "little"), gaps, lengths, *runs, outside]))


def _differing(one: npt.NDArray[np.uint8], other: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """The places that differ, found by words first."""
    whole = len(one) - len(one) % _WORD
    words = np.flatnonzero(one[:whole].view(np.uint64) != other[:whole].view(np.uint64))
    near = (words[:, None] * _WORD + np.arange(_WORD)).reshape(-1)
    near = np.concatenate((near, np.arange(whole, len(one))))
    places: npt.NDArray[np.int64] = near[one[near] != other[near]]
    return places


def _planes(numbers: npt.NDArray[np.int64]) -> bytes:
    """Numbers of 32 bits, all lowest bytes first: what is mostly 0 then deflates to next to nothing."""
    return numbers.astype("<u4").view(np.uint8).reshape(-1, 4).T.tobytes()


def _deflated(plain: bytes) -> bytes:
    deflate: Any = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS, 9)
    packed: bytes = deflate.compress(plain) + deflate.flush()
    return packed
