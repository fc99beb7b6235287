"""Canonical JSON (RFC 8785) without floats, and the digest type.

Everything that is hashed goes through here, so that a digest never depends on a platform, a locale or the order in
which somebody wrote the keys.
"""

from __future__ import annotations

import hashlib
import json
from functools import total_ordering

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing itself takes as long to import as Python to start
    from typing import NoReturn, Self

__all__ = ["Digest", "DigestLater", "canonical_json"]

_DIGITS = 64
_LARGEST = 2**53 - 1
"""RFC 8785 numbers are IEEE doubles; beyond this an integer is not one number any more (RFC 7493, section 2.2)."""


@total_ordering
class Digest:
    """A SHA-256 digest: 64 lower-case hexadecimal digits.

    Not a class of attrs: a process that only restores a file would spend a third of its time on importing that.

    Raises:
        ValueError: the text is none.
    """

    __slots__ = ("hex",)
    hex: str

    def __init__(self, *, hex: str) -> None:  # noqa: A002 - what the digits are
        if len(hex) != _DIGITS or hex.strip("0123456789abcdef"):
            raise ValueError(f"{hex[:80]!r} is no SHA-256 in 64 lower-case hexadecimal digits")
        object.__setattr__(self, "hex", hex)

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(f"a digest is frozen: {name} cannot be set")

    def __reduce__(self) -> tuple[object, ...]:
        return _digest, (self.hex,)

    def __eq__(self, other: object) -> bool:
        return self.hex == other.hex if isinstance(other, Digest) else NotImplemented

    def __lt__(self, other: Digest) -> bool:
        return self.hex < other.hex if isinstance(other, Digest) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.hex)

    def __repr__(self) -> str:
        return f"Digest(hex={self.hex!r})"

    @classmethod
    def of(cls, *parts: bytes | memoryview) -> Self:
        """The digest of the parts, read one after the other."""
        state = hashlib.sha256()
        for part in parts:
            state.update(part)
        return cls(hex=state.hexdigest())

    @property
    def short(self) -> str:
        """The first twelve digits, for people."""
        return self.hex[:12]

    def __str__(self) -> str:
        return f"sha256:{self.hex}"


def _digest(digits: str) -> Digest:
    return Digest(hex=digits)


class DigestLater:
    """A digest that a thread of its own takes: hashing lets the others run, and a reader has other work meanwhile."""

    __slots__ = ("_digest", "_thread")

    def __init__(self, data: bytes) -> None:
        from threading import Thread  # noqa: PLC0415 - whoever hashes nothing aside does without

        self._digest: Digest | None = None
        self._thread = Thread(target=self._take, args=(data,), daemon=True)
        self._thread.start()

    def _take(self, data: bytes) -> None:
        self._digest = Digest.of(data)

    def result(self) -> Digest:
        """The digest, once it is there."""
        self._thread.join()
        if self._digest is None:
            raise MemoryError("the digest could not be taken")
        return self._digest


def canonical_json(value: object) -> bytes:
    """The RFC 8785 form of a value made of dict, list, tuple, str, int, bool and None, in UTF-8.

    Raises:
        TypeError: a float, a key that is not text, or any other type.
        ValueError: an integer beyond 2**53 - 1 in size, or text that is not Unicode (a lone surrogate).
    """
    if _plain(value):
        # The C encoder's output is RFC 8785's for this kind of value: same escapes, no floats, and code point order
        # equals UTF-16 order below the surrogates.
        return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()
    return json.dumps(_ordered(value), ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def _plain(value: object) -> bool:
    """Check every node; say whether all keys sort the same by code point as by UTF-16 code unit."""
    match value:
        case None | bool() | str():
            return True
        case int():
            if not -_LARGEST <= value <= _LARGEST:
                raise ValueError(f"{value} is beyond 2**53 - 1: write it as text")
            return True
        case dict():
            plain = True
            for key, item in value.items():
                if not isinstance(key, str):
                    raise TypeError(f"key {key!r} is not text")
                plain &= key.isascii() or max(key) < "\ud800"
                plain &= _plain(item)
            return plain
        case list() | tuple():
            plain = True
            for item in value:
                plain &= _plain(item)
            return plain
        case _:
            raise TypeError(f"{type(value).__name__} has no canonical form here")


def _ordered(value: object) -> object:
    """The same value with every dict in UTF-16 order of its keys."""
    match value:
        case dict():
            return {key: _ordered(value[key]) for key in sorted(value, key=lambda k: k.encode("utf-16-be"))}
        case list() | tuple():
            return [_ordered(item) for item in value]
        case _:
            return value
