"""Is a file of the vault as it was written? What it says itself, and what its recovery data says."""

from __future__ import annotations

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, VaultError
from caldiff.vault.difference import read_difference
from caldiff.vault.files import CHECKPOINT, ENTRY, MARK, MEND, OBJECT, find, unpack
from caldiff.vault.mend import Mend, read_mend
from caldiff.vault.vault import ENTRY_MOST, link_of, read_mark

__all__ = ["belongs", "fault_of", "recovery"]


def belongs(name: str) -> bool:
    """Whether a file of that name has a place in a vault and recovery data beside it."""
    return name == MARK or any(form.fullmatch(name) for form in (ENTRY, OBJECT, CHECKPOINT))


def fault_of(name: str, data: bytes) -> str | None:
    """What is wrong with a file by itself, in a sentence; None where nothing is.

    Of a difference only the form is looked at, since its bytes are proven by what is restored with it.
    """
    try:
        _prove(name, data)
    except CaldiffError as error:
        return error.reason
    return None


def _prove(name: str, data: bytes) -> None:
    if entry := ENTRY.fullmatch(name):
        link_of(unpack(data, most=ENTRY_MOST), entry[1], int(entry[2]))
    elif kept := OBJECT.fullmatch(name):
        if kept[3] == ".diff":
            read_difference(data)
        elif Digest.of(unpack(data) if kept[3] else data).hex != kept[2]:
            raise VaultError("the file is damaged: it does not have its digest")
    elif name != MARK:
        unpack(data)
    elif read_mark(data) is None:
        raise VaultError("vault.json is damaged, or no vault's of this version")


def recovery(folder: str, name: str) -> Mend | None:
    """The recovery data of a file, None where there is none.

    Raises:
        VaultError: it is damaged too much to be of use, or that of another file.
    """
    data = find(folder, name + MEND)
    if data is None:
        return None
    mend = read_mend(data)
    kept = OBJECT.fullmatch(name)
    if mend.file != name or (kept and not kept[3] and mend.digest.hex != kept[2]):
        raise VaultError("this is the recovery data of another file", expected=name, got=mend.file[:200])
    return mend
