"""The checkpoints of a vault: each takes the entries recorded since the last one into the vault's tree.

``checkpoints/000001.json.gz`` is canonical JSON, gzipped: the entries that it adds (by unit and sequence) and the note.
By themselves they prove nothing: whoever can rewrite entries can rewrite these. They are needed to hold the vault
against a checkpoint that somebody kept elsewhere, and to prove things to others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

import attrs

from caldiff.canonical import canonical_json
from caldiff.errors import CaldiffError, LedgerError, VaultError
from caldiff.ledger import merkle
from caldiff.ledger.checkpoint import (
    Checkpoint,
    Leaf,
    checkpoint_over,
    origin_of,
    read_checkpoint,
    read_leaf,
    sign,
    signatures,
)
from caldiff.ledger.finding import Finding
from caldiff.ledger.link import Link
from caldiff.ledger.plain import plain
from caldiff.ledger.proof import ConsistencyProof, InclusionProof
from caldiff.ledger.signing import Signer
from caldiff.ledger.trust import Trust
from caldiff.value import Value
from caldiff.vault.files import add_mend, get, numbers, pack, put, unpack
from caldiff.vault.vault import Vault

__all__ = ["Tree", "check", "consistency", "inclusion", "make_checkpoint", "tree_findings", "tree_of"]

_FOLDER = "checkpoints"
_MOST = 100_000
"""entries that one file adds"""
_LONGEST = _MOST * 256
"""bytes of one, unpacked"""
_VERSION = 1


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Tree(Value):
    """All that checkpoints cover, in the order of the tree; and the checkpoints, the oldest first."""

    leaves: tuple[Leaf, ...] = ()
    checkpoints: tuple[Checkpoint, ...] = ()

    @property
    def newest(self) -> Checkpoint:
        """The newest checkpoint.

        Raises:
            VaultError: there is none.
        """
        if not self.checkpoints:
            raise VaultError("this vault has no checkpoint yet", hint="make one")
        return self.checkpoints[-1]


# ------------------------------------------------------------------------------------------------------------- reading


def tree_of(vault: Vault) -> Tree:
    """The tree as the vault's checkpoints have it.

    Raises:
        VaultError: a checkpoint is missing, damaged or at odds with itself.
    """
    tree, findings = _read(vault)
    for finding in findings:
        file = f"{vault.folder}/{finding.file}"
        raise VaultError(finding.text, file=file, expected=finding.expected, got=finding.got, hint=finding.hint)
    return tree


def _read(vault: Vault) -> tuple[Tree, tuple[Finding, ...]]:
    """The tree as far as it can be read, and what stopped the reading."""
    leaves: list[Leaf] = []
    found: list[Checkpoint] = []
    grown, lengths = merkle.Growing(), dict[str, int]()
    for number in range(1, max(numbers(vault.folder, _FOLDER), default=0) + 1):
        try:
            added, checkpoint = _opened(unpack(get(vault.folder, _name(number)), most=_LONGEST))
            _follow(added, lengths)
            grown.extend(leaf.hash for leaf in added)
            _agree(checkpoint, origin_of(vault.id), grown)
        except CaldiffError as error:
            text = f"checkpoint {number} of the vault cannot be used: {error.reason}"
            hint = "take it from another copy of the vault, or mend the vault"
            lost = Finding(
                level="head", text=text, file=_name(number), expected=error.expected, got=error.got, hint=hint
            )
            return Tree(leaves=tuple(leaves), checkpoints=tuple(found)), (lost,)
        leaves += added
        found.append(checkpoint)
    return Tree(leaves=tuple(leaves), checkpoints=tuple(found)), ()


def _name(number: int) -> str:
    return f"{_FOLDER}/{number:06}.json.gz"


def _opened(data: bytes) -> tuple[list[Leaf], Checkpoint]:
    document = plain(data, what="checkpoint", most=_LONGEST)
    keys = {"caldiff", "version", "leaves", "note"}
    if not isinstance(document, dict) or document.keys() != keys or document["caldiff"] != "checkpoint":
        raise LedgerError("it is no such document", expected=f"an object of {', '.join(sorted(keys))}")
    version, leaves, note = document["version"], document["leaves"], document["note"]
    if type(version) is not int or version != _VERSION:
        raise LedgerError("its version is not known", expected=str(_VERSION), got=f"{version!r:.80}")
    if not isinstance(leaves, list) or not isinstance(note, str):
        raise LedgerError("it is no such document", expected="a list of leaves, and a note")
    return [read_leaf(leaf) for leaf in leaves], read_checkpoint(note.encode())


def _follow(added: Sequence[Leaf], lengths: dict[str, int]) -> None:
    """Every unit's entries must come in one after the other, from the first on."""
    for leaf in added:
        due = lengths.get(leaf.unit, 0)
        if leaf.sequence != due:
            raise LedgerError(f"it adds {leaf.name}", expected=f"entry {due}")
        lengths[leaf.unit] = due + 1


