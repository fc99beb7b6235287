"""Files <-> flat images: how the base of a difference is read, and what came out of it is written."""

from __future__ import annotations

from caldiff.errors import CaldiffError, VaultError
from caldiff.vault.difference import LARGEST, Difference, Flat, Read

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__all__ = ["flat_of", "plain_shape", "written"]

_LEAST_RECORD = {"ihex": 11, "srec": 11, "titxt": 0}
"""characters that a record has besides two for each byte of data, at the least"""
_SHAPE: dict[str, type | tuple[type, ...]] = {
    "length": int,
    "address_bits": (int, type(None)),
    "newline": str,
    "upper": bool,
    "header": (str, type(None)),
    "count": bool,
    "entry": (int, type(None)),
    "segmented_entry": (int, type(None)),
    "eof": bool,
    "end": bool,
    "entry_at_end": bool,
    "leading": bool,
    "crossing": bool,
    "block": (int, type(None)),
    "segmented": bool,
    "narrow": bool,
}
"""the fields of a RecordShape and what stands in them; the bytes of ``header`` as hexadecimal digits"""


def flat_of(data: bytes | bytearray, like: Read) -> Flat:
    """The image that a kept file holds, read in that format. A bytearray is used up.

    Raises:
        VaultError: it is none. No ``file``.
    """
    if like == "binary" and data[:2] not in (b"\x1f\x8b", b"PK"):
        return Flat(layout=((0, len(data)),), data=data if isinstance(data, bytearray) else bytearray(data))
    from caldiff.image.limits import Limits  # noqa: PLC0415 - not for a raw binary
    from caldiff.image.reading import read_image  # noqa: PLC0415 - as above

    try:
        image = read_image(bytes(data), format=like, limits=Limits(size=LARGEST, span=1 << 63))
    except CaldiffError as error:
        raise VaultError(f"the base of the difference cannot be read: {error.reason}") from error
    layout = tuple((segment.start, len(segment.data)) for segment in image.segments)
    return Flat(layout=layout, data=bytearray().join(segment.data for segment in image.segments))


def written(flat: Flat, difference: Difference) -> bytes | memoryview:
    """The file that an image was; a view of a raw binary, which a copy costs something.

    Raises:
        VaultError: it cannot be written so. No ``file``.
    """
    before, after = flat.around
    image = _image(flat, difference)
    return before + image + after if before or after else image


def _image(flat: Flat, difference: Difference) -> bytes | memoryview:
    if difference.format == "binary":
        if len(flat.layout) != 1:
            raise VaultError("a raw binary cannot have gaps")
        return memoryview(flat.data).toreadonly()
    from caldiff.image.model import Image, RecordShape, Segment  # noqa: PLC0415 - as above
    from caldiff.image.writing import dump_image  # noqa: PLC0415 - as above

    try:
        shape = RecordShape(**_shape(difference, len(flat.data)))
        return dump_image(Image(segments=_segments(Segment, flat)), format=difference.format, shape=shape)
    except CaldiffError as error:
        raise VaultError(f"the file cannot be written from its difference: {error.reason}") from error


def _segments(segment: Any, flat: Flat) -> tuple[Any, ...]:
    parts, at = [], 0
    for start, size in flat.layout:
        parts.append(segment(start=start, data=bytes(memoryview(flat.data)[at : at + size])))
        at += size
    return tuple(parts)


def plain_shape(shape: object) -> dict[str, Any]:
    """A RecordShape's fields that are not at their defaults, for JSON."""
    from caldiff.image.model import RecordShape  # noqa: PLC0415 - as above

    default = RecordShape()
    told = {name: getattr(shape, name) for name in _SHAPE}
    told = {name: value for name, value in told.items() if value != getattr(default, name)}
    if isinstance(told.get("header"), bytes):
        told["header"] = told["header"].hex()
    return told


def _shape(difference: Difference, held: int) -> dict[str, Any]:
    """The fields of the RecordShape, checked, so that no damaged one makes more text than the file had."""
    shape = dict(difference.shape or {})
    if any(name not in _SHAPE or not _is(value, _SHAPE[name]) for name, value in shape.items()):
        raise VaultError("the records' shape makes no sense")
    try:
        header = shape.get("header")
        shape |= {} if header is None else {"header": bytes.fromhex(header)}
    except ValueError as error:
        raise VaultError("the records' shape makes no sense") from error
    length = min(shape.get("length", 32), shape.get("block") or 1 << 16)
    if length < 1 or shape.get("newline", "\n") not in ("\n", "\r\n"):
        raise VaultError("the records' shape makes no sense")
    if held // length * _LEAST_RECORD[difference.format] + 2 * held > difference.size:
        raise VaultError("the file is shorter than its records")
    return shape


def _is(value: object, kinds: type | tuple[type, ...]) -> bool:
    return type(value) in (kinds if isinstance(kinds, tuple) else (kinds,))
