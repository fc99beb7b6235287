"""Proofs about a tree that hold without the vault: that an entry is in it, that it only grew.

Each is a JSON document with the checkpoints that it is about, so that it can be sent and verified by itself; it is
worth as much as those checkpoints are to whoever verifies it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import attrs

from caldiff.canonical import canonical_json
from caldiff.errors import LedgerError
from caldiff.ledger.checkpoint import Checkpoint, Leaf, read_checkpoint, read_leaf, signatures
from caldiff.ledger.finding import Finding
from caldiff.ledger.merkle import holds_consistency, holds_inclusion
from caldiff.ledger.plain import plain
from caldiff.ledger.trust import Trust
from caldiff.value import Value

__all__ = ["ConsistencyProof", "InclusionProof", "TreeProof", "proof_findings", "read_proof"]

_VERSION = 1
_KEYS = {"inclusion-proof": ("entry", "index", "checkpoint"), "consistency-proof": ("older", "newer")}
_LONGEST, _DEEPEST = 1 << 18, 128
"""bytes of a document, hashes of a path"""
_HASH = re.compile(r"[0-9a-f]{64}")


@attrs.frozen(kw_only=True, eq=False, repr=False)
class InclusionProof(Value):
    """That an entry is the leaf ``index`` (from 0) of the checkpoint's tree. ``path``: hashes up to the root."""

    leaf: Leaf
    index: int
    path: tuple[bytes, ...]
    checkpoint: Checkpoint

    @property
    def checkpoints(self) -> tuple[Checkpoint, ...]:
        """What it is about."""
        return (self.checkpoint,)

    @property
    def holds(self) -> bool:
        """Whether the path leads from the entry to the checkpoint's root."""
        root = bytes.fromhex(self.checkpoint.root.hex)
        return holds_inclusion(self.leaf.hash, self.index, self.checkpoint.size, self.path, root)

    def dump(self) -> bytes:
        """As a document, which :func:`read_proof` reads back."""
        return _document(
            {
                "caldiff": "inclusion-proof",
                "version": _VERSION,
                "entry": self.leaf.document,
                "index": self.index,
                "path": [step.hex() for step in self.path],
                "checkpoint": self.checkpoint.dump().decode(),
            }
        )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ConsistencyProof(Value):
    """That the tree of the newer checkpoint begins with all that the older one covers, unchanged."""

    older: Checkpoint
    newer: Checkpoint
    path: tuple[bytes, ...]

    @property
    def checkpoints(self) -> tuple[Checkpoint, ...]:
        """What it is about."""
        return self.older, self.newer

    @property
    def holds(self) -> bool:
        """Whether the path leads from the one root to the other, and both checkpoints are of one vault."""
        older, newer = self.older, self.newer
        roots = bytes.fromhex(older.root.hex), bytes.fromhex(newer.root.hex)
        return older.origin == newer.origin and holds_consistency(older.size, newer.size, self.path, *roots)

    def dump(self) -> bytes:
        """As a document, which :func:`read_proof` reads back."""
        return _document(
            {
                "caldiff": "consistency-proof",
                "version": _VERSION,
                "path": [step.hex() for step in self.path],
                "older": self.older.dump().decode(),
                "newer": self.newer.dump().decode(),
            }
        )


TreeProof = InclusionProof | ConsistencyProof


def _document(body: dict[str, Any]) -> bytes:
    return canonical_json(body) + b"\n"


def read_proof(data: bytes) -> TreeProof:
    """A proof from its document, in canonical JSON and a newline. Whether it holds is another question.

    Raises:
        LedgerError: this is no such document.
    """
    document = plain(data.removesuffix(b"\n"), what="proof", most=_LONGEST)
    kind = document.get("caldiff") if isinstance(document, dict) else None
    if not isinstance(kind, str) or kind not in _KEYS:
        raise LedgerError("this is no proof", expected="a document 'inclusion-proof' or 'consistency-proof'")
    keys = {"caldiff", "version", "path", *_KEYS[kind]}
    if document.keys() != keys:
        raise LedgerError(f"this {kind} has other keys than it should", expected=", ".join(sorted(keys)))
    if type(document["version"]) is not int or document["version"] != _VERSION:
        raise LedgerError("this version of a proof is not known", expected="1", got=f"{document['version']!r:.80}")
    path = _path(document["path"])
    if kind == "consistency-proof":
        older, newer = (_checkpoint(document[name], name) for name in ("older", "newer"))
        return ConsistencyProof(older=older, newer=newer, path=path)
    checkpoint = _checkpoint(document["checkpoint"], "checkpoint")
    leaf, index = read_leaf(document["entry"]), document["index"]
    if type(index) is not int or index < 0:
        raise LedgerError("the index of this proof is no number", got=f"{index!r:.80}")
    return InclusionProof(leaf=leaf, index=index, path=path, checkpoint=checkpoint)


def _path(value: object) -> tuple[bytes, ...]:
    if not isinstance(value, list) or len(value) > _DEEPEST:
        raise LedgerError(f"the path of this proof is no list of at most {_DEEPEST} hashes")
    for step in value:
        if not isinstance(step, str) or not _HASH.fullmatch(step):
            raise LedgerError("a hash in the path of this proof is not 64 hexadecimal digits", got=f"{step!r:.80}")
    return tuple(bytes.fromhex(step) for step in value)


def _checkpoint(value: object, name: str) -> Checkpoint:
    if not isinstance(value, str):
        raise LedgerError(f"the {name} of this proof is no text", got=f"{value!r:.80}")
    try:
        return read_checkpoint(value.encode())
    except LedgerError as error:
        where = name if name == "checkpoint" else f"{name} checkpoint"
        raise LedgerError(
            f"the {where} in this proof: {error.reason}", expected=error.expected, got=error.got
        ) from None


def proof_findings(
    proof: TreeProof, *, trust: Trust | None = None, kept: Checkpoint | None = None
) -> tuple[Finding, ...]:
    """What speaks against a proof, and against those who stand behind it; of level ``head``.

    It is a fault if the path does not hold, a signature in the name of a trusted key is wrong, or nobody stands behind
    any of its checkpoints: neither a trusted key nor the ``kept`` one. Anybody can make a proof by a tree of their own.

    Raises:
        SignatureError: a trusted key cannot be read, or two are the same.
    """
    return tuple(_against(proof, trust, kept))


def _against(proof: TreeProof, trust: Trust | None, kept: Checkpoint | None) -> Iterator[Finding]:
    if len({one.origin for one in proof.checkpoints}) > 1:
        yield Finding(level="head", text="the two checkpoints are of different vaults: this proves nothing")
    elif not proof.holds:
        yield Finding(level="head", text="the path does not lead to the root of the checkpoint: this proves nothing")
    states = [state for one in proof.checkpoints for state in signatures(one, trust)] if trust else []
    for state in states:
        if state.state == "wrong":
            yield Finding(level="head", text=f"{state.text}: the checkpoint is not what was signed")
    if any(state.state == "valid" for state in states):
        return
    if kept is None:
        text = "no trusted key has signed the checkpoint" if trust else "nobody stands behind the checkpoint"
        yield Finding(level="head", text=text, hint="hold it against one that you kept, or against trusted keys")
    elif not any(kept.says(one) for one in proof.checkpoints):
        text = "the kept checkpoint is none of those in the proof"
        got = " and ".join(_told(one) for one in proof.checkpoints)
        yield Finding(level="head", text=text, expected=_told(kept), got=got)


def _told(checkpoint: Checkpoint) -> str:
    return f"{checkpoint.size} entries of {checkpoint.origin}, root {checkpoint.root.hex}"