def _agree(checkpoint: Checkpoint, origin: str, grown: merkle.Growing) -> None:
    if checkpoint.origin != origin:
        raise LedgerError("it is of another vault", expected=origin, got=checkpoint.origin)
    if checkpoint.size != grown.size:
        raise LedgerError("it covers another number of entries", expected=str(grown.size), got=str(checkpoint.size))
    if checkpoint.root.hex != grown.root.hex():
        raise LedgerError("its root is not that of its entries", expected=grown.root.hex(), got=checkpoint.root.hex)


# -------------------------------------------------------------------------------------------------------------- making


def make_checkpoint(vault: Vault, *, signers: Sequence[Signer] = ()) -> Checkpoint:
    """Take every entry that no checkpoint covers yet into the tree; the checkpoint over all.

    Where there is none, the newest checkpoint is given, with the signatures of ``signers`` added. Several processes may
    do it at once: who comes second begins again from what the first has written.

    Raises:
        VaultError, LedgerError: nothing is recorded yet; a chain does not hold, or is at odds with earlier checkpoints.
            Nothing is written then.
    """
    origin = origin_of(vault.id)
    while True:
        tree = tree_of(vault)
        fresh = _fresh(vault, tree)
        if not fresh and not tree.checkpoints:
            raise VaultError("nothing is recorded in this vault yet", file=vault.folder)
        added = fresh[:_MOST]
        before = checkpoint_over(origin, (*tree.leaves, *added)) if added else tree.newest
        made = sign(before, signers)
        if not added and made == tree.newest:
            _complete(vault, len(tree.checkpoints))
            return made
        if _written(vault, len(tree.checkpoints) + 1, added, made) and len(fresh) <= _MOST:
            return made


def _fresh(vault: Vault, tree: Tree) -> list[Leaf]:
    """The entries that the tree has not."""
    chains = {unit: vault.links(unit) for unit in vault.units()}
    for finding in _at_odds(chains, tree.leaves):
        raise VaultError(finding.text, expected=finding.expected, got=finding.got, hint=_AT_ODDS)
    known = Counter(leaf.unit for leaf in tree.leaves)
    return [
        Leaf(unit=unit, sequence=link.sequence, entry=link.hash)
        for unit, links in sorted(chains.items())
        for link in links[known[unit] :]
    ]


_AT_ODDS = "verify the vault against a checkpoint kept elsewhere before anything else is done with it"


def _at_odds(chains: Mapping[str, Sequence[Link]], leaves: Sequence[Leaf]) -> Iterator[Finding]:
    """Entries of the tree that are not in their chains."""
    for leaf in leaves:
        links = chains.get(leaf.unit, ())
        link = links[leaf.sequence] if leaf.sequence < len(links) else None
        if link is not None and link.hash == leaf.entry:
            continue
        what = "is missing, which" if link is None else "is another one than"
        yield Finding(
            level="head",
            text=f"{leaf.name} {what} a checkpoint covers",
            unit=leaf.unit,
            sequence=leaf.sequence,
            expected=f"hash {leaf.entry.hex}",
            got=None if link is None else f"hash {link.hash.hex}",
        )


def _written(vault: Vault, number: int, added: Sequence[Leaf], made: Checkpoint) -> bool:
    document = {
        "caldiff": "checkpoint",
        "version": _VERSION,
        "leaves": [leaf.document for leaf in added],
        "note": made.dump().decode(),
    }
    return put(vault.folder, _name(number), pack(canonical_json(document)))


def _complete(vault: Vault, number: int) -> None:
    """Whoever wrote the newest checkpoint may have been killed before its recovery data was written."""
    add_mend(vault.folder, _name(number), get(vault.folder, _name(number)))


# ------------------------------------------------------------------------------------------------------------- holding


def check(vault: Vault, kept: bytes, trust: Trust | None = None) -> tuple[Finding, ...]:
    """Hold the vault against a checkpoint that was kept elsewhere. Everything is of level ``head``; nothing is raised.

    Faults: the checkpoint is of another vault, or is none; a signature by a trusted key that is wrong; an entry that it
    covers is missing or another one; the tree is shorter or its root is another one.
    """
    try:
        checkpoint = read_checkpoint(kept)
    except LedgerError as error:
        text = f"the checkpoint cannot be used: {error.reason}"
        return (Finding(level="head", text=text, expected=error.expected, got=error.got),)
    origin = origin_of(vault.id)
    if checkpoint.origin != origin:
        text = "the checkpoint is of another vault"
        return (Finding(level="head", text=text, expected=origin, got=checkpoint.origin),)
    return (*_signed(checkpoint, trust), *_covered(vault, checkpoint))


