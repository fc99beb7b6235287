"""``Vault``: a folder that keeps the files of calibrations and the chain of entries of every unit."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from os import PathLike

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import CaldiffError, LedgerError, VaultError
from caldiff.ledger.dsse import opened
from caldiff.ledger.link import Link, check_unit, read_link
from caldiff.vault.files import (
    ATTRIBUTES,
    ATTRIBUTES_FILE,
    MARK,
    MEND,
    entry_name,
    find,
    folders,
    fresh_folder,
    get,
    has_numbered,
    numbers,
    place,
    put,
    unpack,
)
from caldiff.vault.objects import FORMS, Form, Objects

TYPE_CHECKING = False
if TYPE_CHECKING:
    from caldiff.image.model import Image
    from caldiff.ledger.chain import Chain, Recorded
    from caldiff.ledger.entry import Draft
    from caldiff.ledger.finding import Finding
    from caldiff.ledger.signing import Signer
    from caldiff.vault.repair import Repaired

__all__ = ["ENTRY_MOST", "Progress", "Vault", "link_of", "read_mark"]

Progress = Callable[[int, int], None]
"""told how many files are done, and of how many"""

ENTRY_MOST = 32 << 20
"""bytes that an entry's envelope may have"""


class Vault:
    """A folder that keeps the files of calibrations, and for every unit a chain of entries that tells of them.

    Nothing here deletes, shortens or overwrites a file; :meth:`repair` sets aside what it replaces. Any number of
    processes and machines may work on one folder, without a lock.

    Attributes:
        folder: where it is, as text.
        id: 32 hexadecimal digits that tell it from others.
    """

    def __init__(self, folder: str, id: str) -> None:  # noqa: A002 - the word of the form
        self.folder = folder
        self.id = id
        self.objects = Objects(folder)

    def __repr__(self) -> str:
        return f"<Vault {self.folder}>"

    # -------------------------------------------------------------------------------------------- making and opening

    @classmethod
    def create(cls, folder: str | PathLike[str], *, id: str) -> Vault:  # noqa: A002 - as above
        """Make a folder a vault. It is made if it is not there, and may hold a git repository and nothing else.

        Args:
            folder: where.
            id: 32 random hexadecimal digits.

        Raises:
            VaultError: the folder is a vault already, holds anything else, or cannot be written.
        """
        path = os.fspath(folder)
        mark = {"caldiff": "vault", "version": 1, "id": id}
        if not _is_id(id):
            raise VaultError("this is no id of a vault", expected="32 hexadecimal digits in lower case", got=id[:80])
        fresh_folder(path)
        if not put(path, MARK, canonical_json(mark) + b"\n"):
            raise VaultError("this folder is a vault already", file=path)
        if find(path, ATTRIBUTES_FILE) is None:
            put(path, ATTRIBUTES_FILE, ATTRIBUTES, mend=False)
        return cls.open(path)

    @classmethod
    def open(cls, folder: str | PathLike[str]) -> Vault:
        """Open a vault.

        Raises:
            VaultError: the folder is none, or what makes it one is damaged beyond mending.
        """
        path = os.fspath(folder)
        found = find(path, MARK)
        mark = read_mark(found)
        if mark is None or not _as_written(path, found):
            from caldiff.vault.repair import mended  # noqa: PLC0415 - only in trouble

            mark = read_mark(mended(path, MARK)) or mark
        if mark is None:
            reason = (
                "this folder is no vault" if found is None else "vault.json is damaged, or no vault's of this version"
            )
            hint = "caldiff vault init makes one" if found is None else "look for it in another copy of the vault"
            raise VaultError(reason, file=path if found is None else place(path, MARK), hint=hint)
        return cls(path, mark)

    # ------------------------------------------------------------------------------------------------------- entries

    def units(self) -> tuple[str, ...]:
        """The ids of all units that have an entry, or that had one, as its recovery data tells; sorted.

        An empty folder is none: a process killed before its first entry stood has left it.

        Raises:
            VaultError: a folder cannot be read.
        """
        found = (unit for unit in folders(self.folder, "units") if _is_unit(unit))
        return tuple(unit for unit in found if has_numbered(self.folder, f"units/{unit}"))

    def link(self, unit: str, sequence: int) -> Link:
        """One entry of a unit as a link, by itself.

        Raises:
            VaultError: it is not there or damaged. LedgerError: it is no entry, or not this one.
        """
        return link_of(self.envelope(unit, sequence), unit, sequence)

    def envelope(self, unit: str, sequence: int) -> bytes:
        """The bytes of an entry's envelope, as they were written; nothing is said of what is in them.

        Raises:
            VaultError: the entry is not there, or its file is damaged.
        """
        name = entry_name(check_unit(unit), sequence)
        try:
            return unpack(get(self.folder, name), most=ENTRY_MOST)
        except VaultError as error:
            error.file = error.file or place(self.folder, name)
            raise

    def links(self, unit: str) -> tuple[Link, ...]:
        """The entries of a unit as links, from the first to the newest; they hold together.

        Raises:
            VaultError: the unit has no entry, one is missing or damaged, or they do not hold together.
            LedgerError: a file is no entry.
        """
        links = self.chain_so_far(unit)
        if not links:
            raise VaultError(f"the vault has no unit {unit}", file=self.folder, expected=_some(self.units()))
        return links

    def chain_so_far(self, unit: str) -> tuple[Link, ...]:
        """The same as :meth:`links`, and none at all where the unit has no entry yet."""
        have = numbers(self.folder, f"units/{check_unit(unit)}")
        links = tuple(self.link(unit, sequence) for sequence in have)
        from caldiff.ledger.linkage import linkage  # noqa: PLC0415 - one of many names

        for finding in linkage(unit, links) if links else ():
            if finding.fault:
                raise VaultError(
                    f"the chain of unit {unit} is broken: {finding.text}",
                    file=place(self.folder, entry_name(unit, finding.sequence or 0)),
                    expected=finding.expected,
                    got=finding.got,
                    hint="caldiff verify says all that is wrong",
                )
        return links

    def chain(self, unit: str) -> Chain:
        """The chain of a unit, whose links hold.

        Raises:
            VaultError, LedgerError: as :meth:`links`.
        """
        from caldiff.ledger.chain import Chain  # noqa: PLC0415 - imports every class of an entry

        links = self.links(unit)
        return Chain(unit=unit, recorded=tuple(self.recorded(unit, link.sequence) for link in links))

    def recorded(self, unit: str, sequence: int) -> Recorded:
        """One entry of a unit by itself, with its envelope.

        Raises:
            VaultError: it is not there or damaged. LedgerError: it is no entry.
        """
        from caldiff.ledger.chain import Recorded  # noqa: PLC0415 - as above

        try:
            return Recorded.read(self.envelope(unit, sequence))
        except LedgerError as error:
            error.file = error.file or place(self.folder, entry_name(unit, sequence))
            raise

    def survey(self, unit: str) -> tuple[Chain | None, tuple[Finding, ...]]:
        """The chain of a unit as far as it can be read, and what is wrong with its links.

        Entries that cannot be read are left out and told. None where none can be read. Damage never raises.
        """
        from caldiff.vault.audit import survey  # noqa: PLC0415 - as above

        return survey(self, unit)

    def append(
        self, unit: str, draft: Draft, *, signers: Sequence[Signer] = (), expect: Digest | None = None
    ) -> Recorded:
        """Add an entry to the chain of a unit; when this returns, it is on the disk.

        Where another process takes the next number first, the entry goes behind that one's.

        Args:
            unit: its id; a new one begins a chain.
            draft: what is recorded. All files that it names are kept already.
            signers: who signs it.
            expect: hash of the entry that has to be the newest one still.

        Raises:
            VaultError: a file is not kept, the newest entry is another, the chain is broken, or nothing can be written.
            LedgerError: the draft cannot be an entry at this place.
            SignatureError: it cannot be signed.
        """
        from caldiff.vault.appending import append  # noqa: PLC0415 - imports every class of an entry

        return append(self, unit, draft, signers=signers, expect=expect)

    # --------------------------------------------------------------------------------------------------------- files

    def keep(
        self,
        data: bytes,
        *,
        image: Image | None = None,
        near: Mapping[Digest, Image] | None = None,
        whole: bool = False,
    ) -> Digest:
        """Keep the bytes of a file; when this returns, they are on the disk.

        Args:
            data: the file, as it came.
            image: what was read from it, if it is an image: it may then be kept as a difference.
            near: kept images that it may be little different from, by the digests of their files. The one that makes
                the smallest difference is taken.
            whole: keep the file as it is, for whoever wants to check it without caldiff.

        Raises:
            VaultError: it cannot be written, or is kept already in the form that is asked for and damaged there.
        """
        return self.objects.keep(data, image=image, near=near or {}, whole=whole)

    def fetch(self, digest: Digest) -> bytes:
        """The bytes of a kept file, which have that digest.

        Raises:
            VaultError: it is not kept, or is damaged; ``file`` says which file of the vault is.
        """
        return self.objects.fetch(digest)

    def fetch_many(self, digests: Iterable[Digest]) -> Iterator[tuple[Digest, bytes | VaultError]]:
        """The bytes of many kept files, at a cost of about one image each, in an order that makes it so.

        What cannot be restored comes as the error. A digest that is asked for twice comes once.
        """
        for digest, data in self.objects.fetch_many(digests):
            yield digest, data if isinstance(data, bytes | VaultError) else bytes(data)

    def holds(self, digest: Digest) -> bool:
        """Whether the file is kept. Whether it is sound, :meth:`fetch` says."""
        return bool(self.objects.endings(digest))

    def form(self, digest: Digest) -> Form | None:
        """How a file is kept: ``whole``, ``gzip`` or ``difference``; None where it is not."""
        endings = self.objects.endings(digest)
        return FORMS[endings[0]] if endings else None

    # ------------------------------------------------------------------------------------------------------ soundness

    def byte_findings(self, units: Iterable[str] | None = None, progress: Progress | None = None) -> Iterator[Finding]:
        """Check every file of the vault against its digest and its recovery data; say what is wrong.

        Args:
            units: only what the entries of these name; by default everything.
            progress: told how far it is.
        """
        from caldiff.vault.audit import byte_findings  # noqa: PLC0415 - as above

        return byte_findings(self, units, progress)

    def repair(self, progress: Progress | None = None) -> tuple[Repaired, ...]:
        """Mend what can be mended with the recovery data, and write recovery data that is missing or damaged.

        What is replaced is set aside first. What cannot be mended is left as it is: :meth:`byte_findings` tells it.

        Raises:
            VaultError: nothing can be written.
        """
        from caldiff.vault.repair import repair  # noqa: PLC0415 - seldom needed

        return repair(self, progress)


