"""Checking a vault: the links of a chain as far as it can be read, and every file against its digest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, VaultError
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.finding import Finding
from caldiff.ledger.link import Link, read_link
from caldiff.ledger.linkage import linkage
from caldiff.vault.appending import files_of
from caldiff.vault.files import (
    ATTRIBUTES,
    ATTRIBUTES_FILE,
    CHECKPOINT,
    ENTRY,
    MARK,
    MEND,
    OBJECT,
    entry_name,
    find,
    numbers,
    object_name,
    walk,
)
from caldiff.vault.soundness import belongs, fault_of, recovery

if TYPE_CHECKING:
    from caldiff.vault.vault import Progress, Vault

__all__ = ["byte_findings", "survey"]

_REPAIR = "caldiff verify --repair mends it where the recovery data allows"
Named = dict[Digest, tuple[str, int]]
"""files and the first entry that names each"""


# -------------------------------------------------------------------------------------------------------------- links


def survey(vault: Vault, unit: str) -> tuple[Chain | None, tuple[Finding, ...]]:
    """What :meth:`caldiff.vault.vault.Vault.survey` says."""
    recorded: list[Recorded] = []
    findings: list[Finding] = []
    try:
        have = numbers(vault.folder, f"units/{unit}")
    except VaultError as error:
        return None, (Finding(level="links", text=error.reason, unit=unit, file=f"units/{unit}"),)
    for sequence in have:
        try:
            vault.link(unit, sequence)
            recorded.append(vault.recorded(unit, sequence))
        except CaldiffError as error:
            findings.append(
                Finding(
                    level="links",
                    text=f"the entry cannot be read: {error.reason}",
                    unit=unit,
                    sequence=sequence,
                    file=entry_name(unit, sequence),
                    expected=error.expected,
                    got=error.got,
                    hint=_REPAIR,
                )
            )
    links = [read_link(one.envelope.payload) for one in recorded]
    unread = {finding.sequence for finding in findings}
    findings += [one for one in linkage(unit, links) if not _said(one, links, unread)] if links or not unread else []
    return Chain(unit=unit, recorded=tuple(recorded)) if recorded else None, tuple(findings)


def _said(finding: Finding, links: list[Link], unread: set[int | None]) -> bool:
    """Whether a gap is nothing but entries that are there and cannot be read."""
    if finding.sequence not in unread or finding.sequence is None:
        return False
    stop = min((link.sequence for link in links if link.sequence > finding.sequence), default=finding.sequence)
    return all(number in unread for number in range(finding.sequence, stop))


# -------------------------------------------------------------------------------------------------------------- bytes


def byte_findings(vault: Vault, units: Iterable[str] | None, progress: Progress | None) -> Iterator[Finding]:
    """What :meth:`caldiff.vault.vault.Vault.byte_findings` says."""
    chosen = None if units is None else tuple(units)
    named = _named(vault, vault.units() if chosen is None else chosen)
    there = set(walk(vault.folder))
    files = {name.removesuffix(MEND) for name in there}
    if chosen is not None:
        files = _of_units(vault, files, chosen, named)
    audit = _Audit(vault, there, named, progress, total=len(files))
    for name in sorted(files):
        if OBJECT.fullmatch(name) is None:
            yield from audit.other(name)
    yield from audit.objects(sorted(name for name in files if OBJECT.fullmatch(name)))
    for digest, (unit, sequence) in named.items():
        if not vault.holds(digest):
            name = object_name(digest.hex, "")
            text = "a file that the entry names is not in the vault"
            hint = "look for it in another copy of the vault, or record the file again"
            yield Finding(level="bytes", text=text, unit=unit, sequence=sequence, file=name, hint=hint)
    if chosen is None:
        for name in sorted(name for name in there if not belongs(name.removesuffix(MEND))):
            yield Finding(level="bytes", text=_foreign(name), fault=False, file=name)
        yield from _for_git(vault)


def _for_git(vault: Vault) -> Iterator[Finding]:
    """What git has to know of the vault, where it does not."""
    try:
        told = find(vault.folder, ATTRIBUTES_FILE)
    except VaultError:
        told = b""
    if told is None and not _in_repository(vault.folder):
        return
    if ATTRIBUTES.strip() not in (told or b"").splitlines():
        text = "git is not told to leave the vault's files as they are: it may change ends of lines, and merge"
        hint = "put the line '* binary' there, unless a .gitattributes above it says so of this folder"
        yield Finding(level="bytes", text=text, fault=False, file=ATTRIBUTES_FILE, hint=hint)


def _in_repository(folder: str) -> bool:
    path = Path(folder).absolute()
    return any((one / ".git").exists() for one in (path, *path.parents))


def _foreign(name: str) -> str:
    if name.rsplit("/", 1)[-1].startswith(".") and name.endswith(".part"):
        return "a write that did not finish left this; nothing needs it"
    return "this file is none of the vault's"


def _named(vault: Vault, units: Iterable[str]) -> Named:
    """The files that the entries name, as far as these can be read."""
    named: Named = {}
    for unit in units:
        for sequence in numbers(vault.folder, f"units/{unit}"):
            try:
                draft = vault.recorded(unit, sequence).entry.draft
            except CaldiffError:
                continue
            for subject in files_of(draft):
                named.setdefault(subject.file, (unit, sequence))
    return named


def _of_units(vault: Vault, files: set[str], units: tuple[str, ...], named: Named) -> set[str]:
    """Of all files, those that the units need: entries, what these name, and what that differs from."""
    needed = set(vault.objects.with_bases(named))
    chosen = {MARK} if MARK in files else set()
    for name in files:
        entry, kept = ENTRY.fullmatch(name), OBJECT.fullmatch(name)
        if (entry and entry[1] in units) or (kept and Digest(hex=kept[2]) in needed):
            chosen.add(name)
    return chosen


class _Audit:
    """A check under way."""

    def __init__(self, vault: Vault, there: set[str], named: Named, progress: Progress | None, *, total: int) -> None:
        self.vault, self.there, self.named, self.progress, self.total = vault, there, named, progress, total
        self.done = 0

    def _count(self) -> None:
        self.done += 1
        if self.progress is not None:
            self.progress(min(self.done, self.total), self.total)

    def other(self, name: str) -> Iterator[Finding]:
        """A file that is no object."""
        if belongs(name):
            try:
                data = find(self.vault.folder, name)
            except VaultError as error:
                yield self._finding(name, error.reason, got=error.got)
            else:
                fault = None if data is None else fault_of(name, data)
                if fault is not None:
                    yield self._finding(name, fault)
                yield from self._recovery(name, None if data is None else Digest.of(data), sound=fault is None)
        self._count()

    def objects(self, names: list[str]) -> Iterator[Finding]:
        """All files that hold kept bytes, in the order in which they are restored at the least cost."""
        forms: dict[Digest, list[str]] = {}
        for name in names:
            kept = OBJECT.fullmatch(name)
            if kept is None:
                continue
            if name in self.there:
                forms.setdefault(Digest(hex=kept[2]), []).append(name)
            else:
                yield from self._recovery(name, None, sound=False)
                self._count()
        for digest, restored in self.vault.objects.fetch_many(forms):
            several = sorted(forms[digest])
            for name in several:
                error = restored if isinstance(restored, VaultError) else None
                if len(several) > 1:
                    error = self.vault.objects.fault_in(digest, name)
                yield from self._object(digest, name, error)
                self._count()

    def _object(self, digest: Digest, name: str, error: VaultError | None) -> Iterator[Finding]:
        if error is not None:
            yield self._finding(name, error.reason, expected=error.expected, got=error.got)
        elif digest not in self.named:
            text = "no entry that can be read names this file"
            yield Finding(level="bytes", text=text, fault=False, file=name)
        whole = name.endswith(digest.hex) and error is None
        try:
            found = digest if whole else Digest.of(find(self.vault.folder, name) or b"")
        except VaultError:
            return
        yield from self._recovery(name, found, sound=error is None)

    def _recovery(self, name: str, found: Digest | None, *, sound: bool) -> Iterator[Finding]:
        """What the recovery data says of a file with that digest (None: it is gone), and what is wrong with it."""
        try:
            mend = recovery(self.vault.folder, name)
        except VaultError as error:
            yield self._finding(name + MEND, error.reason, expected=error.expected, got=error.got)
            if found is None:
                yield self._finding(name, "the file is gone")
            return
        if mend is None:
            if found is None:
                yield self._finding(name, "the file is gone")
            else:
                text, fault = "the file has no recovery data", not self._unfinished(name)
                yield self._finding(name + MEND, text, fault=fault)
            return
        if not mend.intact:
            yield self._finding(name + MEND, "the recovery data is damaged")
        if found is None:
            yield self._finding(name, "the file is gone, and its recovery data is still there")
        elif sound and found != mend.digest:
            text = "the file is not as it was written"
            yield self._finding(name, text, expected=mend.digest.hex, got=found.hex)

    def _unfinished(self, name: str) -> bool:
        """Whether a process killed at its work may have left a file without recovery data."""
        if entry := ENTRY.fullmatch(name):
            return int(entry[2]) == numbers(self.vault.folder, f"units/{entry[1]}")[-1]
        if checkpoint := CHECKPOINT.fullmatch(name):
            return int(checkpoint[1]) == numbers(self.vault.folder, "checkpoints")[-1]
        kept = OBJECT.fullmatch(name)
        return kept is None or Digest(hex=kept[2]) not in self.named

    def _finding(
        self, name: str, text: str, *, fault: bool = True, expected: str | None = None, got: str | None = None
    ) -> Finding:
        """A finding about a file, with the entry that it is, or that names it."""
        bare = name.removesuffix(MEND)
        unit, sequence = None, None
        if entry := ENTRY.fullmatch(bare):
            unit, sequence = entry[1], int(entry[2])
        elif kept := OBJECT.fullmatch(bare):
            unit, sequence = self.named.get(Digest(hex=kept[2]), (None, None))
        return Finding(
            level="bytes",
            text=text,
            fault=fault,
            unit=unit,
            sequence=sequence,
            file=name,
            expected=expected,
            got=got,
            hint=_REPAIR,
        )
