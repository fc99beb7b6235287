"""Mending what is damaged: from recovery data, proven before it is written, with the damaged file set aside."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.storing import store
from caldiff.value import Value
from caldiff.vault.difference import DEEPEST, read_difference
from caldiff.vault.files import ASIDE, ENTRY, MEND, OBJECT, add_mend, find, numbers, place, put, trouble, walk
from caldiff.vault.mend import BLOCK, Mend, make_mend, rebuilt
from caldiff.vault.soundness import belongs, fault_of, recovery

if TYPE_CHECKING:
    from caldiff.vault.vault import Progress, Vault

__all__ = ["Repaired", "mended", "repair"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Repaired(Value):
    """What was done to a file of the vault.

    Attributes:
        file: its name in the vault.
        how: in a few words.
        aside: where what it was before has been put, or None where it was not there.
    """

    file: str
    how: str
    aside: str | None = None


def repair(vault: Vault, progress: Progress | None = None) -> tuple[Repaired, ...]:
    """What :meth:`caldiff.vault.vault.Vault.repair` says."""
    names = {name.removesuffix(MEND) for name in walk(vault.folder)}
    ordered = sorted((name for name in names if belongs(name)), key=lambda name: (_turn(vault.folder, name), name))
    done: list[Repaired] = []
    for at, name in enumerate(ordered):
        done += _repaired(vault, name)
        if progress is not None:
            progress(at + 1, len(ordered))
    return tuple(done)


def mended(folder: str, name: str) -> bytes | None:
    """A file as its recovery data has it, without writing anything; None where that cannot be told."""
    try:
        recovered = recovery(folder, name)
    except VaultError:
        return None
    return None if recovered is None else rebuilt(recovered, _what_is_left(folder, name))


def _turn(folder: str, name: str) -> int:
    """Files on which others hang come first: differences last, and they by their depth."""
    if not name.endswith(".diff"):
        return 0
    try:
        return read_difference(find(folder, name) or b"").depth
    except VaultError:
        return DEEPEST + 1


def _repaired(vault: Vault, name: str) -> Iterator[Repaired]:
    folder = vault.folder
    data = _what_is_left(folder, name)
    try:
        mend = recovery(folder, name)
    except VaultError:
        mend = None
    if mend is not None and data is not None and Digest.of(data) == mend.digest:
        if not mend.intact:
            yield _mend_anew(folder, name, data)
        return
    good = None if mend is None else rebuilt(mend, data)
    if mend is not None and good is not None and fault_of(name, good) is None:
        yield _replaced(folder, name, good, data, _told(mend, good, data))
        if not mend.intact:
            yield _mend_anew(folder, name, good)
    elif data is not None and _sound(vault, name, data):
        yield _mend_anew(folder, name, data)
    elif data == b"" and _unfinished(folder, name):
        yield _put_away(folder, name, data, "it was empty, left by a write that did not finish")
    else:
        yield from _from_another_form(vault, name, data)


def _from_another_form(vault: Vault, name: str, data: bytes | None) -> Iterator[Repaired]:
    """A damaged object of which the same bytes are kept in another form too."""
    kept = OBJECT.fullmatch(name)
    if kept is None:
        return
    try:
        good = vault.fetch(Digest(hex=kept[2]))
    except VaultError:
        return
    folder = vault.folder
    if not kept[3]:
        yield _replaced(folder, name, good, data, "written anew from another form in which it is kept")
        if not _has_recovery(folder, name):
            yield _mend_anew(folder, name, good)
        return
    for one in (name, name + MEND):
        damaged = _what_is_left(folder, one)
        if damaged is not None:
            yield _put_away(folder, one, damaged, "of no use, and the file is kept in another form")


def _has_recovery(folder: str, name: str) -> bool:
    try:
        mend = recovery(folder, name)
    except VaultError:
        return False
    return mend is not None and mend.intact


def _what_is_left(folder: str, name: str) -> bytes | None:
    """A file's bytes, zeros where a block of it cannot be read; None where there is no file."""
    try:
        return find(folder, name)
    except VaultError:
        return _readable(place(folder, name))


def _readable(path: str) -> bytes | None:
    """What of a file can be read, block by block."""
    try:
        stream = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return None
    try:
        size = os.lseek(stream, 0, os.SEEK_END)
        blocks = []
        for at in range(0, size, BLOCK):
            try:
                block = os.pread(stream, min(BLOCK, size - at), at)
            except OSError:
                block = b""
            blocks.append(block.ljust(min(BLOCK, size - at), b"\0"))
        return b"".join(blocks)
    except OSError:
        return None
    finally:
        os.close(stream)


def _sound(vault: Vault, name: str, data: bytes) -> bool:
    """Whether a file whose recovery data is of no use is right by itself."""
    kept = OBJECT.fullmatch(name)
    if fault_of(name, data) is not None:
        return False
    return kept is None or kept[3] != ".diff" or vault.objects.fault_in(Digest(hex=kept[2]), name) is None


def _told(mend: Mend, good: bytes, data: bytes | None) -> str:
    if data is None:
        return "it was gone, and is written anew from its recovery data"
    blocks = [at for at in range(0, mend.size, BLOCK) if data[at : at + BLOCK] != good[at : at + BLOCK]]
    many = -(-mend.size // BLOCK)
    if not blocks:
        return f"{len(data) - len(good)} bytes that followed its end are left off"
    return f"{len(blocks)} of {many} blocks mended with its recovery data, the first at byte {blocks[0]}"


def _replaced(folder: str, name: str, good: bytes, damaged: bytes | None, how: str) -> Repaired:
    """Put sound bytes in a file's place, once what stood there is safe elsewhere."""
    aside = None if damaged is None else _set_aside(folder, name, damaged)
    path = place(folder, name)
    try:
        store(path, good, overwrite=damaged is not None)
    except OSError as error:
        raise trouble("the file cannot be mended", path, error) from error
    return Repaired(file=name, how=how, aside=aside)


def _mend_anew(folder: str, name: str, data: bytes) -> Repaired:
    """Recovery data for a sound file: where there is none, or in place of what is of no use."""
    recovery_name = name + MEND
    if add_mend(folder, name, data):
        return Repaired(file=recovery_name, how="it was missing, and is made anew")
    damaged = _what_is_left(folder, recovery_name)
    return _replaced(folder, recovery_name, make_mend(name, data), damaged, "it was damaged, and is made anew")


def _set_aside(folder: str, name: str, data: bytes) -> str:
    """Keep what a damaged file holds, under its name and digest."""
    aside = f"{ASIDE}/{name}.{Digest.of(data).short}"
    put(folder, aside, data, mend=False)
    return aside


def _unfinished(folder: str, name: str) -> bool:
    """Whether an empty file is what a killed process leaves on a system without hard links: the last of its chain."""
    entry = ENTRY.fullmatch(name)
    if entry is None or find(folder, name + MEND) is not None:
        return False
    return int(entry[2]) == numbers(folder, f"units/{entry[1]}")[-1]


def _put_away(folder: str, name: str, data: bytes, how: str) -> Repaired:
    aside = _set_aside(folder, name, data)
    try:
        os.unlink(place(folder, name))  # noqa: PTH108 - paths are text here
    except OSError as error:
        raise trouble("the file cannot be set aside", place(folder, name), error) from error
    return Repaired(file=name, how=how, aside=aside)