def tree_findings(vault: Vault) -> tuple[Finding, ...]:
    """What the vault's own checkpoints say against it: faults of level ``head``. Nothing is raised."""
    tree, findings = _looked_at(vault)
    return (*findings, *_in_chains(vault, tree.leaves))


def _looked_at(vault: Vault) -> tuple[Tree, tuple[Finding, ...]]:
    try:
        return _read(vault)
    except VaultError as error:
        text = f"the checkpoints of the vault cannot be read: {error.reason}"
        return Tree(), (Finding(level="head", text=text, file=_FOLDER),)


def _signed(checkpoint: Checkpoint, trust: Trust | None) -> Iterator[Finding]:
    if trust is None:
        return
    states = signatures(checkpoint, trust)
    for state in states:
        if state.state == "wrong":
            yield Finding(level="head", text=f"{state.text}: the checkpoint is not what was signed")
    if not any(state.state == "valid" for state in states):
        text = "no trusted key has signed the checkpoint: it proves as much as the place where it was kept"
        yield Finding(level="head", text=text, fault=False)


def _covered(vault: Vault, checkpoint: Checkpoint) -> Iterator[Finding]:
    tree, findings = _looked_at(vault)
    yield from findings
    size = checkpoint.size
    if len(tree.leaves) < size:
        yield Finding(
            level="head",
            text="the vault's tree is shorter than the checkpoint",
            expected=f"{size} entries",
            got=str(len(tree.leaves)),
            hint="the vault was set back, or lost checkpoints: take them from another copy",
        )
    else:
        root = merkle.tree_hash([leaf.hash for leaf in tree.leaves[:size]]).hex()
        if root != checkpoint.root.hex:
            text = f"the first {size} entries of the vault's tree are not those that the checkpoint covers"
            yield Finding(level="head", text=text, expected=f"root {checkpoint.root.hex}", got=f"root {root}")
    yield from _in_chains(vault, tree.leaves)


def _in_chains(vault: Vault, leaves: Sequence[Leaf]) -> Iterator[Finding]:
    """Entries of the tree that are not in their chains, and chains that cannot be read."""
    chains: dict[str, Sequence[Link]] = {}
    for unit in sorted({leaf.unit for leaf in leaves}):
        try:
            chains[unit] = vault.chain_so_far(unit)
        except CaldiffError as error:
            text = f"the chain of {unit} cannot be read, so nothing of it is proven: {error.reason}"
            yield Finding(level="head", text=text, unit=unit)
    yield from _at_odds(chains, [leaf for leaf in leaves if leaf.unit in chains])


# -------------------------------------------------------------------------------------------------------------- proofs


def inclusion(vault: Vault, unit: str, sequence: int) -> InclusionProof:
    """The proof that an entry is in the tree of the newest checkpoint.

    Raises:
        VaultError, LedgerError: there is no such entry, no checkpoint covers it yet, or the vault is damaged.
    """
    tree, links = tree_of(vault), vault.links(unit)
    if not 0 <= sequence < len(links):
        raise VaultError(f"{unit} has no entry {sequence}", expected=f"0 to {len(links) - 1}")
    leaf = Leaf(unit=unit, sequence=sequence, entry=links[sequence].hash)
    checkpoint = tree.newest
    at = {(one.unit, one.sequence): index for index, one in enumerate(tree.leaves)}.get((unit, sequence))
    if at is None:
        raise VaultError(f"no checkpoint covers {leaf.name} yet", hint="make a checkpoint first")
    if tree.leaves[at] != leaf:
        raise VaultError(f"{leaf.name} is another one than the checkpoint covers", hint=_AT_ODDS)
    path = merkle.inclusion([one.hash for one in tree.leaves], at)
    return InclusionProof(leaf=leaf, index=at, path=path, checkpoint=checkpoint)


def consistency(vault: Vault, older: Checkpoint) -> ConsistencyProof:
    """The proof that the tree of the newest checkpoint begins with all that an older one covers.

    Raises:
        VaultError: it does not, there is no checkpoint, or the vault is damaged. :func:`check` says more.
    """
    tree = tree_of(vault)
    newer = tree.newest
    if older.size <= newer.size:
        path = merkle.consistency([one.hash for one in tree.leaves], older.size)
        proof = ConsistencyProof(older=older, newer=newer, path=path)
        if proof.holds:
            return proof
    raise VaultError(
        "this vault's tree does not begin with what the older checkpoint covers",
        expected=f"{older.origin}, {older.size} entries, root {older.root.hex}",
        got=f"{newer.origin}, {newer.size} entries, root {newer.root.hex}",
        hint=_AT_ODDS,
    )
