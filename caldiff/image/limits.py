"""How large an image may be. Limits hold before memory is spent on what a file claims to be."""

from __future__ import annotations

import attrs

__all__ = ["Limits"]

_DEFAULT = 64 * 1024 * 1024
_SLACK = 1024 * 1024


@attrs.frozen(kw_only=True)
class Limits:
    """What a reader accepts.

    Attributes:
        size: the most bytes that an image may hold, gaps not counted.
        span: the most addresses from its first byte to its last, gaps counted.
    """

    size: int = _DEFAULT
    span: int = _DEFAULT

    @property
    def text(self) -> int:
        """The most bytes that a file may have which holds an image in another form: as text, packed, or as ELF.

        Intel HEX takes 2.2 to 2.9 characters a byte at the usual record lengths, 3.8 at 8 bytes a record.
        """
        return 4 * self.size + _SLACK
