"""A unit's chain, made up by hand: one entry of every kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from caldiff.canonical import Digest
from caldiff.ledger.entry import (
    Approval,
    Baseline,
    Body,
    Changes,
    ChecksumFact,
    DefinitionFact,
    Delivery,
    Draft,
    Entry,
    Evidence,
    IdentityFact,
    ImageFacts,
    Note,
    Readback,
    Repeat,
    Return,
    Revision,
    Subject,
)

UNIT = "van17"


def digest(text: str) -> Digest:
    return Digest.of(text.encode())


def image(**other: Any) -> ImageFacts:
    facts: dict[str, Any] = {
        "format": "binary",
        "size": 1 << 20,
        "start": 0x00800000,
        "content": digest("content"),
        "stable": digest("stable"),
        "definition": DefinitionFact(name="wren4-2.10", digest=digest("definition"), files=()),
        "identity": (
            IdentityFact(name="vin", means="vin", text="*************0017", personal=True, match="hmac-sha256:a"),
            IdentityFact(name="software", means="software-version", text="WREN4 02.10"),
        ),
        "checksums": (
            ChecksumFact(name="program", status="valid"),
            ChecksumFact(name="calibration", status="valid"),
            ChecksumFact(name="seal", status="not verifiable"),
        ),
    }
    return ImageFacts(**(facts | other))


def entry(sequence: int, body: Body, *files: str, author: str = "Ada Example", message: str = "") -> Entry:
    draft = Draft(
        body=body,
        time=f"2026-03-{sequence + 1:02}T09:30:00Z",
        author=author,
        message=message,
        subjects=tuple(Subject(name=name, file=digest(name)) for name in files),
    )
    previous = digest(f"entry {sequence - 1}") if sequence else None
    return Entry(unit=UNIT, sequence=sequence, previous=previous, draft=draft, hash=digest(f"entry {sequence}"))


def hashed(sequence: int) -> Digest:
    return digest(f"entry {sequence}")


SMALL = Changes(
    raw=digest("raw"), cell=18, checksum=8, tables=(("idle", 3), ("ignition", 12)), tags=("ignition",), regions=("cal",)
)
ODD = Changes(
    raw=digest("raw"),
    cell=40,
    checksum=8,
    volatile=38,
    unexplained=1,
    code=1,
    tables=(("over_temperature_torque", 4),),
    axes=("load_12",),
    tags=("over-temperature", "emissions"),
)


def chain() -> Sequence[Entry]:
    return (
        entry(0, Baseline(image=image()), "van17_stock_read.bin", message="first read"),
        entry(1, Repeat(image=image(), baseline=hashed(0), changes=Changes(raw=digest("r"), volatile=38)), "again.bin"),
        entry(
            2,
            Revision(
                image=image(format="ihex"),
                parent=hashed(0),
                baseline=hashed(0),
                against_parent=SMALL,
                against_baseline=SMALL,
            ),
            "van17_rev1.hex",
        ),
        entry(3, Delivery(of=hashed(2), to="the cooperative's workshop"), "van17_rev1.hex"),
        entry(
            4, Readback(image=image(), of=hashed(2), changes=Changes(raw=digest("n")), finding="equal"), "readback.bin"
        ),
        entry(5, Evidence(of=hashed(2), sort="log", facts=(("road", "test track"),)), "drive.csv", "drive2.csv"),
        entry(6, Approval(of=hashed(2)), author="Bo Example"),
        entry(7, Note(), message="the fan was replaced"),
        entry(
            8,
            Revision(
                image=image(checksums=(ChecksumFact(name="calibration", status="stale"),)),
                parent=hashed(2),
                baseline=hashed(0),
                against_parent=ODD,
                against_baseline=ODD,
                authorities=(("emissions", "type approval 12"),),
            ),
            "hot_day_fix.bin",
        ),
        entry(9, Return(baseline=hashed(0)), "van17_stock_read.bin"),
    )
