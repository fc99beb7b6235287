"""Adding an entry to a chain: the number decides who was first, and nothing is written that does not hold."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.ledger.chain import Recorded
from caldiff.ledger.entry import Draft, Entry, Subject
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.link import Link, check_unit, read_link
from caldiff.ledger.linkage import linkage
from caldiff.ledger.signing import Signer
from caldiff.ledger.statement import place as placed
from caldiff.vault.files import NUMBERS, add_mend, entry_name, get, pack, put

if TYPE_CHECKING:
    from caldiff.vault.vault import Vault

__all__ = ["append", "files_of"]


def files_of(draft: Draft) -> tuple[Subject, ...]:
    """All files that an entry names: its subjects, what a revision was made with, and the definition's."""
    definition = getattr(getattr(draft.body, "image", None), "definition", None)
    return (
        *draft.subjects,
        *getattr(draft.body, "made_from", ()),
        *(definition.files if definition is not None else ()),
    )


def append(vault: Vault, unit: str, draft: Draft, *, signers: Sequence[Signer], expect: Digest | None) -> Recorded:
    """What :meth:`caldiff.vault.vault.Vault.append` says."""
    _files_are_kept(vault, draft)
    while True:
        links = vault.chain_so_far(check_unit(unit))
        _head_is(vault, unit, links, expect)
        entry, payload = placed(draft, unit=unit, sequence=len(links), previous=links[-1].hash if links else None)
        _holds(unit, (*links, read_link(payload)))
        if links:
            last = entry_name(unit, len(links) - 1)
            add_mend(vault.folder, last, get(vault.folder, last))
        envelope = Envelope.sealed(payload, signers)
        if _written(vault, entry, envelope):
            return Recorded(entry=entry, envelope=envelope)


def _files_are_kept(vault: Vault, draft: Draft) -> None:
    for subject in files_of(draft):
        if not vault.holds(subject.file):
            raise VaultError(
                f"the entry names a file that the vault does not hold: {subject.name}",
                file=vault.folder,
                expected=str(subject.file),
                hint="keep the file first",
            )


def _head_is(vault: Vault, unit: str, links: Sequence[Link], expect: Digest | None) -> None:
    head = links[-1].hash if links else None
    if expect is not None and head != expect:
        raise VaultError(
            f"the newest entry of unit {unit} is another one by now",
            file=vault.folder,
            expected=str(expect),
            got="no entry" if head is None else str(head),
            hint="look at what was recorded meanwhile, then record again",
        )
    if len(links) >= NUMBERS:
        raise VaultError(f"the chain of unit {unit} is full", file=vault.folder, expected=f"{NUMBERS} entries at most")
    if not links:
        same = [other for other in vault.units() if other.lower() == unit.lower() and other != unit]
        if same:
            raise VaultError(
                f"a unit {same[0]} is there already, and {unit} differs by case only",
                file=vault.folder,
                hint="on some systems the two would share a folder: use another id",
            )


def _holds(unit: str, links: Sequence[Link]) -> None:
    """Refuse an entry that would break the chain: that names another which is none, or of the wrong kind."""
    for finding in linkage(unit, links):
        if finding.fault:
            raise VaultError(
                f"the entry does not fit the chain of unit {unit}: {finding.text}",
                expected=finding.expected,
                got=finding.got,
            )


def _written(vault: Vault, entry: Entry, envelope: Envelope) -> bool:
    """Write the entry's file; False where another process has taken its number."""
    name = entry_name(entry.unit, entry.sequence)
    data = pack(envelope.dump())
    if not put(vault.folder, name, data, mend=False):
        return False
    # The entry stands from here on. Where the disk is full, its recovery data waits for the next one, or for a repair.
    with suppress(VaultError):
        add_mend(vault.folder, name, data)
    return True
