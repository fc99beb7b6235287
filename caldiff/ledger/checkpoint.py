"""Checkpoints (C2SP tlog-checkpoint): how many entries a vault holds, and the root of the tree over them.

Whoever keeps one outside the vault can later tell whether anything that it covers was changed, taken away or put
elsewhere. It is a note of three lines: origin, size, root; signed or not.
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from binascii import Error as Base64Error
from collections.abc import Iterable, Sequence

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import LedgerError
from caldiff.ledger.link import check_unit
from caldiff.ledger.merkle import leaf_hash, tree_hash
from caldiff.ledger.note import Note, NoteSignature, key_id, read_note, signed
from caldiff.ledger.signing import Signer
from caldiff.ledger.trust import SignatureState, Trust, TrustedKey
from caldiff.value import Value

__all__ = ["Checkpoint", "Leaf", "checkpoint_over", "origin_of", "read_checkpoint", "read_leaf", "sign", "signatures"]

_SIZE = re.compile(r"0|[1-9][0-9]{0,14}")
_HASH = re.compile(r"[0-9a-f]{64}")
_ROOT = 32
"""bytes of a root"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Leaf(Value):
    """An entry as a leaf of the tree. ``entry``: its hash."""

    unit: str
    sequence: int
    entry: Digest

    @property
    def document(self) -> dict[str, str | int]:
        """As JSON."""
        return {"unit": self.unit, "sequence": self.sequence, "entry": self.entry.hex}

    @property
    def hash(self) -> bytes:
        """Its hash in the tree: over its canonical JSON."""
        return leaf_hash(canonical_json(self.document))

    @property
    def name(self) -> str:
        """For people."""
        return f"entry {self.sequence} of {self.unit}"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Checkpoint(Value):
    """What a checkpoint says, and the signature lines below it.

    Attributes:
        origin: whose tree it is; the signatures stand under the same name.
        size: leaves of the tree. root: over them.
    """

    origin: str
    size: int
    root: Digest
    signatures: tuple[NoteSignature, ...] = ()

    @property
    def text(self) -> str:
        """The three lines, which are what is signed."""
        return f"{self.origin}\n{self.size}\n{b64encode(bytes.fromhex(self.root.hex)).decode()}\n"

    @property
    def note(self) -> Note:
        """With its signatures."""
        return Note(text=self.text, signatures=self.signatures)

    def dump(self) -> bytes:
        """As bytes, which :func:`read_checkpoint` reads back."""
        return self.note.dump()

    def says(self, other: Checkpoint) -> bool:
        """Whether both say the same, whoever signed them."""
        return self.text == other.text


def read_leaf(value: object) -> Leaf:
    """A leaf from its JSON.

    Raises:
        LedgerError: this is no leaf.
    """
    if not isinstance(value, dict) or value.keys() != {"unit", "sequence", "entry"}:
        raise LedgerError("an entry of a tree is unit, sequence and hash, and this is not", got=f"{value!r:.80}")
    unit, sequence, entry = value["unit"], value["sequence"], value["entry"]
    if not isinstance(unit, str):
        raise LedgerError("the unit of an entry is no text", got=f"{unit!r:.80}")
    if type(sequence) is not int or sequence < 0:
        raise LedgerError("the sequence of an entry is no number", got=f"{sequence!r:.80}")
    if not isinstance(entry, str) or not _HASH.fullmatch(entry):
        raise LedgerError("the hash of an entry is not 64 hexadecimal digits", got=f"{entry!r:.80}")
    return Leaf(unit=check_unit(unit), sequence=sequence, entry=Digest(hex=entry))


def origin_of(vault: str) -> str:
    """The origin of a vault's checkpoints, from its id. The name is reserved (RFC 2606): it is no address."""
    return f"caldiff.invalid/vault/{vault}"


def checkpoint_over(origin: str, leaves: Sequence[Leaf]) -> Checkpoint:
    """The checkpoint of a tree of these leaves, unsigned."""
    root = tree_hash([leaf.hash for leaf in leaves])
    return Checkpoint(origin=origin, size=len(leaves), root=Digest(hex=root.hex()))


def sign(checkpoint: Checkpoint, signers: Iterable[Signer]) -> Checkpoint:
    """The checkpoint with the signatures of these too."""
    note = signed(checkpoint.note, checkpoint.origin, signers)
    return attrs.evolve(checkpoint, signatures=note.signatures)


def read_checkpoint(data: bytes) -> Checkpoint:
    """A checkpoint from its bytes. Its signatures are read, not verified: see :func:`signatures`.

    Raises:
        LedgerError: these are not the bytes of a checkpoint.
    """
    note = read_note(data)
    lines = note.text.split("\n")
    if len(lines) != 4 or not lines[0]:  # noqa: PLR2004 - three lines, each ended
        raise LedgerError(
            "this is no checkpoint", expected="the lines origin, size and root", got=f"{len(lines) - 1} lines"
        )
    origin, size, root = lines[:3]
    if not _SIZE.fullmatch(size):
        raise LedgerError("the size of a checkpoint is a number", line=2, got=size[:80])
    try:
        hashed = b64decode(root.encode(), validate=True)
    except (Base64Error, ValueError):
        hashed = b""
    if len(hashed) != _ROOT or b64encode(hashed).decode() != root:
        raise LedgerError("the root of a checkpoint is the base64 of 32 bytes", line=3, got=root[:80])
    return Checkpoint(origin=origin, size=int(size), root=Digest(hex=hashed.hex()), signatures=note.signatures)


def signatures(checkpoint: Checkpoint, trust: Trust) -> tuple[SignatureState, ...]:
    """Who signed, line by line. A checkpoint carries no time, so nobody asks whether a key held when it signed.

    Raises:
        SignatureError: a trusted key cannot be read, or two are the same.
    """
    keys = tuple(trust.by_keyid().values())
    return tuple(_judged(line, checkpoint.text.encode(), keys) for line in checkpoint.signatures)


def _judged(line: NoteSignature, text: bytes, keys: Sequence[TrustedKey]) -> SignatureState:
    """Keys are named by four bytes, which two may share: whoever made the signature is meant."""
    named = [key for key in keys if key_id(line.name, key.public) == line.key_id]
    for key in named:
        if key.public.verify(line.signature, text):
            words = f"signed by {key.name} as {', '.join(key.roles) or 'nobody in particular'}"
            return SignatureState(keyid=key.public.keyid, name=key.name, roles=key.roles, state="valid", text=words)
    if named:
        words = f"the signature in the name of {named[0].name} is wrong"
        return SignatureState(keyid=named[0].public.keyid, state="wrong", text=words)
    words = f"signed in the name of {line.name} by a key that is not trusted here"
    return SignatureState(keyid=line.key_id.hex(), state="unknown key", text=words)
