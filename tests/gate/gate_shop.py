"""A shop of 256 bytes for the tests of the gate: a definition, images, chains with signatures, all made up by hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import attrs

from caldiff.canonical import Digest
from caldiff.definition.catalogue import definition_from_text
from caldiff.definition.definition import Definition
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.errors import VaultError
from caldiff.gate.case import Bench, Case
from caldiff.gate.policy_file import policy_from_text
from caldiff.gate.rules.every import RULES
from caldiff.gate.verdict import RuleOutcome
from caldiff.image.reading import read_image
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import Approval, Baseline, Body, Draft, Evidence, Readback, Repeat, Revision, Subject
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.finding import LEVELS, Level, Proof, proof_of
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.statement import place
from caldiff.ledger.trust import Role, Trust, TrustedKey
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits
from caldiff.trace.facts import changes, finding_of, image_facts

TINY = """
definition: 1
name: tiny-1
image: {start: 0, size: 256, byte_order: big}
fits: [{at: 0, text: TINY}]
identity:
  software: {at: 0x08, text: 4, means: software-version}
  hardware: {at: 0x0C, number: u16, means: hardware-number}
  vin: {at: 0x10, text: 17, means: vin, check_digit: false}
  made: {at: 0x22, bcd: 2}
regions:
  - {name: head, at: 0, size: 0x30, role: identity}
  - {name: program, at: 0x30, size: 0x10, role: code}
  - {name: cal, at: 0x40, size: 0x80, role: calibration}
  - {name: sums, at: 0xC0, size: 0x10, role: checksum}
  - {name: learned, at: 0xD0, size: 0x10, role: volatile}
axes:
  speed: {at: 0x40, type: u8, count: 4, scaling: {factor: 100, unit: rpm}}
tables:
  spark:
    {at: 0x44, type: u8, x: speed, y: {list: [1, 2]}, scaling: {factor: 1/2, offset: -40, unit: degCA},
     limits: [-10, 45], tags: [ignition], aliases: [ignition_map]}
  fuel: {at: 0x50, type: u16, shape: 4, scaling: {factor: 1/10, unit: ms}}
  lamp: {at: 0x58, type: u8, tags: [emissions]}
  switches: {at: 0x59, type: u8, scaling: {bits: {a: 0, b: 1}}}
  curved: {at: 0x60, type: f32, scaling: {unit: bar}}
checksums:
  - {name: main, over: [cal], sum: {words: u8, bits: 16}, stored: {at: 0xC0, type: u16}}
  - {name: seal, over: [program], opaque: a seal, stored: {at: 0xC4, type: u16}}
