"""``Entry``: one link of a unit's chain, as frozen values. :mod:`caldiff.ledger.statement` writes and reads them."""

from __future__ import annotations

import re
from datetime import datetime
from typing import ClassVar, Literal, get_args

import attrs

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.link import TIME
from caldiff.value import Value

__all__ = [
    "KINDS",
    "Approval",
    "Baseline",
    "Body",
    "Changes",
    "ChecksumFact",
    "DefinitionFact",
    "Delivery",
    "Draft",
    "Entry",
    "Evidence",
    "IdentityFact",
    "ImageFacts",
    "Kind",
    "Note",
    "Readback",
    "Repeat",
    "Return",
    "Revision",
    "Subject",
]

Kind = Literal["baseline", "repeat", "revision", "delivery", "readback", "evidence", "approval", "note", "return"]
KINDS: tuple[Kind, ...] = get_args(Kind)


_NAME = re.compile(r"(?!\.{1,2}\Z)[^/\\\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]{1,255}")
"""No folder, nothing that controls a terminal or turns the direction of writing, nothing that is not Unicode. Listed
here, since what counts as printable changes with the version of Unicode."""


def _is_name(_: object, __: object, name: str) -> None:
    if not _NAME.fullmatch(name):
        raise LedgerError(
            f"{name!r:.80} cannot be recorded as the name of a file",
            expected="1 to 255 characters, no folder and no control characters",
            hint="Give the file another name first",
        )


def _is_time(_: object, __: object, time: str) -> None:
    try:
        right = TIME.fullmatch(time) and datetime.fromisoformat(time)
    except ValueError:
        right = None
    if not right:
        raise LedgerError(f"{time!r:.80} is no time in UTC", expected="a form like 2026-03-11T09:30:00Z")


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Subject(Value):
    """A file that an entry speaks of, by the name that it came under (no folders) and the digest of its bytes."""

    name: str = attrs.field(validator=_is_name)
    file: Digest


# ---------------------------------------------------------------------------------------------- what an image was then


