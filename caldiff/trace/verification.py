"""``verify``: everything that can be said of whether a vault holds, level by level and unit by unit."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError
from caldiff.ledger.chain import Chain, Head, head_findings
from caldiff.ledger.finding import LEVELS, Finding, Level, Proof, proof_of
from caldiff.trace.kept import Kept
from caldiff.trace.signers import signature_findings, signature_states
from caldiff.value import Shown, Value
from caldiff.vault.appending import files_of

if TYPE_CHECKING:
    from caldiff.ledger.trust import Trust
    from caldiff.table.personal import Key
    from caldiff.vault.vault import Vault

__all__ = ["UnitProof", "Verification", "verify"]

Progress = Callable[[int, int], None]
_OBJECT = re.compile(r"objects/../([0-9a-f]{64})", re.ASCII)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class UnitProof(Value):
    """How far one unit is proven. ``entries`` is the number of those that can be read."""

    unit: str
    proof: Proof
    entries: int


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Verification(Shown):
    """How far a vault is proven.

    Attributes:
        vault: its folder.
        units: every unit that was asked for.
        general: what was found that belongs to none of them.
    """

    vault: str
    units: tuple[UnitProof, ...]
    general: tuple[Finding, ...] = ()

    @property
    def sound(self) -> bool:
        """No level of a unit failed, and nothing of the vault as a whole. What was not checked proves nothing."""
        return all(unit.proof.sound for unit in self.units) and not any(finding.fault for finding in self.general)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything found, first of the vault as a whole."""
        return (*self.general, *(finding for unit in self.units for finding in unit.proof.findings))

    def held(self, level: Level) -> bool:
        """Whether the level was checked and holds for every unit, of which there is one at least, and for the vault."""
        failed = any(finding.fault and finding.level == level for finding in self.general)
        return bool(self.units) and not failed and all(unit.proof.held(level) for unit in self.units)

    def __repr__(self) -> str:
        word = "sound" if self.sound else "not sound"
        return f"<Verification of {self.vault}: {word}, {len(self.units)} units, {len(self.findings)} findings>"