"""
DEFINITION = definition_from_text(TINY)


def summed(data: bytes) -> bytes:
    """The same with the sum of bytes 0x40 to 0xBF where it rests."""
    return data[:0xC0] + (sum(data[0x40:0xC0]) % 65536).to_bytes(2, "big") + data[0xC2:]


def _stock() -> bytes:
    data = bytearray(256)
    data[0:4] = b"TINY"
    data[0x08:0x0C] = b"1.00"
    data[0x0C:0x0E] = (4711).to_bytes(2, "big")
    data[0x10:0x21] = b"00TINY00000000017"
    data[0x22:0x24] = b"\x20\x26"
    data[0x30:0x40] = range(16)
    data[0x40:0x44] = bytes([10, 20, 30, 40])
    data[0x44:0x4C] = bytes([100, 102, 104, 106, 110, 112, 114, 116])  # 10, 11, 12, 13 / 15, 16, 17, 18 degCA
    data[0x50:0x58] = b"".join(n.to_bytes(2, "big") for n in (100, 110, 120, 130))  # 10 to 13 ms
    data[0x58:0x5A] = bytes([50, 1])
    data[0x60:0x64] = bytes.fromhex("3f800000")  # 1.0 bar
    data[0xC4:0xC6] = b"\xbe\xef"
    return summed(bytes(data))


STOCK = _stock()


def changed(patches: Mapping[int, bytes], data: bytes = STOCK, *, right: bool = True) -> bytes:
    """The image with other bytes, and its checksum made right again."""
    found = bytearray(data)
    for at, piece in patches.items():
        found[at : at + len(piece)] = piece
    return summed(bytes(found)) if right else bytes(found)


WARMER = changed({0x44: b"\x65"})
"""the first cell of spark at 10.5 degCA"""

READER, MAKER, BOSS, OTHER, STRANGER = (PrivateKey.of_seed(bytes([n]) * 32) for n in range(1, 6))


def trusted(name: str, key: PrivateKey, *roles: Role, **times: str) -> TrustedKey:
    return TrustedKey(name=name, key=key.public.text, roles=roles, **times)


TRUST = Trust(
    name="shop",
    digest=Digest.of(b"made up"),
    keys=(
        trusted("R. Reader", READER, "reader"),
        trusted("M. Maker", MAKER, "calibrator", "approver"),
        trusted("B. Boss", BOSS, "approver"),
        trusted("O. Other", OTHER, "approver"),
    ),
)


def time_on(day: int) -> str:
    """Noon of a day of March 2026, or of a later month."""
    return f"2026-{3 + (day - 1) // 30:02}-{(day - 1) % 30 + 1:02}T12:00:00Z"


@attrs.define
class Shop:
    """One unit's chain and what is kept of it, standing in for a vault."""

    read_by: Definition | None = DEFINITION
    recorded: list[Recorded] = attrs.Factory(list)
    images: dict[Digest, Calibration] = attrs.Factory(dict)
    files: dict[Digest, bytes] = attrs.Factory(dict)
    lost: set[Digest] = attrs.Factory(set)
    levels: dict[Level, str] = attrs.Factory(lambda: dict.fromkeys(LEVELS, "all"))
    findings: list[Any] = attrs.Factory(list)

    # -------------------------------------------------------------------------------------- caldiff.gate.case.Source

    def chain(self, unit: str) -> Chain:
        assert unit == "van-1"
        return Chain(unit=unit, recorded=tuple(self.recorded))

    def proof(self, unit: str) -> Proof:
        assert unit == "van-1"
        return proof_of(self.levels, {}, self.findings)

    def calibration(self, recorded: Recorded) -> Calibration:
        file = recorded.entry.file
        if file is None or file in self.lost:
            raise VaultError("the file is not in the vault")
        return self.images[recorded.entry.hash]

    def definition(self, recorded: Recorded) -> Definition | None:
        return self.images[recorded.entry.hash].definition

    def compared(self, before: Recorded, after: Recorded) -> Comparison:
        was, now = self.calibration(before), self.calibration(after)
        if now.definition is not None and fits(now.definition, was.image):
            was = attrs.evolve(was, definition=now.definition)
        return compare(was, now)

    def holds(self, digest: Digest) -> bool:
        return digest not in self.lost

    def file(self, digest: Digest) -> bytes:
        if digest in self.lost:
            raise VaultError("the file is not in the vault")
        return self.files[digest]

    # ---------------------------------------------------------------------------------------------------- recording

    def read(self, data: bytes, label: str = "image.bin") -> Calibration:
        return Calibration(label=label, image=read_image(data, name=label, format="binary"), definition=self.read_by)

    def add(
        self, body: Body, day: int, *signers: PrivateKey, author: str = "M. Maker", subjects: Sequence[Subject] = ()
    ) -> Recorded:
        draft = Draft(body=body, time=time_on(day), author=author, subjects=tuple(subjects))
        previous = self.recorded[-1].entry.hash if self.recorded else None
        entry, payload = place(draft, unit="van-1", sequence=len(self.recorded), previous=previous)
        self.recorded.append(Recorded(entry=entry, envelope=Envelope.sealed(payload, signers)))
        return self.recorded[-1]

    def _image(self, data: bytes) -> tuple[Calibration, Any, list[Subject]]:
        calibration = self.read(data)
        file = Subject(name="image.bin", file=Digest.of(data))
        return calibration, image_facts(calibration, files=(), key=None), [file]

    def baseline(self, data: bytes = STOCK, *, day: int = 1, signers: Iterable[PrivateKey] = (READER,)) -> Recorded:
        calibration, facts, subjects = self._image(data)
        found = self.add(Baseline(image=facts), day, *signers, author="R. Reader", subjects=subjects)
        self.images[found.entry.hash] = calibration
        return found

    def repeat(
        self, of: Recorded, data: bytes = STOCK, *, day: int = 1, signers: Iterable[PrivateKey] = (READER,)
    ) -> Recorded:
        calibration, facts, subjects = self._image(data)
        found = changes(compare(self.calibration(of), calibration))
        body = Repeat(image=facts, baseline=of.entry.hash, changes=found)
        entry = self.add(body, day, *signers, author="R. Reader", subjects=subjects)
        self.images[entry.entry.hash] = calibration
        return entry

    def revision(  # noqa: PLR0913 - one keyword a fact
        self,
        parent: Recorded,
        data: bytes,
        *,
        day: int = 2,
        signers: Iterable[PrivateKey] = (MAKER,),
        authorities: Mapping[str, str] | None = None,
        author: str = "M. Maker",
        baseline: Recorded | None = None,
    ) -> Recorded:
        calibration, facts, subjects = self._image(data)
        stock = baseline or self.chain("van-1").baseline_of(parent.entry)
        body = Revision(
            image=facts,
            parent=parent.entry.hash,
            baseline=stock.entry.hash,
            against_parent=changes(compare(self.calibration(parent), calibration)),
            against_baseline=changes(compare(self.calibration(stock), calibration)),
            authorities=tuple((authorities or {}).items()),
        )
        entry = self.add(body, day, *signers, author=author, subjects=subjects)
        self.images[entry.entry.hash] = calibration
        return entry

    def readback(self, of: Recorded, data: bytes, *, day: int, signers: Iterable[PrivateKey] = (READER,)) -> Recorded:
        calibration, facts, subjects = self._image(data)
        found = compare(self.calibration(of), calibration)
        body = Readback(image=facts, of=of.entry.hash, changes=changes(found), finding=finding_of(found))
        entry = self.add(body, day, *signers, author="R. Reader", subjects=subjects)
        self.images[entry.entry.hash] = calibration
        return entry

    def evidence(
        self,
        of: Recorded,
        sort: str = "log",
        *,
        day: int,
        signers: Iterable[PrivateKey] = (READER,),
        file: bytes = b"l",
    ) -> Recorded:
        subject = Subject(name=f"{sort}.csv", file=Digest.of(file, sort.encode()))
        return self.add(Evidence(of=of.entry.hash, sort=sort), day, *signers, author="R. Reader", subjects=[subject])

    def approval(
        self, of: Recorded, *signers: PrivateKey, day: int = 3, author: str = "", role: str = "approver"
    ) -> Recorded:
        return self.add(Approval(of=of.entry.hash, role=role), day, *signers, author=author)

    # ------------------------------------------------------------------------------------------------------- asking

    def case(  # noqa: PLR0913 - one keyword a fact
        self,
        policy: str,
        recorded: Recorded,
        *,
        trust: Trust | None = TRUST,
        data: bytes | None = None,
        how: str = "file",
        known: frozenset[Digest] = frozenset([DEFINITION.digest]),
    ) -> Case:
        text = policy if policy.startswith("policy:") else f"policy: 1\nname: made\n{policy}\n"
        bench = Bench(source=self, policy=policy_from_text(text), trust=trust, known=known)
        calibration = self.images[recorded.entry.hash] if data is None else self.read(data)
        return Case(bench=bench, calibration=calibration, recorded=recorded, how=how)

    def ask(self, rule: str, policy: str, recorded: Recorded, **more: Any) -> RuleOutcome:
        """What one rule says of an entry's image under a policy, of which this is the body."""
        return RULES[rule](self.case(policy, recorded, **more))


def told(outcome: RuleOutcome) -> str:
    """All that an outcome says, for a look at its words."""
    parts = [outcome.read]
    for refusal in outcome.refusals:
        assert refusal.rule == outcome.rule
        assert refusal.text
        assert not refusal.text.endswith(".")
        assert refusal.wanted
        parts += [refusal.text, refusal.found, refusal.wanted]
    return " | ".join(parts)
