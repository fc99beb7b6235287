"""Entries to try: drafts of every kind at random, and one invented chain that holds every kind."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.ledger.chain import Recorded
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
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.signing import Signer
from caldiff.ledger.statement import place

UNIT = "van17"

# ----------------------------------------------------------------------------------------------------------- at random

texts = st.text(st.characters(codec="utf-8"), max_size=12)
counts = st.integers(0, 2**53 - 1)
digests = st.binary(min_size=1, max_size=4).map(Digest.of)
names = st.sampled_from(
    ["a.bin", "final2_NEW.bin", "Lesung 3 \u00fc.hex", "\u8aad.s19", "...", "\U0001f600", "x" * 255]
)
subjects = st.builds(Subject, name=names, file=digests)
times = st.datetimes().map(lambda time: time.replace(microsecond=0).isoformat() + "Z")
words = st.lists(texts, max_size=3).map(tuple)


def pairs(values: st.SearchStrategy[object]) -> st.SearchStrategy[tuple[tuple[str, object], ...]]:
    """Pairs as they are recorded: by key, each once. In JSON the emoji stands before the other, here after it."""
    keys = texts | st.sampled_from(["\uffff", "\U0001f600"])
    return st.dictionaries(keys, values, max_size=4).map(lambda found: tuple(sorted(found.items())))


definitions = st.builds(
    DefinitionFact, name=texts, digest=digests, files=st.lists(subjects, min_size=1, max_size=2).map(tuple)
)
identities = st.builds(
    IdentityFact, name=texts, means=texts, text=st.none() | texts, personal=st.booleans(), match=st.none() | texts
)
images = st.builds(
    ImageFacts,
    format=texts,
    container=st.none() | texts,
    size=counts,
    start=counts,
    content=digests,
    stable=st.none() | digests,
    definition=st.none() | definitions,
    identity=st.lists(identities, max_size=2).map(tuple),
    checksums=st.lists(st.builds(ChecksumFact, name=texts, status=texts), max_size=2).map(tuple),
)
changes = st.builds(
    Changes,
    raw=digests,
    cell=counts,
    checksum=counts,
    identity=counts,
    volatile=counts,
    unexplained=counts,
    code=counts,
    tables=pairs(counts),
    axes=words,
    tags=words,
    regions=words,
    replaced=st.booleans(),
)
bodies: dict[str, st.SearchStrategy[Body]] = {
    "baseline": st.builds(Baseline, image=images),
    "repeat": st.builds(Repeat, image=images, baseline=digests, changes=changes),
    "revision": st.builds(
        Revision,
        image=images,
        parent=digests,
        baseline=digests,
        against_parent=changes,
        against_baseline=changes,
        authorities=pairs(texts),
        made_from=st.lists(subjects, max_size=2).map(tuple),
    ),
    "delivery": st.builds(Delivery, of=digests, to=texts, image=st.none() | images),
    "readback": st.builds(
        Readback, image=images, of=digests, changes=changes, finding=st.sampled_from(["equal", "volatile", "other"])
    ),
    "evidence": st.builds(Evidence, of=digests, sort=texts, facts=pairs(texts)),
    "approval": st.builds(Approval, of=digests, role=texts),
    "note": st.builds(Note, of=st.none() | digests),
    "return": st.builds(Return, baseline=digests),
}


def drafts(kind: str) -> st.SearchStrategy[Draft]:
    """Drafts of a kind."""
    least = 0 if kind in {"approval", "note"} else 1
    files = st.lists(subjects, min_size=least, max_size=3, unique_by=lambda s: (s.name, s.file)).map(tuple)
    return st.builds(Draft, body=bodies[kind], time=times, author=texts, message=texts, subjects=files)


any_draft = st.sampled_from(sorted(bodies)).flatmap(drafts)

# ------------------------------------------------------------------------------------------------------ one by hand


def file(name: str) -> Subject:
    """A file of that name, whose bytes are its name."""
    return Subject(name=name, file=Digest.of(name.encode()))


def facts(name: str, *, checksum: str = "valid") -> ImageFacts:
    """What an image file was, by a definition that is kept too."""
    return ImageFacts(
        format="binary",
        size=1 << 20,
        start=0x00800000,
        content=Digest.of(b"content of " + name.encode()),
        stable=Digest.of(b"stable of " + name.encode()),
        definition=DefinitionFact(
            name="wren4-2.10", digest=Digest.of(b"normal form"), files=(file("wren4-2.10.yaml"), file("wren4.yaml"))
        ),
        identity=(
            IdentityFact(name="calibration_id", means="software", text="W4-0210-07"),
            IdentityFact(name="vin", means="vehicle", text="ZZZ\u2026", personal=True, match=Digest.of(b"vin").hex),
        ),
        checksums=(ChecksumFact(name="calibration", status=checksum),),
    )


RAISED = Changes(
    raw=Digest.of(b"runs"),
    cell=4,
    checksum=4,
    unexplained=2,
    code=1,
    tables=(("ignition_base_gas", 3), ("injector_dead_time", 1)),
    axes=("speed_16",),
    tags=("ignition",),
    regions=("calibration",),
)
SAME = Changes(raw=Digest.of(b""))


def append(chain: list[Recorded], body: Body, *files: str, signers: Sequence[Signer] = (), at: str = "") -> Entry:
    """Record one more entry; each is dated a day after the one before, or ``at``."""
    draft = Draft(
        body=body,
        time=at or f"2026-03-{len(chain) + 1:02}T09:30:00Z",
        author="A. Calibrator",
        message=f"Entry {len(chain)}",
        subjects=tuple(file(name) for name in files),
    )
    before = chain[-1].entry.hash if chain else None
    entry, payload = place(draft, unit=UNIT, sequence=len(chain), previous=before)
    chain.append(Recorded(entry=entry, envelope=Envelope.sealed(payload, signers)))
    return entry


def story(signers: Sequence[Signer] = ()) -> list[Recorded]:
    """A chain that holds every kind of entry: 0 baseline, 1 repeat, 2 and 3 revisions, 4 approval, 5 delivery,
    6 readback, 7 evidence, 8 note, 9 return, 10 a second baseline, 11 a note on the unit."""
    chain: list[Recorded] = []
    stock = append(chain, Baseline(image=facts("stock.bin")), "stock.bin", signers=signers)
    append(chain, Repeat(image=facts("again.bin"), baseline=stock.hash, changes=SAME), "again.bin", signers=signers)
    first = append(chain, revision("r1.bin", parent=stock, baseline=stock), "r1.bin", signers=signers)
    second = append(chain, revision("r2.bin", parent=first, baseline=stock), "r2.bin", signers=signers)
    append(chain, Approval(of=second.hash), signers=signers)
    append(chain, Delivery(of=second.hash, to="the workshop"), "r2.bin", signers=signers)
    append(
        chain,
        Readback(image=facts("back.bin"), of=second.hash, changes=SAME, finding="equal"),
        "back.bin",
        signers=signers,
    )
    append(chain, Evidence(of=second.hash, sort="log", facts=(("road", "dry"),)), "drive.csv", signers=signers)
    append(chain, Note(of=second.hash), signers=signers)
    append(chain, Return(baseline=stock.hash), "stock.bin", signers=signers)
    append(chain, Baseline(image=facts("newer.bin")), "newer.bin", signers=signers)
    append(chain, Note(), signers=signers)
    return chain


def revision(name: str, *, parent: Entry, baseline: Entry) -> Revision:
    """A revision with everything in it."""
    return Revision(
        image=facts(name, checksum="stale"),
        parent=parent.hash,
        baseline=baseline.hash,
        against_parent=RAISED,
        against_baseline=RAISED,
        authorities=(("emissions", "B. Engineer"), ("torque_monitoring", "C. Officer")),
        made_from=(file("raise.json"),),
    )
