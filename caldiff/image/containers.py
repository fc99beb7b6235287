"""gzip and zip, unpacked within limits. One container holds one image; a container inside a container is refused."""

from __future__ import annotations

import gzip
import zipfile
import zlib
from io import BytesIO

from caldiff.errors import CaldiffError, ImageError, LimitError
from caldiff.image.content import HEAD, known_stranger, packing, text_format
from caldiff.image.limits import Limits
from caldiff.image.model import Note
from caldiff.image.stream import gather

__all__ = ["BrokenContainerError", "unpack_gzip", "unpack_zip"]

_MEMBERS = 1000
_ENCRYPTED = 0x1
_STORED, _DEFLATED = 0, 8
_LISTED = 10
"""images named in an error"""

Unpacked = tuple[bytes, str | None, tuple[Note, ...]]
"""The one image inside, the name of its member, and notes."""


class BrokenContainerError(ImageError):
    """What begins like a container, and is none that can be read."""


def unpack_gzip(data: bytes, *, name: str, limits: Limits) -> Unpacked:
    """The content of a gzip file, its checksum verified.

    Raises:
        BrokenContainerError: cut off or damaged. ImageError: a container inside. LimitError: too large.
    """
    try:
        with gzip.GzipFile(fileobj=BytesIO(data)) as stream:
            content = gather(stream, name=name, limits=limits)
    except (OSError, EOFError, zlib.error) as error:
        raise BrokenContainerError("the gzip file is broken: it may be cut off", file=name, got=str(error)) from error
    _refuse_nested(content, name)
    return content, None, ()


def _refuse_nested(data: bytes, name: str) -> None:
    inner = packing(data)
    if inner is not None:
        raise ImageError(f"a {inner} inside a container is not unpacked", file=name, hint="unpack the outer one first")


def unpack_zip(data: bytes, *, name: str, limits: Limits) -> Unpacked:
    """The one image among the members of a zip; members that are plainly no image are noted.

    Raises:
        BrokenContainerError: cut off or damaged. LimitError: too large.
        ImageError: encrypted, no image, several images, a container inside.
    """
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            members = [m for m in archive.infolist() if not m.is_dir()]
            _check(members, name, limits)
            return _only_image(archive, members, name, limits)
    except CaldiffError:
        raise
    except Exception as error:
        # zipfile lets through whatever a broken file provokes: BadZipFile, struct.error, zlib.error, EOFError, ...
        raise BrokenContainerError(
            "the zip file is broken", file=name, got=str(error)[:200] or type(error).__name__
        ) from error


def _check(members: list[zipfile.ZipInfo], name: str, limits: Limits) -> None:
    if len(members) > _MEMBERS:
        raise ImageError(
            "the zip holds too many files", file=name, expected=f"at most {_MEMBERS}", got=str(len(members))
        )
    for member in members:
        if member.flag_bits & _ENCRYPTED:
            raise ImageError(
                f"{member.filename!r} in the zip is encrypted", file=name, hint="unpack it with its password first"
            )
        if member.compress_type not in (_STORED, _DEFLATED):
            raise ImageError(
                f"{member.filename!r} in the zip is packed by a method that is not read",
                file=name,
                expected="stored (0) or deflated (8)",
                got=str(member.compress_type),
                hint="unpack it first",
            )
    size = sum(member.file_size for member in members)
    if size > limits.text:
        raise LimitError(
            "the zip holds more than the limit",
            file=name,
            expected=f"at most {limits.text} bytes",
            got=str(size),
            hint="unpack it first, or raise the size limit",
        )


def _only_image(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo], name: str, limits: Limits) -> Unpacked:
    alone = sum(member.file_size > 0 for member in members) == 1
    notes: list[Note] = []
    images: list[str] = []
    found = b""
    for member in members:
        with archive.open(member) as stream:
            data = gather(stream, name=f"{name}/{member.filename}", limits=limits)
        # What is alone is the image, or is refused as what it is; only among others is it left out.
        what = "an empty file" if not data else None if alone or text_format(data) else known_stranger(data)
        if what is not None:
            notes.append(Note(text=f"{member.filename!r} in the zip is {what} and was left out"))
            continue
        _refuse_nested(data[:HEAD], f"{name}/{member.filename}")
        images.append(member.filename)
        found = data
    if len(images) == 1:
        return found, images[0], tuple(notes)
    if not images:
        raise ImageError("the zip holds no image", file=name, got="; ".join(n.text for n in notes[:5]) or "no file")
    listed = ", ".join(repr(i) for i in images[:_LISTED]) + (", …" if len(images) > _LISTED else "")
    raise ImageError(
        "the zip holds several images",
        file=name,
        expected="one",
        got=listed,
        hint="unpack it and name the one you mean",
    )