@attrs.frozen(kw_only=True, eq=False, repr=False)
class DefinitionFact(Value):
    """The definition that an image was read by: its digest, and the YAML files that it came from, the own one first.

    ``files`` are kept in the vault under their digests, so that the image can be read again years later.
    """

    name: str
    digest: Digest
    files: tuple[Subject, ...]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class IdentityFact(Value):
    """An identity field as it read. A personal ``text`` is shortened; ``match`` is its HMAC where a key was given."""

    name: str
    means: str
    text: str | None
    personal: bool = False
    match: str | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ChecksumFact(Value):
    """A declared checksum and its state: ``valid``, ``stale``, ``not verifiable`` or ``unreadable``."""

    name: str
    status: str


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ImageFacts(Value):
    """What an image file was when it was recorded. The first subject of the entry is the file.

    Attributes:
        format: ``binary``, ``ihex``, ``srec``, ``titxt`` or ``elf``; container: ``gzip``, ``zip`` or None.
        size: of the file, in bytes. start: address of the first byte, which a raw binary does not say itself.
        content: digest of addresses and data (``Image.content``), the same for every format.
        stable: digest of the same with volatile regions left out; None without a definition.
        definition: None where none fitted.
        identity, checksums: in the definition's order; empty without a definition.
    """

    format: str
    container: str | None = None
    size: int
    start: int
    content: Digest
    stable: Digest | None = None
    definition: DefinitionFact | None = None
    identity: tuple[IdentityFact, ...] = ()
    checksums: tuple[ChecksumFact, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Changes(Value):
    """All that an image changed against the image of another entry, as counts, and the digest of the full list.

    Attributes:
        raw: digest of the full list of raw changes: every differing run with its bytes before and after
            (:mod:`caldiff.trace.raw` says in which form).
        cell, checksum, identity, volatile, unexplained: differing bytes by fate.
        code: of all these, the bytes that lie in regions of role ``code``.
        tables: name and number of changed cells (0 where they cannot be matched one to one), by name.
        axes: names of the shared axes that moved, by name.
        tags: the tags of changed tables, and of tables on moved axes, by name.
        regions: names of the regions that hold a differing byte, by name.
        replaced: the definition was another one; tables are compared by name.
    """

    raw: Digest
    cell: int = 0
    checksum: int = 0
    identity: int = 0
    volatile: int = 0
    unexplained: int = 0
    code: int = 0
    tables: tuple[tuple[str, int], ...] = ()
    axes: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    regions: tuple[str, ...] = ()
    replaced: bool = False

    @property
    def bytes(self) -> int:
        """All differing bytes."""
        return self.cell + self.checksum + self.identity + self.volatile + self.unexplained

    @property
    def cells(self) -> int:
        """All changed cells."""
        return sum(count for _, count in self.tables)


# ----------------------------------------------------------------------------------------------------- what it is about


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Baseline(Value):
    """The first read of a unit, which everything descends from.

    A chain begins with one. Another may follow: the read of other stock software, which a workshop put in. Revisions
    name the baseline that they descend from.
    """

    kind: ClassVar[Kind] = "baseline"
    image: ImageFacts


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Repeat(Value):
    """Another read of the stock, with its ``changes`` against the baseline's image."""

    kind: ClassVar[Kind] = "repeat"
    image: ImageFacts
    baseline: Digest
    changes: Changes

    @property
    def confirms(self) -> bool:
        """Nothing differs but volatile bytes, so the baseline was read right."""
        return self.changes.bytes == self.changes.volatile


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Revision(Value):
    """An image meant for the unit.

    Attributes:
        parent, baseline: hashes of the entries that it was made from (a baseline, revision, readback or repeat), and of
            the baseline that it descends from.
        against_parent, against_baseline: its changes.
        authorities: tag, region or trouble code, and under whose authority what is tagged so was changed, or that code
            switched off; by that word.
        made_from: files kept in the vault that it was made with, such as change sets.
    """

    kind: ClassVar[Kind] = "revision"
    image: ImageFacts
    parent: Digest
    baseline: Digest
    against_parent: Changes
    against_baseline: Changes
    authorities: tuple[tuple[str, str], ...] = ()
    made_from: tuple[Subject, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Delivery(Value):
    """A revision was handed over. The subject is the file that was: the revision's own, or one of the same content."""

    kind: ClassVar[Kind] = "delivery"
    of: Digest
    to: str
    image: ImageFacts | None = None
    """of the file, where it is another one than the revision's"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Readback(Value):
    """An image read out of the unit later.

    ``changes`` are against the image of the entry ``of``: what should have been in the unit. ``finding``: ``equal``
    (every byte), ``volatile`` (save for volatile regions), ``other`` (anything else).
    """

    kind: ClassVar[Kind] = "readback"
    image: ImageFacts
    of: Digest
    changes: Changes
    finding: Literal["equal", "volatile", "other"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Evidence(Value):
    """Any files, taken while the image of the entry ``of`` was in the unit.

    ``sort`` says what they are: ``log``, ``faults``, or the shop's own word; ``facts`` what the shop or a tool says of
    them, as key and text.
    """

    kind: ClassVar[Kind] = "evidence"
    of: Digest
    sort: str
    facts: tuple[tuple[str, str], ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Approval(Value):
    """Somebody says that a revision may go out. ``role``: as what. It counts as much as its signature."""

    kind: ClassVar[Kind] = "approval"
    of: Digest
    role: str = "approver"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Note(Value):
    """Words, about an entry or about the unit; with files or without."""

    kind: ClassVar[Kind] = "note"
    of: Digest | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Return(Value):
    """The unit goes back to stock: its subject is the baseline's very file."""

    kind: ClassVar[Kind] = "return"
    baseline: Digest


Body = Baseline | Repeat | Revision | Delivery | Readback | Evidence | Approval | Note | Return


# ------------------------------------------------------------------------------------------------------------ the entry


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Draft(Value):
    """An entry that has no place in a chain yet.

    Attributes:
        time: UTC, ``2026-03-11T09:30:00Z``, given by the caller.
        author: who records it, in the shop's own words.
        message: why, in the author's words.
        subjects: the files. Where an entry has none, the writer names the entry that it is about instead, since an
            in-toto Statement needs one.
    """

    body: Body
    time: str = attrs.field(validator=_is_time)
    author: str = ""
    message: str = ""
    subjects: tuple[Subject, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Entry(Value):
    """One link of a unit's chain.

    ``hash`` is the SHA-256 of the payload, so it binds everything here; ``previous`` is the hash of the entry before.
    An entry read from bytes keeps their digest; one that was made gets it from :mod:`caldiff.ledger.statement`.
    """

    unit: str
    sequence: int
    previous: Digest | None
    draft: Draft
    hash: Digest

    @property
    def kind(self) -> Kind:
        """What sort of entry."""
        return self.draft.body.kind

    @property
    def body(self) -> Body:
        """What it is about."""
        return self.draft.body

    @property
    def image(self) -> ImageFacts | None:
        """The facts of its image, of the kinds that have one."""
        return getattr(self.draft.body, "image", None)

    @property
    def file(self) -> Digest | None:
        """The digest of its first file, None where it has none."""
        return self.draft.subjects[0].file if self.draft.subjects else None