def read_mark(data: bytes | None) -> str | None:
    """The id that ``vault.json`` tells, or None where the bytes are no ``vault.json``."""
    try:
        mark = json.loads(data or b"")
        fine = isinstance(mark, dict) and canonical_json(mark) + b"\n" == data and sorted(mark) == sorted(_MARK_KEYS)
    except (ValueError, TypeError, RecursionError):
        return None
    if not fine or mark["caldiff"] != "vault" or type(mark["version"]) is not int or mark["version"] != 1:
        return None
    return mark["id"] if _is_id(mark["id"]) else None


_MARK_KEYS = ("caldiff", "version", "id")


def _is_id(value: object) -> bool:
    return isinstance(value, str) and len(value) == 32 and set(value) <= set("0123456789abcdef")  # noqa: PLR2004 - 128 bits


def _as_written(folder: str, mark: bytes | None) -> bool:
    """Whether ``vault.json`` is what its recovery data says, or there is none that could say."""
    try:
        recovery = find(folder, MARK + MEND)
    except VaultError:
        return True
    return mark is not None and (recovery is None or Digest.of(mark).hex.encode() in recovery)


def link_of(envelope: bytes, unit: str, sequence: int) -> Link:
    """The link that an envelope's bytes hold. Raises LedgerError where they are no entry, or not that one."""
    link = read_link(opened(envelope)[0])
    if (link.unit, link.sequence) != (unit, sequence):
        raise LedgerError(
            "the entry stands in another's place",
            expected=f"entry {sequence} of {unit}",
            got=f"entry {link.sequence} of {link.unit}",
        )
    return link


def _is_unit(text: str) -> bool:
    try:
        return bool(check_unit(text))
    except CaldiffError:
        return False


def _some(units: Sequence[str]) -> str:
    return ", ".join(units[:8]) + (", ..." if len(units) > 8 else "") if units else "none: nothing is recorded yet"  # noqa: PLR2004 - a line's worth
