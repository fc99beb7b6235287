"""The compiled definitions in the user's cache folder: found by the digest of their source, never trusted unchecked.

Nothing here is an error: a folder that cannot be used, a damaged file or one from elsewhere only costs the time to
compile again.
"""

from __future__ import annotations

import mmap
import os
import stat
from contextlib import suppress
from pathlib import Path

import attrs

from caldiff.canonical import Digest
from caldiff.definition.pages import Buffer

__all__ = ["Cache"]

_KEY = "key"
_KEY_SIZE = 32
_MAPPED_FROM = 1 << 20
"""smaller files are read: a map would keep a file handle as long as the definition lives"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Cache:
    """A folder of compiled definitions with the secret that they are sealed with.

    Attributes:
        folder: only this user writes there.
        key: 32 random bytes, made once; a file that was sealed with another one is not taken.
    """

    folder: Path
    key: bytes

    @classmethod
    def at(cls, folder: Path) -> Cache | None:
        """The cache in a folder, made where it is missing; None where that cannot be."""
        with suppress(OSError):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            key = _key(folder / _KEY) or _new_key(folder)
            return cls(folder=folder, key=key)
        return None

    def path(self, source: Digest) -> Path:
        """The file of the definition whose own source has the digest."""
        return self.folder / f"{source.hex}.caldef"

    def read(self, source: Digest) -> Buffer | None:
        """What stands in that file, unchecked, or None."""
        with suppress(OSError, ValueError), self.path(source).open("rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                return None
            if found.st_size < _MAPPED_FROM:
                return file.read(_MAPPED_FROM)
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        return None

    def write(self, source: Digest, data: bytes) -> None:
        """Replace the file, whole or not at all; without a word if that cannot be."""
        with suppress(OSError):
            _place(self.path(source), data)


def _place(path: Path, data: bytes) -> None:
    from caldiff.storing import store  # noqa: PLC0415 - most runs only read the cache

    store(path, data, overwrite=True, mode=0o600)


def _key(path: Path) -> bytes | None:
    """The secret, if it is there, ours and nobody else's to read."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None
    with os.fdopen(handle, "rb") as file:
        found = os.fstat(file.fileno())
        private = stat.S_ISREG(found.st_mode) and found.st_uid == os.geteuid() and not found.st_mode & 0o077
        data = file.read(_KEY_SIZE + 1) if private else b""
    return data if len(data) == _KEY_SIZE else None


def _new_key(folder: Path) -> bytes:
    """Make a secret; of two processes that do so at once, the one that comes last loses its cache, no more."""
    key = os.urandom(_KEY_SIZE)
    _place(folder / _KEY, key)
    return key
