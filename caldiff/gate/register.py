"""What the gate asks a vault: which entries a file may be, and everything that the rules read of a unit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal

import attrs

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.diff.model import Comparison
from caldiff.errors import CaldiffError, UsageError
from caldiff.gate.policy import Policy
from caldiff.image.limits import Limits
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.ledger.chain import Chain, Head, Recorded
from caldiff.ledger.entry import Entry
from caldiff.ledger.finding import LEVELS, Finding, LevelState, Proof, proof_of
from caldiff.ledger.trust import Trust
from caldiff.table.calibration import Calibration
from caldiff.trace.kept import Kept as Images
from caldiff.value import Value

if TYPE_CHECKING:
    from caldiff.vault.vault import Vault

__all__ = ["Kept", "Register", "VaultSource"]

_COMPARISONS = 64
"""remembered: about as many as a unit of 32 revisions has, whose images they hold"""
_IMAGES = {"baseline", "repeat", "revision", "readback"}
"""kinds of entry that have an image of their own"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Kept(Value):
    """An entry that a file may be, and how that was told."""

    unit: str
    sequence: int
    hash: Digest
    kind: str
    how: Literal["file", "content"] = "file"


class Register:
    """Entries by the digests of their files and, once that is asked, by the content of their images.

    ``notes``: units that cannot be read, so that nothing is traced to them.
    """

    def __init__(self, vault: Vault) -> None:
        self._vault = vault
        self._files: dict[Digest, list[Kept]] = {}
        self._contents: dict[Digest, list[Kept]] | None = None
        self._starts: set[int] = set()
        self.units: tuple[str, ...] = vault.units()
        self.count = 0
        self.notes: list[str] = []

    @classmethod
    def of(cls, vault: Vault) -> Register:
        """Of all units. Raises VaultError where they cannot be listed."""
        found = cls(vault)
        for unit in found.units:
            try:
                links = vault.links(unit)
            except CaldiffError as error:
                found.notes.append(f"Unit {unit} cannot be read, so no file can be traced to it: {error}")
                continue
            found.count += len(links)
            for link in links:
                if link.kind in _IMAGES and link.subjects:
                    kept = Kept(unit=unit, sequence=link.sequence, hash=link.hash, kind=link.kind)
                    found._files.setdefault(link.subjects[0][1], []).append(kept)
        return found

    def traced(self, data: bytes | Image, digest: Digest | None, *, name: str, limits: Limits) -> tuple[Kept, ...]:
        """The entries that a file may be, the newest of each unit first: by its bytes, else by its content.

        Raises:
            ImageError: it is recorded by no entry as it is, and is no image.
        """
        if digest is not None and digest in self._files:
            return _newest_first(self._files[digest])
        image = data if isinstance(data, Image) else read_image(data, name=name, limits=limits)
        contents = self._by_content()
        for content in self._possible(image):
            if content in contents:
                return _newest_first(contents[content])
        return ()

    def _possible(self, image: Image) -> Iterator[Digest]:
        """The content digests that the image may have: a raw binary does not say where it begins."""
        yield image.content
        if image.source is not None and image.source.format == "binary" and not image.start:
            for start in sorted(self._starts):
                try:
                    yield image.moved(start=start).content
                except UsageError:
                    continue

    def _by_content(self) -> dict[Digest, list[Kept]]:
        if self._contents is None:
            self._contents = {}
            for kept in {k.hash: k for found in self._files.values() for k in found}.values():
                try:
                    facts = self._vault.chain(kept.unit).by_hash(kept.hash).entry.image
                except CaldiffError:
                    continue
                if facts is not None:
                    self._contents.setdefault(facts.content, []).append(attrs.evolve(kept, how="content"))
                    self._starts.add(facts.start)
        return self._contents


def _newest_first(found: list[Kept]) -> tuple[Kept, ...]:
    return tuple(sorted(found, key=lambda kept: (-kept.sequence, kept.unit)))


