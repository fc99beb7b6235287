"""A file that a command writes: it must not be there yet, and comes whole or not at all."""

from __future__ import annotations

import os

from caldiff.errors import FileError
from caldiff.storing import store

__all__ = ["must_be_new", "write_new"]

_TAKEN = "name a new file: none is overwritten"


def must_be_new(path: str) -> None:
    """Say at once that the file is there, before long work is done for it.

    Raises:
        FileError: it is.
    """
    if os.path.lexists(path):
        raise FileError("this file is there already", file=path, hint=_TAKEN)


def write_new(path: str, data: bytes, *, mode: int = 0o666) -> None:
    """Write the file, with these permissions less the process's mask.

    Raises:
        FileError: it is there by now, or cannot be written; nothing is left half-written.
    """
    try:
        store(path, data, mode=mode)
    except FileExistsError as error:
        raise FileError("a file of this name appeared meanwhile", file=path, hint=_TAKEN) from error
    except OSError as error:
        hint = "nothing was left half-written"
        raise FileError(f"the file cannot be written: {error.strerror}", file=path, hint=hint) from error
