"""What a log says of itself against a chain made by hand: words where they contradict, silence where they do not."""

from __future__ import annotations

import attrs

from caldiff.canonical import Digest
from caldiff.evidence.contradictions import contradictions
from caldiff.ledger.chain import Chain, Recorded
from caldiff.ledger.entry import (
    Baseline,
    Body,
    Changes,
    Delivery,
    Draft,
    Entry,
    IdentityFact,
    ImageFacts,
    Return,
    Revision,
    Subject,
)
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.statement import place

FILE = Digest.of(b"a file")
CHANGES = Changes(raw=FILE)


def image(calibration: str) -> ImageFacts:
    return ImageFacts(
        format="binary",
        size=1,
        start=0,
        content=Digest.of(calibration.encode()),
        identity=(
            IdentityFact(name="calibration", means="calibration-id", text=calibration),
            IdentityFact(name="vin", means="vin", text="*************4567", personal=True),
        ),
    )


class Story:
    """A chain that grows."""

    def __init__(self) -> None:
        self.recorded: list[Recorded] = []

    def add(self, day: int, body: Body) -> Entry:
        draft = Draft(body=body, time=f"2026-03-{day:02}T12:00:00Z", subjects=(Subject(name="a.bin", file=FILE),))
        previous = self.recorded[-1].entry.hash if self.recorded else None
        entry, payload = place(draft, unit="van", sequence=len(self.recorded), previous=previous)
        self.recorded.append(Recorded(entry=entry, envelope=Envelope(payload=payload, signatures=())))
        return entry

    @property
    def chain(self) -> Chain:
        return Chain(unit="van", recorded=tuple(self.recorded))


def story() -> tuple[Story, Entry, Entry, Entry, Entry]:
    made = Story()
    stock = made.add(1, Baseline(image=image("STOCK")))
    parts = {"baseline": stock.hash, "against_parent": CHANGES, "against_baseline": CHANGES}
    first = made.add(2, Revision(image=image("ONE"), parent=stock.hash, **parts))
    handed = made.add(4, Delivery(of=first.hash, to="workshop"))
    second = made.add(6, Revision(image=image("TWO"), parent=first.hash, **parts))
    return made, stock, first, handed, second


def test_what_agrees_says_nothing() -> None:
    made, stock, first, handed, _ = story()
    says = [("Calibration ID", " one "), ("vin", "WXXTESTTESTTE4567"), ("driver", "nobody"), ("calid", "")]
    for of in (first, handed):
        assert contradictions(says, "2026-03-04T12:00:00Z", of=of, chain=made.chain) == ()
        assert contradictions((), None, of=of, chain=made.chain) == ()
    assert contradictions((), "2026-02-01T00:00:00Z", of=stock, chain=made.chain) == ()


def test_another_calibration_id_is_named_with_the_entry_that_has_it() -> None:
    made, _, first, _, _ = story()
    assert contradictions([("calibration_id", "TWO")], None, of=first, chain=made.chain) == (
        "the log is of calibration id TWO, entry 1 (revision) has ONE; entry 3 (revision) has that",
    )
    assert contradictions([("CALID", "NINE")], None, of=first, chain=made.chain) == (
        "the log is of calibration id NINE, entry 1 (revision) has ONE; no image of this unit has that",
    )


def test_another_vehicle_is_said_without_the_whole_vin() -> None:
    made, _, first, _, _ = story()
    (words,) = contradictions([("VIN", "WXXTESTTESTTE9999")], None, of=first, chain=made.chain)
    assert words == (
        "the log is of VIN *************9999, entry 1 (revision) has *************4567; no image of this unit has that"
    )


def test_a_log_that_began_before_the_delivery() -> None:
    made, _, first, handed, second = story()
    for of in (first, handed):
        assert contradictions((), "2026-03-04T11:59:59Z", of=of, chain=made.chain) == (
            "the log began 2026-03-04T11:59:59Z, before the revision was handed over: entry 2, 2026-03-04T12:00:00Z",
        )
    told = contradictions((), "2026-03-06T11:00:00Z", of=second, chain=made.chain)
    assert told[0] == (
        "the log began 2026-03-06T11:00:00Z, before the revision was recorded: entry 3, 2026-03-06T12:00:00Z"
    )


def test_a_log_that_began_when_another_image_was_in_the_unit() -> None:
    made, stock, first, _, second = story()
    made.add(8, Delivery(of=second.hash, to="workshop"))
    words = "the log began {}T12:00:00Z, when entry {} should have been in the unit: it was handed over in entry {}"
    assert contradictions((), "2026-03-08T12:00:00Z", of=first, chain=made.chain) == (
        words.format("2026-03-08", "3 (revision)", "4, 2026-03-08T12:00:00Z"),
    )
    assert contradictions((), "2026-03-09T12:00:00Z", of=stock, chain=made.chain) == (
        words.format("2026-03-09", "3 (revision)", "4, 2026-03-08T12:00:00Z"),
    )
    back = made.add(10, Return(baseline=stock.hash))
    assert contradictions((), "2026-03-11T12:00:00Z", of=second, chain=made.chain) == (
        words.format("2026-03-11", "0 (baseline)", "5, 2026-03-10T12:00:00Z"),
    )
    assert contradictions((), "2026-03-11T12:00:00Z", of=back, chain=made.chain) == ()


def test_a_revision_that_was_handed_over_again_is_in_the_unit_again() -> None:
    made, _, first, _, second = story()
    made.add(8, Delivery(of=second.hash, to="workshop"))
    made.add(10, Delivery(of=first.hash, to="workshop"))
    assert contradictions((), "2026-03-11T12:00:00Z", of=first, chain=made.chain) == ()


def test_facts_without_a_text_contradict_nothing() -> None:
    made = Story()
    nothing = attrs.evolve(image("X"), identity=(IdentityFact(name="c", means="calibration-id", text=None),))
    stock = made.add(1, Baseline(image=nothing))
    assert contradictions([("calibration id", "ONE")], None, of=stock, chain=made.chain) == ()
