"""``dump_image`` and ``write_image``: an image as a file, in the shape of the file it came from where there is one."""

from __future__ import annotations

import os
from io import BytesIO
from os import PathLike, fspath
from typing import assert_never

from caldiff.errors import FileError, ImageError, LimitError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image, RecordShape
from caldiff.storing import store

__all__ = ["dump_image", "write_image"]

_BITS = {"ihex": (16, 20, 32), "srec": (16, 24, 32), "titxt": (24, 32)}
_HEADER = 252
"""What the length byte of an S0 record leaves for its content."""


def dump_image(
    image: Image,
    *,
    format: Format | None = None,  # noqa: A002 - the trade's word, as in read_image
    shape: RecordShape | None = None,
    fill: int | None = None,
    limits: Limits | None = None,
) -> bytes:
    """An image as the bytes of a file.

    Args:
        image: what to write.
        format: binary, ihex, srec or titxt; by default that of the file which the image came from.
        shape: how records are written; by default as in the file which the image came from.
        fill: a byte (0 to 255) for the gaps. A binary with gaps needs it; other formats keep gaps unless it is given.
        limits: the span that filling may not exceed; :class:`Limits` by default.

    Raises:
        UsageError: no format that can be written, or a shape or fill that makes no sense.
        ImageError: an empty image, a binary with gaps, an address beyond the form; LimitError with a span too large.
    """
    kind = format or _own_format(image)
    if not image.segments:
        raise ImageError("an image without a byte is not written")
    if fill is not None:
        image = _filled(image, fill, limits or Limits())
    match kind:
        case "binary":
            return _binary(image)
        case "ihex" | "srec" | "titxt":
            return _text(image, kind, shape or shape_for(image, kind))
        case "elf":
            raise UsageError("ELF is read, not written", hint="ask for binary, ihex, srec or titxt")
        case _:
            assert_never(kind)


def write_image(  # noqa: D417, PLR0913 - one keyword a choice; those not told here stand at dump_image
    image: Image,
    path: str | PathLike[str],
    *,
    format: Format | None = None,  # noqa: A002 - as at dump_image
    shape: RecordShape | None = None,
    fill: int | None = None,
    overwrite: bool = False,
    limits: Limits | None = None,
) -> None:
    """Write an image to a file: whole, or not at all.

    Args:
        path: the file to be; the other arguments are those of :func:`dump_image`.
        overwrite: an existing file is replaced; by default it is left alone and an error.

    Raises:
        FileError: the file exists, or cannot be written; and what :func:`dump_image` raises.
    """
    data = dump_image(image, format=format, shape=shape, fill=fill, limits=limits)
    try:
        store(os.path.realpath(path), data, overwrite=overwrite)
    except FileExistsError as error:
        raise FileError("the file exists already", file=fspath(path), hint="ask to overwrite it if meant") from error
    except OSError as error:
        reason = error.strerror or str(error)
        raise FileError(f"the file cannot be written: {reason[:1].lower()}{reason[1:]}", file=fspath(path)) from error


def shape_for(image: Image, format: Format) -> RecordShape:  # noqa: A002 - as at dump_image
    """The shape that an image is written in: its file's, or a plain one in the narrowest form that holds it.

    The start address that another text format gave is kept.
    """
    source = image.source
    if source is not None and source.format == format and source.shape is not None:
        return source.shape
    stop = image.stop
    entry = source.shape.entry if source is not None and source.shape is not None else None
    match format:
        case "ihex":
            return RecordShape(address_bits=16 if stop <= 1 << 16 else 32, entry=entry)
        case "srec":
            bits = 16 if stop <= 1 << 16 else 24 if stop <= 1 << 24 else 32
            return RecordShape(address_bits=bits, header=b"", count=True, entry=entry)
        case _:
            return RecordShape(length=16, address_bits=None)


def _own_format(image: Image) -> Format:
    if image.source is None:
        raise UsageError("an image that came from no file has no format of its own", hint="name the format")
    if image.source.format == "elf":
        raise UsageError(
            "an image that came from an ELF file is not written as ELF",
            file=image.source.name,
            hint="name the format: binary, ihex, srec or titxt",
        )
    return image.source.format


def _filled(image: Image, fill: int, limits: Limits) -> Image:
    if not 0 <= fill <= 0xFF:  # noqa: PLR2004 - a byte
        raise UsageError("the fill is one byte", expected="0 to 255", got=str(fill))
    span = image.stop - image.start
    if span > limits.span:
        raise LimitError(
            "filling the gaps would make a file larger than the limit",
            expected=f"a span of at most {limits.span} addresses",
            got=str(span),
        )
    room = bytearray([fill]) * span
    for segment in image.segments:
        room[segment.start - image.start : segment.stop - image.start] = segment.data
    return Image.of(bytes(room), start=image.start, source=image.source)


def _binary(image: Image) -> bytes:
    if len(image.segments) > 1:
        first, second = image.segments[:2]
        raise ImageError(
            "a binary cannot hold a gap",
            address=first.stop,
            got=f"nothing up to 0x{second.start:08X}",
            hint="give the byte that gaps are to be filled with, or write another format",
        )
    return image.segments[0].data


def _text(image: Image, kind: Format, shape: RecordShape) -> bytes:
    from caldiff.image.encoding import ihex_records, srec_records, titxt_lines  # noqa: PLC0415 - imports numpy

    _check(shape, kind, image)
    write = {"ihex": ihex_records, "srec": srec_records}.get(kind, titxt_lines)
    room = BytesIO()  # grows in place and gives its bytes away without a copy
    room.writelines(write(image, shape))
    return room.getvalue()


def _check(shape: RecordShape, kind: Format, image: Image) -> None:
    """Refuse a shape that no record can have."""
    least = shape.address_bits or 32
    if least not in _BITS[kind]:
        raise UsageError("the address form makes no sense", expected=f"one of {_BITS[kind]}", got=str(least))
    widest = (
        max(least, 24 if image.stop > 1 << 16 else 16, 32 if image.stop > 1 << 24 else 16) if shape.narrow else least
    )
    most = {"ihex": 255, "srec": 254 - widest // 8, "titxt": 256}[kind]
    if not 1 <= shape.length <= most:
        raise UsageError("the record length makes no sense", expected=f"1 to {most}", got=str(shape.length))
    if shape.block is not None and shape.block < 1:
        raise UsageError("the block makes no sense", expected="1 byte or more", got=str(shape.block))
    if shape.header is not None and len(shape.header) > _HEADER:
        raise UsageError("the header is too long", expected=f"{_HEADER} bytes at most", got=str(len(shape.header)))
    if any(e is not None and not 0 <= e < 1 << 32 for e in (shape.entry, shape.segmented_entry)):
        raise UsageError("the start address is beyond 32 bits", got=str(shape.entry))
