"""``Chain``: the entries of one unit, to ask of; what is wrong with its links; and heads that somebody pinned."""

from __future__ import annotations

import re
from collections.abc import Sequence

import attrs

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.entry import Entry
from caldiff.ledger.envelope import Envelope, read_envelope
from caldiff.ledger.finding import Finding
from caldiff.ledger.link import check_unit, read_link
from caldiff.ledger.linkage import linkage, named
from caldiff.ledger.statement import read_entry
from caldiff.value import Shown, Value

__all__ = ["Chain", "Head", "Recorded", "head_findings", "link_findings"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Recorded(Value):
    """An entry with the envelope that it stands in."""

    entry: Entry
    envelope: Envelope

    @classmethod
    def read(cls, data: bytes) -> Recorded:
        """The entry that an envelope's bytes hold.

        Raises:
            LedgerError: they are no envelope, or its payload is no entry.
        """
        envelope = read_envelope(data)
        return cls(entry=read_entry(envelope.payload), envelope=envelope)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Chain(Shown):
    """The entries of one unit, from the first to the newest, at least one.

    That it holds together is not a chain's own word: ask :func:`link_findings`.
    """

    unit: str
    recorded: tuple[Recorded, ...]
    _places: dict[Digest, int] = attrs.field(init=False, repr=False)

    def __attrs_post_init__(self) -> None:
        if not self.recorded:
            raise LedgerError(f"unit {self.unit} has no entry")
        object.__setattr__(self, "_places", {one.entry.hash: at for at, one in enumerate(self.recorded)})

    def __repr__(self) -> str:
        return f"<Chain of {self.unit}: {len(self.recorded)} entries, head {self.head.entry.hash.short}>"

    @property
    def head(self) -> Recorded:
        """The newest entry."""
        return self.recorded[-1]

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All of them, without their envelopes."""
        return tuple(one.entry for one in self.recorded)

    @property
    def baselines(self) -> tuple[Recorded, ...]:
        """The baseline reads, the first one first."""
        return tuple(one for one in self.recorded if one.entry.kind == "baseline")

    @property
    def revisions(self) -> tuple[Recorded, ...]:
        """The revisions, the first one first."""
        return tuple(one for one in self.recorded if one.entry.kind == "revision")

    def holds(self, digest: Digest) -> bool:
        """Whether an entry of that hash is here."""
        return digest in self._places

    def by_hash(self, digest: Digest) -> Recorded:
        """The entry of that hash.

        Raises:
            LedgerError: none is of this chain.
        """
        if digest not in self._places:
            raise LedgerError(f"unit {self.unit} has no entry {digest.short}")
        return self.recorded[self._places[digest]]

    def named(self, text: str) -> Recorded:
        """The entry that a word names: see :func:`caldiff.ledger.linkage.named`.

        Raises:
            LedgerError: no entry is named so, or several are.
        """
        return self.by_hash(named(self.entries, text).hash)

    def about(self, digest: Digest) -> tuple[Recorded, ...]:
        """The entries whose ``of`` is the entry of that hash, the first one first."""
        return tuple(one for one in self.recorded if getattr(one.entry.body, "of", None) == digest)

    def baseline_of(self, entry: Entry) -> Recorded:
        """The baseline that an entry descends from or is about. Of a note on the unit, the newest one before it.

        Raises:
            LedgerError: the way to it leads out of this chain, or in a circle.
        """
        at = entry
        for _ in self.recorded:
            if at.kind == "baseline":
                return self.by_hash(at.hash)
            way = getattr(at.body, "baseline", None) or getattr(at.body, "of", None)
            if way is None:
                return self._newest_baseline(at)
            at = self.by_hash(way).entry
        raise LedgerError(f"entry {entry.sequence} of unit {self.unit} descends from no baseline")

    def _newest_baseline(self, entry: Entry) -> Recorded:
        before = [one for one in self.baselines if one.entry.sequence < entry.sequence]
        if not before:
            raise LedgerError(f"no baseline is before entry {entry.sequence} of unit {self.unit}")
        return before[-1]


def link_findings(unit: str, recorded: Sequence[Recorded]) -> tuple[Finding, ...]:
    """What is wrong with a chain by itself, told from the payloads: see :func:`caldiff.ledger.linkage.linkage`.

    Raises:
        LedgerError: a payload is no entry.
    """
    links = [read_link(one.envelope.payload) for one in recorded]
    other = [
        Finding(level="links", text="the entry is not what its payload says", unit=unit, sequence=link.sequence)
        for link, one in zip(links, recorded, strict=True)
        if link.hash != one.entry.hash
    ]
    return (*other, *linkage(unit, links))


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Head(Value):
    """An entry that somebody keeps the hash of, outside the vault: up to it nothing can be changed or left out."""

    unit: str
    sequence: int
    hash: Digest

    @classmethod
    def of(cls, chain: Chain) -> Head:
        """The head that a chain has now."""
        return cls(unit=chain.unit, sequence=chain.head.entry.sequence, hash=chain.head.entry.hash)

    @classmethod
    def read(cls, text: str) -> Head:
        """A head from its text.

        Raises:
            LedgerError: the text is none.
        """
        match = re.fullmatch(r"\s*(\S{1,64}) ([0-9]{1,6}) sha256:([0-9a-f]{64})\s*", text, re.ASCII)
        if match is None:
            raise LedgerError("this is no head", expected="UNIT NUMBER sha256:HASH", got=f"{text!r:.80}")
        return cls(unit=check_unit(match[1]), sequence=int(match[2]), hash=Digest(hex=match[3]))

    @property
    def text(self) -> str:
        """``UNIT NUMBER sha256:HASH``, for people to keep."""
        return f"{self.unit} {self.sequence} {self.hash}"


def head_findings(chain: Chain, pinned: Head) -> tuple[Finding, ...]:
    """What is wrong with a chain in the eyes of whoever pinned a head of it: an end that is cut off, or a fork."""
    here = {one.entry.sequence: one.entry.hash for one in chain.recorded}
    found = here.get(pinned.sequence)
    if chain.unit == pinned.unit and found == pinned.hash:
        return ()
    got: str | None = None
    if chain.unit != pinned.unit:
        text, got = f"the pinned head is of unit {pinned.unit}", chain.unit
    elif found is not None:
        text, got = "the entry is not the one that was pinned: the chain was forked or written anew", str(found)
    elif pinned.sequence > chain.head.entry.sequence:
        text, got = "the chain ends before the pinned entry: its end was cut off", f"{chain.head.entry.sequence}"
    else:
        text = "the pinned entry is missing"
    return (
        Finding(
            level="head",
            text=text,
            unit=chain.unit,
            sequence=pinned.sequence,
            expected=pinned.text,
            got=got,
            hint="Look for a copy of the vault that has the pinned entry",
        ),
    )
