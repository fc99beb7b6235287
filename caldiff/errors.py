"""The error tree. Errors carry facts; only ``caldiff.cli`` turns them into paragraphs for people."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike, fspath

__all__ = [
    "CaldiffError",
    "ChannelsError",
    "ChecksumError",
    "DefinitionError",
    "DefinitionMissingError",
    "DoesNotFitError",
    "EncodeError",
    "EvidenceError",
    "FileError",
    "ImageError",
    "LedgerError",
    "LimitError",
    "PolicyError",
    "ProblemsError",
    "SignatureError",
    "SnapshotError",
    "TableError",
    "UsageError",
    "VaultError",
]


class CaldiffError(Exception):
    """Anything caldiff refuses, with the facts of the refusal.

    Attributes:
        reason: one sentence without a full stop, in plain words.
        file: the file's path as the caller gave it, or None.
        line, column: 1-based place in a text file, or None.
        address: address in an image, or None.
        expected, got: what should have stood there and what did, as text, or None.
        hint: what to do next, one sentence, or None.
    """

    def __init__(  # noqa: PLR0913 - one keyword a fact
        self,
        reason: str,
        *,
        file: str | PathLike[str] | None = None,
        line: int | None = None,
        column: int | None = None,
        address: int | None = None,
        expected: str | None = None,
        got: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.file = None if file is None else fspath(file)
        self.line = line
        self.column = column
        self.address = address
        self.expected = expected
        self.got = got
        self.hint = hint

    @property
    def place(self) -> str:
        """Where it happened, as ``file:line:column`` and the address, as far as they are known."""
        parts = [str(p) for p in (self.file, self.line, self.column) if p is not None]
        address = "" if self.address is None else f"0x{self.address:08X}"
        return " at ".join(p for p in (":".join(parts), address) if p)

    def __str__(self) -> str:
        facts = [f"expected {self.expected}" if self.expected else "", f"got {self.got}" if self.got else ""]
        tail = ", ".join(f for f in facts if f)
        text = f"{self.place}: {self.reason}" if self.place else self.reason
        return f"{text} ({tail})" if tail else text


class FileError(CaldiffError):
    """A file cannot be read or written."""


class UsageError(CaldiffError):
    """The call itself makes no sense: a bad option, a name that nothing has."""


class ImageError(CaldiffError):
    """A file that is no image, or an image that is broken."""


class LimitError(ImageError):
    """An image that is larger, or spans more addresses, than the caller allows."""


class ProblemsError(CaldiffError):
    """A document that cannot be used; ``problems`` lists everything found wrong in one run.

    The error's own facts are those of the first problem.
    """

    def __init__(self, problems: Sequence[CaldiffError]) -> None:
        first = problems[0]
        super().__init__(
            first.reason,
            file=first.file,
            line=first.line,
            column=first.column,
            address=first.address,
            expected=first.expected,
            got=first.got,
            hint=first.hint,
        )
        self.problems = tuple(problems)


class DefinitionError(ProblemsError):
    """A definition that cannot be used."""


class PolicyError(ProblemsError):
    """A policy, or a file of trusted keys, that cannot be used."""


class DefinitionMissingError(CaldiffError):
    """No definition of that name, or none (or several) that fits an image."""


class DoesNotFitError(CaldiffError):
    """A definition that was asked for by name refuses the image: its ``fits`` do not hold."""


class TableError(CaldiffError):
    """A table that the image does not hold, or does not hold whole."""


class EncodeError(CaldiffError):
    """A physical value that cannot be stored: out of the type's range, or out of limits."""


class ChecksumError(CaldiffError):
    """A checksum that cannot be reckoned, or cannot be made to hold, over the bytes that an image has."""


class LedgerError(CaldiffError):
    """Bytes that are no entry, envelope or checkpoint, or a chain that does not hold together."""


class SignatureError(CaldiffError):
    """A key that cannot be used, or a signature that cannot be made."""


class VaultError(CaldiffError):
    """A vault that cannot be used, or that does not hold, or holds damaged, what was asked for."""


class EvidenceError(CaldiffError):
    """A log, a snapshot or a channels file that cannot be used, or that does not go with a calibration."""


class ChannelsError(ProblemsError, EvidenceError):
    """A channels file that cannot be used."""


class SnapshotError(ProblemsError, EvidenceError):
    """A snapshot of fault codes that cannot be used."""
