"""A file written whole or not at all: beside its place first, made safe on the disk, then given its name."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from os import PathLike

__all__ = ["store"]

_NO_LINK = {errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EMLINK}
"""What a file system without hard links answers."""


def store(path: str | PathLike[str], data: bytes, *, overwrite: bool = False, mode: int = 0o666) -> None:
    """Write the file; a killed process leaves what was there, or all of what is new.

    Args:
        path: the file to be. A link of that name is not followed: it exists, and is replaced itself.
        data: all of its content.
        overwrite: an existing file is replaced; by default it is left alone and an error.
        mode: permissions of the file, less the process's mask.

    Raises:
        FileExistsError: the file exists and is not to be replaced.
        OSError: the file cannot be written.
    """
    target = os.path.abspath(path)  # noqa: PTH100 - paths are text here
    folder, name = os.path.split(target)
    beside = os.path.join(folder, f".{name}.{os.urandom(4).hex()}.part")  # noqa: PTH118 - paths are text here
    try:
        _fill(beside, data, mode)
        _name(beside, target, overwrite=overwrite, mode=mode)
    finally:
        with suppress(FileNotFoundError):
            os.unlink(beside)  # noqa: PTH108 - as above
    _sync_folder(folder)


def _fill(path: str, data: bytes, mode: int) -> None:
    """A new file with its content safe on the disk."""
    place = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(place, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _name(beside: str, target: str, *, overwrite: bool, mode: int) -> None:
    """Give the finished file its name. Without ``overwrite`` creating the name exclusively decides a race."""
    if not overwrite:
        try:
            os.link(beside, target)
        except OSError as error:
            if error.errno not in _NO_LINK:
                raise
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode))
        else:
            return
    os.replace(beside, target)  # noqa: PTH105 - as above


def _sync_folder(path: str) -> None:
    """Make the new name last through a power cut, where the system lets a folder be opened."""
    with suppress(OSError):
        place = os.open(path, os.O_RDONLY)
        try:
            os.fsync(place)
        finally:
            os.close(place)
