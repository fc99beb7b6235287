"""``read_image``: any file that holds an image, told by its content."""

from __future__ import annotations

import stat
from os import PathLike, fspath, fstat, pread
from typing import assert_never

from caldiff.canonical import Digest, DigestLater
from caldiff.errors import FileError, ImageError, LimitError, UsageError
from caldiff.image.content import HEAD, Packing, known_stranger, packing, text_format
from caldiff.image.limits import Limits
from caldiff.image.model import TOP, Format, Image, Note, Segment, Source
from caldiff.image.parsed import Parsed
from caldiff.image.stream import gather, most

__all__ = ["file_bytes", "read_image"]

_Content = tuple[bytes, Packing | None, str | None, tuple[Note, ...]]
"""An image's file as it was before it was packed, the container, the member's name, and notes."""
_LARGE = 1 << 20
"""bytes from which on the digest is taken beside the reading"""
_BINARY_HINT = "if it is a raw binary all the same, name the format binary"


def read_image(
    source: str | PathLike[str] | bytes,
    *,
    name: str | None = None,
    start: int | None = None,
    format: Format | None = None,  # noqa: A002 - the trade's word, and it reads well at the call
    limits: Limits | None = None,
) -> Image:
    """Read an image from a file, or from a file's bytes: raw, Intel HEX, S-record, TI-TXT, ELF, plain or packed.

    Args:
        source: a path, or the content itself.
        name: what errors and ``Image.source`` call it; the path by default.
        start: address of a raw binary's first byte, 0 by default. Other formats have their own and pay no heed to it.
        format: of the image, where the content is not to decide. A gzip or zip is unpacked all the same, unless it is
            broken and the format is binary: then it is a raw binary that only begins like one.
        limits: sizes that are refused; :class:`Limits` by default.

    Raises:
        FileError: the file cannot be read.
        ImageError: no image, or a broken one; LimitError where it is too large.
        UsageError: a start that is no address.
    """
    limits = limits or Limits()
    if start is not None and not 0 <= start < TOP:
        raise UsageError("no address to start at", expected=f"0 to 0x{TOP - 1:X}", got=f"{start:#x}")
    if isinstance(source, bytes):
        name = name or "<bytes>"
        data = source
    else:
        name = name or fspath(source)
        data = file_bytes(source, name=name, limits=limits)
    if not data:
        raise ImageError("the file is empty", file=name)
    outer = DigestLater(data) if len(data) >= _LARGE else Digest.of(data), len(data)
    data, container, member, notes = _unpacked(data, name, limits, raw=format == "binary")
    where = name if member is None else f"{name}/{member}"
    if not data:
        raise ImageError(f"the {container} holds an empty file", file=where)
    kind = format or _format(data, where)
    parsed = _parsed(data, kind, name=where, start=start or 0, limits=limits)
    file, size = outer
    return Image(
        segments=parsed.segments,
        source=Source(
            name=name,
            format=kind,
            file=file,
            size=size,
            container=container,
            member=member,
            shape=parsed.shape,
            notes=notes + parsed.notes,
        ),
    )


def file_bytes(path: str | PathLike[str], *, name: str | None = None, limits: Limits) -> bytes:
    """The bytes of an image's file as they are, no more than the limits allow.

    Raises:
        FileError: the file cannot be read. LimitError: it is too large.
    """
    name = name or fspath(path)
    try:
        with open(path, "rb", buffering=0) as stream:  # noqa: PTH123 - whatever open takes
            about = fstat(stream.fileno())
            if not stat.S_ISREG(about.st_mode):
                return gather(stream, name=name, limits=limits)
            # In one piece, if the limits allow and the file still is as large as it was said to be.
            if about.st_size <= most(pread(stream.fileno(), HEAD, 0), limits):
                data = stream.read(about.st_size + 1)
                if len(data) == about.st_size:
                    return data
                stream.seek(0)
            return gather(stream, name=name, limits=limits, size=about.st_size)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise FileError(f"the file cannot be read: {reason[:1].lower()}{reason[1:]}", file=name) from error


def _unpacked(data: bytes, name: str, limits: Limits, *, raw: bool) -> _Content:
    """What is inside a container, or the file itself; ``raw``: one that cannot be unpacked is none."""
    container = packing(data)
    if container is None:
        return data, None, None, ()
    from caldiff.image.containers import BrokenContainerError, unpack_gzip, unpack_zip  # noqa: PLC0415 - seldom needed

    try:
        content, member, notes = (unpack_gzip if container == "gzip" else unpack_zip)(data, name=name, limits=limits)
    except BrokenContainerError:
        if not raw:
            raise
        return data, None, None, ()
    return content, container, member, notes


def _format(data: bytes, name: str) -> Format:
    if data.startswith(b"\x7fELF"):
        return "elf"
    text = text_format(data)
    if text is not None:
        return text
    stranger = known_stranger(data)
    if stranger is not None:
        raise ImageError(f"this is no image but {stranger}", file=name, hint=_BINARY_HINT)
    return "binary"


def _parsed(data: bytes, kind: Format, *, name: str, start: int, limits: Limits) -> Parsed:
    """Hand the content to the reader of its format. The readers are imported only when they are needed."""
    match kind:
        case "binary":
            return _binary(data, name, start, limits)
        case "ihex":
            return _ihex(data, name, limits)
        case "srec":
            return _srec(data, name, limits)
        case "titxt":
            from caldiff.image.titxt import read_titxt  # noqa: PLC0415 - as above

            return read_titxt(data, name=name, limits=limits)
        case "elf":
            from caldiff.image.elf import read_elf  # noqa: PLC0415 - as above

            return read_elf(data, name=name, limits=limits)
        case _:
            assert_never(kind)


def _binary(data: bytes, name: str, start: int, limits: Limits) -> Parsed:
    if len(data) > min(limits.size, limits.span):
        raise LimitError(
            "the image is larger than the limit",
            file=name,
            expected=f"at most {min(limits.size, limits.span)} bytes",
            got=str(len(data)),
            hint="raise the size limit if this is meant",
        )
    return Parsed(segments=(Segment(start=start, data=data),))


def _ihex(data: bytes, name: str, limits: Limits) -> Parsed:
    from caldiff.image.uniform import read_uniform_ihex  # noqa: PLC0415 - imports numpy

    parsed = read_uniform_ihex(data, limits=limits)
    if parsed is not None:
        return parsed
    from caldiff.image.ihex import read_ihex  # noqa: PLC0415 - imports bincopy

    return read_ihex(data, name=name, limits=limits)


def _srec(data: bytes, name: str, limits: Limits) -> Parsed:
    from caldiff.image.uniform import read_uniform_srec  # noqa: PLC0415 - imports numpy

    parsed = read_uniform_srec(data, limits=limits)
    if parsed is not None:
        return parsed
    from caldiff.image.srec import read_srec  # noqa: PLC0415 - imports bincopy

    return read_srec(data, name=name, limits=limits)
