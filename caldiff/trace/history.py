"""``history``: the chain of a unit as a readable list. No image is restored for it, and nothing reckoned again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import attrs

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError
from caldiff.ledger.chain import Chain
from caldiff.ledger.entry import Changes, ChecksumFact, Entry, Readback, Repeat, Revision
from caldiff.ledger.finding import Finding, Level, Proof, proof_of
from caldiff.trace.signers import signature_findings, signature_states
from caldiff.value import Shown, Value

if TYPE_CHECKING:
    from caldiff.ledger.trust import SignatureState, Trust
    from caldiff.vault.vault import Vault

__all__ = ["History", "Row", "history"]

_DEEPER = "caldiff verify goes into it"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Row(Value):
    """One entry, with what hangs on it.

    Attributes:
        entry: itself.
        of, parent, baseline: sequence numbers of the entries that it names; None where it names none, or one that is
            not to be found.
        evidence, approvals, deliveries: sequence numbers of the entries about it.
        signatures: what they are worth; without trusted keys every key is unknown.
        remarks: what else there is to say of it, a sentence each.
        findings: what is wrong with it, or odd, of all that a history looks at.
    """

    entry: Entry
    of: int | None = None
    parent: int | None = None
    baseline: int | None = None
    evidence: tuple[int, ...] = ()
    approvals: tuple[int, ...] = ()
    deliveries: tuple[int, ...] = ()
    signatures: tuple[SignatureState, ...] = ()
    remarks: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def sequence(self) -> int:
        """Its number."""
        return self.entry.sequence

    @property
    def hash(self) -> Digest:
        """What names it everywhere."""
        return self.entry.hash

    @property
    def changes(self) -> Changes | None:
        """What its image changed: of a revision against the parent, of a repeat or readback against what it repeats."""
        match self.entry.body:
            case Revision(against_parent=found) | Repeat(changes=found) | Readback(changes=found):
                return found
            case _:
                return None

    @property
    def checksums(self) -> tuple[ChecksumFact, ...]:
        """The checksums of its image with their states; none where there is no image."""
        return () if self.entry.image is None else self.entry.image.checksums

    @property
    def signers(self) -> tuple[str, ...]:
        """The names of those whose signatures count."""
        return tuple(state.name for state in self.signatures if state.state == "valid" and state.name is not None)

    @property
    def sound(self) -> bool:
        """Nothing that a history looks at speaks against it."""
        return not any(finding.fault for finding in self.findings)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class History(Shown):
    """All that was recorded of a unit, the oldest first, as far as it can be read; and how far it is proven."""

    unit: str
    rows: tuple[Row, ...]
    proof: Proof

    def __repr__(self) -> str:
        word = "sound" if self.proof.sound else "not sound"
        return f"<History of {self.unit}: {len(self.rows)} entries, {word}>"


def history(vault: Vault, unit: str, *, trust: Trust | None = None) -> History:
    """The history of a unit: its links are checked, and with trusted keys the signatures. Damage is told, never raised.

    Raises:
        SignatureError: a trusted key cannot be read.
    """
    chain, links = _survey(vault, unit)
    checked: dict[Level, str] = {"links": f"{0 if chain is None else len(chain.recorded)} entries"}
    unchecked: dict[Level, str] = {"bytes": _DEEPER, "meaning": _DEEPER, "head": _DEEPER}
    if chain is None:
        return History(unit=unit, rows=(), proof=proof_of(checked, unchecked, links))
    states = signature_states(chain, trust)
    findings = list(links)
    if trust is None:
        unchecked["signatures"] = "no trusted keys were given"
    else:
        signed, found = signature_findings(chain, states)
        findings += found
        (checked if signed else unchecked)["signatures"] = signed or "no entry is signed by a trusted key"
    rows = _rows(chain, states, findings, asked=trust is not None)
    return History(unit=unit, rows=rows, proof=proof_of(checked, unchecked, findings))


def _survey(vault: Vault, unit: str) -> tuple[Chain | None, tuple[Finding, ...]]:
    try:
        if unit in vault.units():
            return vault.survey(unit)
        text, file = f"the vault has no unit {unit}", None
    except CaldiffError as error:
        text, file = error.reason, error.file
    return None, (Finding(level="links", text=text, unit=unit, file=file),)


def _rows(
    chain: Chain, states: tuple[tuple[SignatureState, ...], ...], findings: list[Finding], *, asked: bool
) -> tuple[Row, ...]:
    numbers = {entry.hash: entry.sequence for entry in chain.entries}
    about: dict[Digest, dict[str, list[int]]] = {}
    for entry in chain.entries:
        if (of := getattr(entry.body, "of", None)) is not None:
            about.setdefault(of, {}).setdefault(entry.kind, []).append(entry.sequence)
    rows = []
    for entry, signed in zip(chain.entries, states, strict=True):
        hanging = about.get(entry.hash, {})
        rows.append(
            Row(
                entry=entry,
                of=_number(entry, "of", numbers),
                parent=_number(entry, "parent", numbers),
                baseline=_number(entry, "baseline", numbers),
                evidence=tuple(hanging.get("evidence", ())),
                approvals=tuple(hanging.get("approval", ())),
                deliveries=tuple(hanging.get("delivery", ())),
                signatures=signed,
                remarks=tuple(_remarks(chain, entry, signed, asked=asked)),
                findings=tuple(finding for finding in findings if finding.sequence == entry.sequence),
            )
        )
    return tuple(rows)


def _number(entry: Entry, name: str, numbers: Mapping[Digest, int]) -> int | None:
    named = getattr(entry.body, name, None)
    return None if named is None or not isinstance(named, Digest) else numbers.get(named)


def _remarks(chain: Chain, entry: Entry, signed: tuple[SignatureState, ...], *, asked: bool) -> Iterator[str]:
    """What an entry by itself does not show."""
    if asked and not signed:
        yield "not signed"
    stock = entry.body.baseline if isinstance(entry.body, Repeat) else None
    if stock is not None and chain.holds(stock) and chain.by_hash(stock).entry.file == entry.file:
        yield "the very file of the baseline: it confirms it only if the unit was read a second time"
