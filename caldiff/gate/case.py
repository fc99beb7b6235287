"""``Case``: one file before the gate, with everything that rules ask about it, each worked out once and from the bytes.

What an entry claims is taken for nothing but what it is: a claim. Images are read again, comparisons made again.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import Any, Protocol

import attrs

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.errors import CaldiffError, LedgerError
from caldiff.gate.policy import Policy
from caldiff.gate.scan import Scans
from caldiff.gate.verdict import Refusal
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import Baseline, Delivery, Entry, Readback, Repeat, Return, Revision
from caldiff.ledger.finding import Proof
from caldiff.ledger.trust import Role, SignatureState, Trust, signatures
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits, place

__all__ = ["Bench", "Case", "Source", "origin"]


class Source(Protocol):
    """Where chains and kept images come from: a vault."""

    def chain(self, unit: str) -> Chain:
        """The chain of a unit. Raises CaldiffError where it cannot be read."""

    def proof(self, unit: str) -> Proof:
        """How far the unit's chain, and all that it names, is proven."""

    def calibration(self, recorded: Recorded) -> Calibration:
        """The kept image of an entry, read by the definition that it was recorded with. Raises CaldiffError."""

    def definition(self, recorded: Recorded) -> Definition | None:
        """The definition that an entry's image was recorded with. Raises CaldiffError."""

    def compared(self, before: Recorded, after: Recorded) -> Comparison:
        """The kept images of two entries, the first read by the definition of the second where that fits it.

        Raises CaldiffError.
        """

    def holds(self, digest: Digest) -> bool:
        """Whether the file is at hand."""

    def file(self, digest: Digest) -> bytes:
        """The bytes of a kept file. Raises CaldiffError."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Bench:
    """What all files of one judgement share.

    ``known``: digests of the definitions of the catalogue.
    """

    source: Source
    policy: Policy
    trust: Trust | None = None
    known: frozenset[Digest] = frozenset()
    scans: Scans = attrs.field(init=False)
    noted: dict[object, Any] = attrs.field(factory=dict, init=False)
    """small answers that rules work out once for many files, by what they are of"""

    @scans.default
    def _scans(self) -> Scans:
        return Scans(self.policy)


def origin(entry: Entry) -> Digest | None:
    """The entry that an image was made from, or should be equal to; None for a baseline."""
    match entry.body:
        case Revision(parent=parent):
            return parent
        case Repeat(baseline=baseline) | Return(baseline=baseline):
            return baseline
        case Readback(of=of) | Delivery(of=of):
            return of
        case Baseline():
            return None
        case _:
            raise LedgerError(f"entry {entry.sequence} of unit {entry.unit} has no image")


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Case:
    """A file that was traced to an entry.

    Attributes:
        calibration: its image, read by the definition that the entry was recorded with.
        recorded: the entry; ``how`` it was traced: by ``file`` or ``content``.
    """

    bench: Bench
    calibration: Calibration
    recorded: Recorded
    how: str = "file"

    @property
    def policy(self) -> Policy:
        """What is asked."""
        return self.bench.policy

    @property
    def entry(self) -> Entry:
        """The entry that the file was traced to."""
        return self.recorded.entry

    @property
    def definition(self) -> Definition | None:
        """What reads the image."""
        return self.calibration.definition

    @cached_property
    def chain(self) -> Chain:
        """Of the unit. Raises CaldiffError."""
        return self.bench.source.chain(self.entry.unit)

    @cached_property
    def proof(self) -> Proof:
        """Of the unit."""
        return self.bench.source.proof(self.entry.unit)

    @cached_property
    def lineage(self) -> tuple[Recorded, ...]:
        """The entry, what its image was made from, and so on down to the baseline. Raises LedgerError."""
        found = [self.recorded]
        while (before := origin(found[-1].entry)) is not None:
            found.append(self.chain.by_hash(before))
            if len(found) > len(self.chain.recorded):
                raise LedgerError("the entries descend from one another in a circle")
        return tuple(found)

    @property
    def baseline(self) -> Recorded:
        """The baseline that it descends from. Raises LedgerError."""
        return self.lineage[-1]

    @property
    def parent(self) -> Recorded | None:
        """What it was made from; None where it is a baseline itself. Raises LedgerError."""
        return self.lineage[1] if len(self.lineage) > 1 else None

    # ------------------------------------------------------------------------------------------------- comparisons

    def image_of(self, recorded: Recorded) -> Calibration:
        """The kept image of another entry, read by this case's definition if that fits it, else by its own.

        Raises CaldiffError.
        """
        kept = self.bench.source.calibration(recorded)
        ours = self.definition
        if ours is None or kept.definition == ours:
            return kept
        image = place(kept.image, ours)
        return Calibration(label=kept.label, image=image, definition=ours) if fits(ours, image) else kept

    def against(self, recorded: Recorded) -> Comparison:
        """The image compared with that of another entry. Raises CaldiffError."""
        facts = self.entry.image
        if facts is not None and facts.content == self.calibration.image.content and self._reads_alike(self.recorded):
            return self.bench.source.compared(recorded, self.recorded)
        return compare(self.image_of(recorded), self.calibration)

    def _reads_alike(self, recorded: Recorded) -> bool:
        """Whether an entry was recorded with this case's definition, so that what is known of its image serves here."""
        facts = recorded.entry.image
        theirs = None if facts is None or facts.definition is None else facts.definition.digest
        return theirs == (None if self.definition is None else self.definition.digest)

    @cached_property
    def against_baseline(self) -> Comparison:
        """Raises CaldiffError."""
        return self.against(self.baseline)

    @cached_property
    def against_parent(self) -> Comparison | None:
        """None where it is a baseline itself. Raises CaldiffError."""
        if self.parent is None:
            return None
        return self.against_baseline if self.parent is self.baseline else self.against(self.parent)

    @property
    def comparisons(self) -> tuple[tuple[str, Comparison], ...]:
        """Against the parent, where it is not the baseline, and against the baseline. Raises CaldiffError."""
        beside = self.against_parent
        found = [] if beside is None or beside is self.against_baseline else [("parent", beside)]
        return (*found, ("baseline", self.against_baseline))

    def step(self, recorded: Recorded) -> Comparison | None:
        """What an entry of the lineage changed against what it was made from. Raises CaldiffError."""
        if recorded is self.recorded:
            return self.against_parent
        before = origin(recorded.entry)
        if before is None:
            return None
        return self.between(self.chain.by_hash(before), recorded)

    def between(self, before: Recorded, after: Recorded) -> Comparison:
        """The kept images of two entries compared. Raises CaldiffError."""
        if self._reads_alike(after):
            return self.bench.source.compared(before, after)
        return compare(self.image_of(before), self.image_of(after))

    def confirms(self, recorded: Recorded, of: Recorded) -> bool:
        """Whether a read shows the image of another entry, volatile regions aside: reckoned, not believed."""
        try:
            comparison = self.between(of, recorded)
        except CaldiffError:
            return False
        return comparison.only_volatile

    def scanned(self, rule: str) -> tuple[Refusal, ...]:
        """What is wrong with the values of tables, whatever they were before. Raises CaldiffError."""
        return self.bench.scans.refusals(self.calibration, rule, self.against_baseline)

    # -------------------------------------------------------------------------------------------------- signatures

    def states(self, recorded: Recorded) -> tuple[SignatureState, ...]:
        """What the signatures of an entry are worth. Raises SignatureError where a trusted key is none."""
        key = ("states", recorded.envelope)
        if key not in self.bench.noted:
            states = signatures(recorded.envelope, recorded.entry.draft.time, self.bench.trust)
            self.bench.noted[key] = states
        noted: tuple[SignatureState, ...] = self.bench.noted[key]
        return noted

    def signers(self, recorded: Recorded, roles: Iterable[Role] | None = None) -> frozenset[str]:
        """Names of the people who signed an entry rightly, with a key of one of the roles."""
        wanted = None if roles is None else set(roles)
        return frozenset(
            state.name
            for state in self.states(recorded)
            if state.state == "valid" and state.name and (wanted is None or wanted & set(state.roles))
        )

    def counts(self, recorded: Recorded) -> bool:
        """Whether an entry has the signatures that the policy asks of its kind; without them it proves nothing."""
        wanted = self.policy.signed(recorded.entry.kind)
        return wanted is None or len(self.signers(recorded, wanted.roles)) >= wanted.people
