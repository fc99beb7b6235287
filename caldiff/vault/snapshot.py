"""A database in the user's cache folder, as a file that is read whole, written whole, and believed only under its seal.

Processes share nothing while they work: each has the database in its own memory, and the last to end leaves its own.
So there is no lock, no journal and no half-written page, on any file system; what a process loses to another is only
work that can be done again. The seal, with the secret of the definitions' cache, tells a file that this user's caldiff
wrote from a damaged one, a cut one, one of another form and one from elsewhere. Layout::

    form (16) | HMAC-SHA256 of form and body (32) | body
"""

from __future__ import annotations

import hmac
import os
import stat
from contextlib import suppress
from pathlib import Path

import attrs

from caldiff.definition.cache import Cache
from caldiff.storing import store

__all__ = ["Snapshot"]

_SEAL = 32


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Snapshot:
    """The file: where it is, the secret of its seal, and its form, 16 bytes that say how the body is to be read."""

    path: Path
    key: bytes
    form: bytes

    @classmethod
    def at(cls, folder: Path, name: str, form: bytes) -> Snapshot | None:
        """The file in a folder, which is made where it is missing; None where that cannot be."""
        cache = Cache.at(folder)
        return None if cache is None else cls(path=folder / name, key=cache.key, form=form)

    def load(self) -> memoryview | None:
        """The body; None where there is none that this user's caldiff wrote in this form."""
        with suppress(OSError), os.fdopen(os.open(self.path, os.O_RDONLY | os.O_NONBLOCK), "rb", buffering=0) as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                return None
            whole = memoryview(file.readall())
            head = len(self.form)
            body = whole[head + _SEAL :]
            if whole[:head] == self.form and hmac.compare_digest(whole[head : head + _SEAL], self._seal(body)):
                return body
        return None

    def save(self, body: bytes) -> bool:
        """Replace the file, whole or not at all; say whether it was."""
        try:
            store(self.path, b"".join([self.form, self._seal(body), body]), overwrite=True, mode=0o600)
        except OSError:
            return False
        return True

    def _seal(self, body: bytes | memoryview) -> bytes:
        state = hmac.new(self.key, self.form, "sha256")
        state.update(body)
        return state.digest()