class _Images(Images):
    """What a vault keeps, with the comparisons of a unit remembered: proof and rules ask for the same ones."""

    def __init__(self, vault: Vault, *, limits: Limits) -> None:
        super().__init__(vault, limits=limits)
        self._remembered: dict[tuple[Digest, Digest], Comparison] = {}

    def compared(self, before: Entry, after: Entry) -> Comparison:
        """As :class:`caldiff.trace.kept.Kept` has it."""
        key = (before.hash, after.hash)
        if key not in self._remembered:
            while len(self._remembered) >= _COMPARISONS:
                self._remembered.pop(next(iter(self._remembered)))
            self._remembered[key] = super().compared(before, after)
        return self._remembered[key]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class VaultSource:
    """A vault as the rules see it: chains, proofs and images, each worked out once.

    Definitions are read from what was kept of them even where the catalogue has the same: that too is to be proven.
    """

    vault: Vault
    policy: Policy
    trust: Trust | None
    pinned: tuple[Head, ...]
    checkpoint: bytes | None = None
    limits: Limits = attrs.field(factory=Limits)
    _chains: dict[str, Chain] = attrs.field(factory=dict, init=False)
    _proofs: dict[str, Proof] = attrs.field(factory=dict, init=False)
    _kept: _Images = attrs.field(init=False)

    @_kept.default
    def _opened(self) -> _Images:
        return _Images(self.vault, limits=self.limits)

    def chain(self, unit: str) -> Chain:
        """See :class:`caldiff.gate.case.Source`."""
        if unit not in self._chains:
            self._chains[unit] = self.vault.chain(unit)
        return self._chains[unit]

    def proof(self, unit: str) -> Proof:
        """See :class:`caldiff.gate.case.Source`."""
        if unit not in self._proofs:
            self._proofs[unit] = self._proven(unit)
        return self._proofs[unit]

    def calibration(self, recorded: Recorded) -> Calibration:
        """See :class:`caldiff.gate.case.Source`."""
        return self._kept.calibration(recorded.entry)

    def definition(self, recorded: Recorded) -> Definition | None:
        """See :class:`caldiff.gate.case.Source`."""
        fact = self._kept.facts(recorded.entry).definition
        return None if fact is None else self._kept.definition(fact)

    def compared(self, before: Recorded, after: Recorded) -> Comparison:
        """See :class:`caldiff.gate.case.Source`."""
        return self._kept.compared(before.entry, after.entry)

    def holds(self, digest: Digest) -> bool:
        """See :class:`caldiff.gate.case.Source`."""
        return self.vault.holds(digest)

    def file(self, digest: Digest) -> bytes:
        """See :class:`caldiff.gate.case.Source`."""
        return self.vault.fetch(digest)

    def _proven(self, unit: str) -> Proof:
        """As far as the policy asks, and further where there is something to hold it against."""
        from caldiff.trace.verification import verify  # noqa: PLC0415 - brings numpy

        asked = set(self.policy.proof)
        asked |= {"signatures"} if self.trust is not None else set()
        asked |= {"head"} if self.pinned or self.checkpoint is not None else set()
        try:
            found = verify(
                self.vault,
                units=(unit,),
                levels=tuple(level for level in LEVELS if level in asked),
                trust=self.trust,
                pinned=tuple(head for head in self.pinned if head.unit == unit),
                checkpoint=self.checkpoint,
                kept=self._kept,
            )
        except CaldiffError as error:
            fault = Finding(level="links", text="the unit cannot be verified", unit=unit, got=str(error))
            return proof_of({}, {}, [fault])
        own = [one.proof for one in found.units if one.unit == unit]
        if not own:
            return proof_of({}, {}, [Finding(level="links", text="the unit was not verified", unit=unit)])
        return _with(own[0], [*found.general, *self._lost()])

    def _lost(self) -> Iterator[Finding]:
        """Heads of units that the vault does not have at all."""
        units = set(self.vault.units())
        for head in self.pinned:
            if head.unit not in units:
                text = "the vault lacks a unit that a head was kept of"
                yield Finding(level="head", text=text, unit=head.unit, expected=head.text)


def _with(proof: Proof, findings: list[Finding]) -> Proof:
    """The proof with more findings, whose faults fail their levels."""
    failed = {finding.level for finding in findings if finding.fault}
    levels = tuple(
        LevelState(level=one.level, state="failed", reason=one.reason) if one.level in failed else one
        for one in proof.levels
    )
    return Proof(levels=levels, findings=(*proof.findings, *findings))