def verify(  # noqa: PLR0913 - one keyword a thing that is asked for, or asked with
    vault: Vault,
    *,
    units: Iterable[str] | None = None,
    levels: Iterable[Level] = LEVELS,
    trust: Trust | None = None,
    pinned: Sequence[Head] = (),
    checkpoint: bytes | None = None,
    key: Key | None = None,
    kept: Kept | None = None,
    progress: Progress | None = None,
) -> Verification:
    """Verify a vault. Damage is found and told, never raised.

    Args:
        vault: which.
        units: only these; by default all. One that is not there fails.
        levels: what to go into. Links are always looked at: all else rests on them.
        trust: the keys that count; without them nothing is said of signatures.
        pinned: heads that were noted elsewhere.
        checkpoint: one that was kept elsewhere.
        key: with it, what personal identity is matched by is reckoned again too.
        kept: what the vault keeps, where it is open already: in several calls, definitions are then read once.
        progress: told how much is done and of how much: of all files, then of the entries of each unit.

    Raises:
        SignatureError: a trusted key cannot be read.
    """
    asked = _Asked(
        vault=vault,
        levels=frozenset(levels) | {"links"},
        trust=trust,
        pinned=tuple(pinned),
        checkpoint=checkpoint,
        key=key,
        kept=kept or Kept(vault),
        progress=progress,
    )
    return asked.answer(None if units is None else tuple(dict.fromkeys(units)))


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Asked:
    """What was asked for, and with what."""

    vault: Vault
    levels: frozenset[Level]
    trust: Trust | None
    pinned: tuple[Head, ...]
    checkpoint: bytes | None
    key: Key | None
    kept: Kept
    progress: Progress | None

    def answer(self, units: tuple[str, ...] | None) -> Verification:
        """The proof of these units, or of all."""
        there, general = self._there()
        names = there if units is None else units
        whole = [*self._bytes(units), *self._vault_head()]
        general += [finding for finding in whole if finding.unit not in names]
        general += self._pinned_elsewhere(names, there)
        head_failed = any(finding.fault and finding.level == "head" and finding.unit is None for finding in whole)
        covered = {} if head_failed else self._covered()
        proofs = tuple(self._unit(unit, whole, covered, there=unit in there) for unit in names)
        return Verification(vault=self.vault.folder, units=proofs, general=tuple(general))

    def _there(self) -> tuple[tuple[str, ...], list[Finding]]:
        try:
            return self.vault.units(), []
        except CaldiffError as error:
            return (), [Finding(level="links", text=error.reason, file=error.file)]

    def _bytes(self, units: tuple[str, ...] | None) -> list[Finding]:
        found: list[Finding] = []
        if "bytes" in self.levels:
            try:
                found.extend(self.vault.byte_findings(units, self.progress))
            except CaldiffError as error:
                found.append(Finding(level="bytes", text=error.reason, file=error.file))
        return found

    def _vault_head(self) -> tuple[Finding, ...]:
        """What a checkpoint that was kept elsewhere says against the vault; without one, its own ones."""
        if "head" not in self.levels:
            return ()
        from caldiff.vault.checkpoints import check, tree_findings  # noqa: PLC0415 - one question of many

        if self.checkpoint is None:
            return tree_findings(self.vault)
        return check(self.vault, self.checkpoint, self.trust)

    def _pinned_elsewhere(self, names: Sequence[str], there: Sequence[str]) -> Iterator[Finding]:
        """What is wrong with pinned units that are not asked for, or not there: a head that is given is looked at."""
        for head in self.pinned if "head" in self.levels else ():
            if head.unit not in names:
                chain = self.vault.survey(head.unit)[0] if head.unit in there else None
                yield from head_findings(chain, head) if chain is not None else (_missing(head),)

    def _covered(self) -> Mapping[str, int]:
        """The last entry of every unit that the checkpoint speaks of."""
        if "head" not in self.levels or self.checkpoint is None:
            return {}
        from caldiff.ledger.checkpoint import read_checkpoint  # noqa: PLC0415 - as above
        from caldiff.vault.checkpoints import tree_of  # noqa: PLC0415 - as above

        try:
            leaves = tree_of(self.vault).leaves[: read_checkpoint(self.checkpoint).size]
        except CaldiffError:
            return {}
        return {leaf.unit: leaf.sequence for leaf in leaves}

    # ------------------------------------------------------------------------------------------------ one unit

    def _unit(self, unit: str, whole: Sequence[Finding], covered: Mapping[str, int], *, there: bool) -> UnitProof:
        chain, findings = self.vault.survey(unit) if there else (None, (_no_unit(unit),))
        said = _Said(findings=[*findings, *(finding for finding in whole if finding.unit == unit)])
        entries = 0 if chain is None else len(chain.recorded)
        said.checked["links"] = f"{entries} entries"
        if chain is None:
            said.unchecked |= dict.fromkeys(self.levels, "no entry can be read")
        else:
            self._levels(chain, said, whole, covered.get(unit))
        return UnitProof(unit=unit, proof=proof_of(said.checked, said.unchecked, said.findings), entries=entries)

    def _levels(self, chain: Chain, said: _Said, whole: Sequence[Finding], covered: int | None) -> None:
        """All levels above the links, as far as they are asked for."""
        broken = any(finding.fault and finding.level == "links" for finding in said.findings)
        if "bytes" in self.levels:
            said.findings += _shared(chain, whole)
            said.checked["bytes"] = "every file that its entries name"
        if "meaning" in self.levels and broken:
            said.unchecked["meaning"] = "the chain is broken"
        elif "meaning" in self.levels:
            from caldiff.trace.replay import replay  # noqa: PLC0415 - brings numpy

            again = replay(self.vault, chain, key=self.key, kept=self.kept, progress=self.progress)
            said.findings += again
            said.checked["meaning"] = f"{len(chain.recorded)} entries"
        if "signatures" in self.levels:
            self._signatures(chain, said)
        if "head" in self.levels:
            self._head(chain, said, covered)

    def _signatures(self, chain: Chain, said: _Said) -> None:
        if self.trust is None:
            said.unchecked["signatures"] = "no trusted keys were given"
            return
        signed, found = signature_findings(chain, signature_states(chain, self.trust))
        said.findings += found
        (said.checked if signed else said.unchecked)["signatures"] = signed or "no entry is signed by a trusted key"

    def _head(self, chain: Chain, said: _Said, covered: int | None) -> None:
        heads = [head for head in self.pinned if head.unit == chain.unit]
        said.findings += [finding for head in heads for finding in head_findings(chain, head)]
        known = [head.sequence for head in heads] + ([covered] if covered is not None else [])
        if known:
            said.checked["head"] = f"up to entry {max(known)} of {chain.head.entry.sequence}"
        elif self.checkpoint is not None:
            said.unchecked["head"] = "the checkpoint does not cover it, or does not hold"
        else:
            said.unchecked["head"] = "nothing was pinned outside the vault"


@attrs.define(kw_only=True, eq=False, repr=False)
class _Said:
    """What there is to say of one unit so far."""

    findings: list[Finding]
    checked: dict[Level, str] = attrs.field(factory=dict)
    unchecked: dict[Level, str] = attrs.field(factory=dict)


def _shared(chain: Chain, whole: Sequence[Finding]) -> Iterator[Finding]:
    """What was found of files that this unit names too, and that was told of another unit, or of none."""
    named: dict[Digest, int] = {}
    for entry in chain.entries:
        for subject in files_of(entry.draft):
            named.setdefault(subject.file, entry.sequence)
    for finding in whole:
        match = _OBJECT.match(finding.file or "") if finding.level == "bytes" and finding.unit != chain.unit else None
        if match is not None and (digest := Digest(hex=match[1])) in named:
            yield attrs.evolve(finding, unit=chain.unit, sequence=named[digest])


def _no_unit(unit: str) -> Finding:
    return Finding(level="links", text=f"the vault has no unit {unit}", unit=unit)


def _missing(head: Head) -> Finding:
    return Finding(
        level="head",
        text=f"the pinned unit {head.unit} is not in the vault",
        expected=head.text,
        hint="look for it in another copy of the vault",
    )
