"""Small vaults to make checkpoints of and to carry about: invented bytes, recorded as a calibrator would."""

from __future__ import annotations

import random
from pathlib import Path

from caldiff.canonical import Digest
from caldiff.image.reading import read_image
from caldiff.ledger.chain import Recorded
from caldiff.ledger.entry import Baseline, Changes, Draft, ImageFacts, Note, Revision, Subject
from caldiff.ledger.signing import PrivateKey
from caldiff.vault.vault import Vault

KEY, OTHER = PrivateKey.of_seed(bytes(range(32))), PrivateKey.of_seed(bytes(32))


def stock(seed: int, size: int = 20_000) -> bytes:
    return random.Random(seed).randbytes(size)


def changed(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]


def vault_at(folder: Path, digit: str = "a") -> Vault:
    return Vault.create(folder, id=digit * 32)


def time_of(n: int) -> str:
    return f"2026-03-{1 + n // 24:02}T{n % 24:02}:00:00Z"


def facts(data: bytes) -> ImageFacts:
    return ImageFacts(format="binary", size=len(data), start=0, content=Digest.of(b"content", data))


def baseline(vault: Vault, unit: str, data: bytes, *, whole: bool = True) -> Recorded:
    vault.keep(data, whole=whole)
    subject = Subject(name="read.bin", file=Digest.of(data))
    return vault.append(unit, Draft(body=Baseline(image=facts(data)), time=time_of(0), subjects=(subject,)))


def revision(
    vault: Vault, unit: str, data: bytes, *, near: bytes | None, signers: tuple[PrivateKey, ...] = ()
) -> Recorded:
    """A revision of the newest image, kept as a difference against ``near`` where that is given."""
    images = {} if near is None else {Digest.of(near): read_image(near, format="binary")}
    vault.keep(data, image=read_image(data, format="binary"), near=images)
    links = vault.links(unit)
    parent = next(link for link in reversed(links) if link.kind in {"baseline", "revision"})
    none = Changes(raw=Digest.of(b""))
    body = Revision(
        image=facts(data), parent=parent.hash, baseline=links[0].hash, against_parent=none, against_baseline=none
    )
    subject = Subject(name="rev.bin", file=Digest.of(data))
    return vault.append(
        unit, Draft(body=body, time=time_of(len(links)), message="idle", subjects=(subject,)), signers=signers
    )


def note(vault: Vault, unit: str, text: str, *, signers: tuple[PrivateKey, ...] = ()) -> Recorded:
    time = time_of(len(vault.links(unit)))
    return vault.append(unit, Draft(body=Note(), time=time, message=text), signers=signers)


def story(vault: Vault, unit: str = "van17", seed: int = 1, revisions: int = 3) -> list[bytes]:
    """A baseline, revisions that each change a byte of the one before, and a note; the images."""
    images = [stock(seed)]
    baseline(vault, unit, images[0])
    for n in range(revisions):
        images.append(changed(images[-1], 100 * n + 7))
        revision(vault, unit, images[-1], near=images[-2], signers=(KEY,))
    note(vault, unit, "runs well")
    return images
