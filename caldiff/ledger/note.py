"""Signed notes (C2SP signed-note): a text, and below it lines of Ed25519 signatures over it.

::

    text, one line or more
    (an empty line)
    — name base64(key id, signature)

A note without signatures is the text alone. Signatures of other kinds and by unknown keys are kept as they are.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from binascii import Error as Base64Error
from collections.abc import Iterable
from hashlib import sha256

import attrs

from caldiff.errors import LedgerError
from caldiff.ledger.signing import PublicKey, Signer
from caldiff.value import Value

__all__ = ["Note", "NoteSignature", "key_id", "read_note", "signed", "verifier_key"]

_ED25519 = b"\x01"
_DASH = "\N{EM DASH} "
_LONGEST, _MOST = 1 << 16, 100
"""bytes of a note, and its signatures"""
_ID = 4
"""bytes of a key id"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class NoteSignature(Value):
    """One signature line. ``key_id``: 4 bytes, from the name and the key, see :func:`key_id`."""

    name: str
    key_id: bytes
    signature: bytes

    @property
    def line(self) -> str:
        """As it stands in a note."""
        return f"{_DASH}{self.name} {b64encode(self.key_id + self.signature).decode()}\n"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Note(Value):
    """A text that ends in a newline, and the signatures over it."""

    text: str
    signatures: tuple[NoteSignature, ...] = ()

    def dump(self) -> bytes:
        """The note as bytes, which :func:`read_note` reads back."""
        lines = "".join(one.line for one in self.signatures)
        return (f"{self.text}\n{lines}" if lines else self.text).encode()


def key_id(name: str, key: PublicKey) -> bytes:
    """What a signature line names a key by: 4 bytes of the digest of name, algorithm and key."""
    return sha256(f"{name}\n".encode() + _ED25519 + key.raw).digest()[:_ID]


def verifier_key(name: str, key: PublicKey) -> str:
    """The key as other readers of signed notes want it: name, key id and key in one word."""
    return f"{name}+{key_id(name, key).hex()}+{b64encode(_ED25519 + key.raw).decode()}"


def signed(note: Note, name: str, signers: Iterable[Signer]) -> Note:
    """The note with the signatures of these too, under one name; none signs twice."""
    lines = list(note.signatures)
    for signer in signers:
        identity = key_id(name, signer.public)
        if all((one.name, one.key_id) != (name, identity) for one in lines):
            made = signer.sign(note.text.encode())
            lines.append(NoteSignature(name=name, key_id=identity, signature=made))
    return attrs.evolve(note, signatures=tuple(lines))


def read_note(data: bytes) -> Note:
    """A note from its bytes.

    Raises:
        LedgerError: too long, not UTF-8, with control characters, or with a line below the text that is no signature.
    """
    if len(data) > _LONGEST:
        raise LedgerError("this is too long for a note", expected=f"at most {_LONGEST} bytes", got=f"{len(data)}")
    try:
        whole = data.decode()
    except UnicodeDecodeError:
        raise LedgerError("this is no note: it is not UTF-8 text") from None
    if not whole.endswith("\n") or any(c < " " and c != "\n" for c in whole):
        raise LedgerError(
            "this is no note: it must be lines of text, the last one ended too, without control characters"
        )
    text, blank, below = whole[:-1].rpartition("\n\n")
    if not blank:
        return Note(text=whole)
    lines = below.split("\n")
    if len(lines) > _MOST:
        raise LedgerError("this note has too many signatures", expected=f"at most {_MOST}", got=str(len(lines)))
    first = text.count("\n") + 3
    return Note(text=f"{text}\n", signatures=tuple(_signature(line, first + n) for n, line in enumerate(lines)))


def _signature(line: str, number: int) -> NoteSignature:
    name, _, encoded = line.removeprefix(_DASH).partition(" ")
    try:
        data = b64decode(encoded.encode(), validate=True)
    except (Base64Error, ValueError):
        data = b""
    sound = line.startswith(_DASH) and name and "+" not in name and not any(c.isspace() for c in name)
    if not sound or len(data) <= _ID or b64encode(data).decode() != encoded:
        raise LedgerError(
            "this line below the text is no signature",
            line=number,
            expected="a dash, a name and base64 of key id and signature",
            got=line[:80],
        )
    return NoteSignature(name=name, key_id=data[:_ID], signature=data[_ID:])
