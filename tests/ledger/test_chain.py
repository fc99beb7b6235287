"""Chains: what holds, what is found wrong, how entries are named, and heads that were pinned."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ledger_drafts import SAME, UNIT, append, facts, file, revision, story

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.chain import Chain, Head, Recorded, head_findings, link_findings
from caldiff.ledger.entry import (
    Approval,
    Body,
    Delivery,
    Draft,
    Entry,
    Evidence,
    Note,
    Readback,
    Repeat,
    Return,
    Revision,
)
from caldiff.ledger.envelope import Envelope
from caldiff.ledger.link import read_link
from caldiff.ledger.linkage import linkage, named
from caldiff.ledger.statement import place

STORY = tuple(story())
CHAIN = Chain(unit=UNIT, recorded=STORY)
NOBODY = Digest.of(b"no entry")


def faults(recorded: Sequence[Recorded], unit: str = UNIT) -> list[tuple[int | None, str]]:
    return [(f.sequence, f.text) for f in link_findings(unit, recorded) if f.fault]


def at(sequence: int) -> Entry:
    return STORY[sequence].entry


# ---------------------------------------------------------------------------------------------------------- what holds


def test_a_chain_of_every_kind_holds() -> None:
    assert link_findings(UNIT, STORY) == ()


def test_what_a_chain_is_asked() -> None:
    assert CHAIN.head.entry.sequence == 11
    assert [entry.sequence for entry in CHAIN.entries] == list(range(12))
    assert [one.entry.sequence for one in CHAIN.baselines] == [0, 10]
    assert [one.entry.sequence for one in CHAIN.revisions] == [2, 3]
    assert [one.entry.sequence for one in CHAIN.about(at(3).hash)] == [4, 5, 6, 7, 8]
    assert CHAIN.about(NOBODY) == ()
    assert CHAIN.by_hash(at(5).hash) is STORY[5]
    assert CHAIN.holds(at(5).hash)
    assert not CHAIN.holds(NOBODY)
    with pytest.raises(LedgerError, match="unit van17 has no entry"):
        CHAIN.by_hash(NOBODY)
    with pytest.raises(LedgerError, match="unit van17 has no entry"):
        Chain(unit=UNIT, recorded=())
    assert repr(CHAIN) == f"<Chain of van17: 12 entries, head {at(11).hash.hex[:12]}>"


def test_every_entry_has_the_baseline_that_it_goes_back_to() -> None:
    assert [CHAIN.baseline_of(entry).entry.sequence for entry in CHAIN.entries] == [0] * 10 + [10, 10]


def test_a_way_that_leads_to_no_baseline_ends() -> None:
    lost = attrs.evolve(at(4), draft=attrs.evolve(at(4).draft, body=Approval(of=NOBODY)))
    with pytest.raises(LedgerError, match="has no entry"):
        CHAIN.baseline_of(lost)
    with pytest.raises(LedgerError, match="no baseline is before entry 0"):
        CHAIN.baseline_of(attrs.evolve(at(11), sequence=0))
    circle = attrs.evolve(at(4), hash=NOBODY, draft=attrs.evolve(at(4).draft, body=Approval(of=NOBODY)))
    round_trip = Chain(unit=UNIT, recorded=(Recorded(entry=circle, envelope=STORY[4].envelope),))
    with pytest.raises(LedgerError, match="descends from no baseline"):
        round_trip.baseline_of(circle)


# ------------------------------------------------------------------------------------------------- what is found wrong


@given(st.sets(st.integers(0, 11), min_size=1))
def test_missing_entries_are_found_unless_they_are_the_end(gone: set[int]) -> None:
    kept = [one for one in STORY if one.entry.sequence not in gone]
    end = next((n for n in range(12) if set(range(n, 12)) <= gone), 12)
    found = {number for number, text in faults(kept) if "missing" in text}
    first_of_each_gap = {n for n in gone if n < end and n - 1 not in gone}
    assert found == (first_of_each_gap if kept else set())
    assert bool(faults(kept)) == (not kept or bool(first_of_each_gap))


def test_gaps_are_told_in_words() -> None:
    assert faults([*STORY[:8], *STORY[9:]]) == [(8, "entry 8 is missing")]
    assert faults([*STORY[:7], *STORY[9:]]) == [(7, "entries 7 to 8 are missing")]
    assert faults([]) == [(None, "there is no entry")]


@given(st.permutations(STORY))
def test_another_order_is_found(order: list[Recorded]) -> None:
    assert bool(faults(order)) == (tuple(order) != STORY)


def test_an_entry_twice_is_found() -> None:
    assert faults([*STORY[:5], *STORY[4:]]) == [(4, "the entry stands out of its order")]


def test_another_unit_is_found() -> None:
    assert faults(STORY[:1], unit="van18") == [(0, "the entry belongs to another unit")]


@given(st.integers(0, 10), st.sampled_from(["author", "message"]))
def test_an_entry_that_was_written_anew_is_found_at_the_next(sequence: int, what: str) -> None:
    new = list(STORY)
    entry = at(sequence)
    draft = attrs.evolve(entry.draft, **{what: "somebody else"})
    other, payload = place(draft, unit=UNIT, sequence=sequence, previous=entry.previous)
    new[sequence] = Recorded(entry=other, envelope=Envelope(payload=payload))
    assert (
        sequence + 1,
        "the entry does not follow the one before it, so one of the two was put there later",
    ) in faults(new)


def test_an_entry_that_is_not_its_payload_is_found() -> None:
    mixed = Recorded(entry=at(4), envelope=STORY[3].envelope)
    assert (3, "the entry is not what its payload says") in faults([*STORY[:3], mixed, *STORY[4:]])


def test_a_chain_begins_with_a_baseline() -> None:
    draft = Draft(body=Return(baseline=NOBODY), time="2026-03-01T00:00:00Z", subjects=(file("a"),))
    entry, payload = place(draft, unit=UNIT, sequence=0, previous=None)
    found = faults([Recorded(entry=entry, envelope=Envelope(payload=payload))])
    assert (0, "a chain begins with a baseline read") in found


def test_time_that_goes_backwards_is_a_remark() -> None:
    chain = list(STORY[:3])
    append(chain, Note(), at="2026-03-02T23:59:59Z")
    (finding,) = link_findings(UNIT, chain)
    assert (finding.fault, finding.sequence, finding.level) == (False, 3, "links")
    assert (finding.expected, finding.got) == ("2026-03-03T09:30:00Z or later", "2026-03-02T23:59:59Z")


IMAGES = {"baseline", "repeat", "revision", "readback"}
MAY_NAME: list[tuple[str, Callable[[Digest], Body], set[str]]] = [
    ("repeat", lambda d: Repeat(image=facts("x"), baseline=d, changes=SAME), {"baseline"}),
    ("revision", lambda d: _revision(parent=d), IMAGES),
    ("revision", lambda d: _revision(baseline=d), {"baseline"}),
    ("delivery", lambda d: Delivery(of=d, to="x"), {"revision"}),
    ("readback", lambda d: Readback(image=facts("x"), of=d, changes=SAME, finding="equal"), IMAGES),
    ("evidence", lambda d: Evidence(of=d, sort="log"), IMAGES | {"delivery", "return"}),
    ("approval", lambda d: Approval(of=d), {"revision"}),
    ("note", lambda d: Note(of=d), {one.entry.kind for one in STORY}),
    ("return", lambda d: Return(baseline=d), {"baseline"}),
]
"""What an entry may name, as ``docs/ledger.md`` says."""


def _revision(**new: Digest) -> Revision:
    return attrs.evolve(revision("x", parent=at(0), baseline=at(0)), **new)


@pytest.mark.parametrize(("kind", "body", "may"), MAY_NAME)
@pytest.mark.parametrize("named_one", STORY[:10], ids=lambda one: one.entry.kind)
def test_an_entry_names_only_what_it_may(
    kind: str, body: Callable[[Digest], Body], may: set[str], named_one: Recorded
) -> None:
    chain = list(STORY[:10])
    append(chain, body(named_one.entry.hash), "x")
    wrong = [text for _, text in faults(chain) if text.startswith(f"the {kind} names an entry of the wrong kind")]
    assert len(wrong) == (named_one.entry.kind not in may)


@pytest.mark.parametrize(("kind", "body", "may"), MAY_NAME)
def test_an_entry_names_only_what_is_earlier_in_its_chain(
    kind: str, body: Callable[[Digest], Body], may: set[str]
) -> None:
    chain = list(STORY)
    append(chain, body(NOBODY), "x")
    assert may
    assert any(n == 12 and text.startswith(f"the {kind} names an entry as its") for n, text in faults(chain))


def test_a_revision_descends_from_the_baseline_that_it_names() -> None:
    text = "the revision names another baseline than the one that its parent descends from"
    for parent, right in ((0, 0), (1, 0), (2, 0), (6, 0), (10, 10)):
        for baseline in (0, 10):
            chain = list(STORY)
            append(chain, revision("x", parent=at(parent), baseline=at(baseline)), "x")
            assert faults(chain) == ([] if baseline == right else [(12, text)])


def test_links_alone_are_enough() -> None:
    links = [read_link(one.envelope.payload) for one in STORY]
    assert linkage(UNIT, links) == ()
    assert linkage(UNIT, links[:3] + links[4:]) == link_findings(UNIT, STORY[:3] + STORY[4:])


# --------------------------------------------------------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("word", "sequence"), [("0", 0), ("7", 7), ("007", 7), (" 11 ", 11), ("baseline", 10), ("latest", 3), ("HEAD", 11)]
)
def test_entries_are_named_by_words(word: str, sequence: int) -> None:
    assert CHAIN.named(word) is STORY[sequence]


@given(st.integers(0, 11), st.integers(8, 64), st.booleans())
def test_entries_are_named_by_hash(sequence: int, digits: int, upper: bool) -> None:
    word = at(sequence).hash.hex[:digits]
    assert CHAIN.named(word.upper() if upper else word) is STORY[sequence]
    assert CHAIN.named(f"sha256:{word}") is STORY[sequence]


@pytest.mark.parametrize(
    "word", ["", "12", "-1", "99999999", "newest", "\u0663", "1.0", "0x1", at(3).hash.hex[:7], at(3).hash.hex[:8] + "g"]
)
def test_what_names_no_entry_is_refused_with_what_would(word: str) -> None:
    with pytest.raises(LedgerError, match="no entry is named") as caught:
        CHAIN.named(word)
    assert caught.value.expected == "baseline, latest, head, a number from 0 to 11, or 8 digits of a hash"


def test_a_word_that_names_several_is_refused_with_them() -> None:
    twin = attrs.evolve(at(5), hash=Digest(hex=at(3).hash.hex[:20] + "0" * 44))
    with pytest.raises(LedgerError, match="names several entries") as caught:
        named([at(3), twin], at(3).hash.hex[:12])
    assert caught.value.got == "3 (revision), 5 (delivery)"


def test_a_chain_without_a_revision_offers_none() -> None:
    with pytest.raises(LedgerError) as caught:
        named([at(0)], "latest")
    assert caught.value.expected == "baseline, head, a number from 0 to 0, or 8 digits of a hash"
    with pytest.raises(LedgerError) as caught:
        named([], "head")
    assert caught.value.expected == "nothing, for there is no entry"


# --------------------------------------------------------------------------------------------------------------- heads


@given(st.integers(0, 11), st.integers(0, 11))
def test_a_pinned_head_finds_an_end_that_was_cut_off(pinned: int, length: int) -> None:
    head = Head.of(Chain(unit=UNIT, recorded=STORY[: pinned + 1]))
    found = head_findings(Chain(unit=UNIT, recorded=STORY[: length + 1]), head)
    if pinned <= length:
        assert found == ()
    else:
        (finding,) = found
        assert (finding.level, finding.fault, finding.sequence, finding.got) == ("head", True, pinned, str(length))
        assert "cut off" in finding.text


@given(st.integers(0, 11), st.integers(0, 11))
def test_a_pinned_head_finds_a_chain_that_was_written_anew(pinned: int, since: int) -> None:
    """A whole other chain from an entry on, whose links hold: nothing else would find it."""
    fork = list(STORY[:since])
    for entry in CHAIN.entries[since:]:
        draft = attrs.evolve(entry.draft, author="somebody else", body=_moved(entry.body, fork))
        before = fork[-1].entry.hash if fork else None
        other, payload = place(draft, unit=UNIT, sequence=entry.sequence, previous=before)
        fork.append(Recorded(entry=other, envelope=Envelope(payload=payload)))
    assert link_findings(UNIT, fork) == ()
    found = head_findings(
        Chain(unit=UNIT, recorded=tuple(fork)), Head(unit=UNIT, sequence=pinned, hash=at(pinned).hash)
    )
    assert [finding.text for finding in found] == [
        "the entry is not the one that was pinned: the chain was forked or written anew"
    ] * (pinned >= since)


def _moved(body: Body, fork: list[Recorded]) -> Body:
    """The body with what it names in the story named in the fork."""
    places = {entry.hash: entry.sequence for entry in CHAIN.entries}
    new: dict[str, Any] = {
        name: fork[places[getattr(body, name)]].entry.hash
        for name in ("of", "parent", "baseline")
        if isinstance(getattr(body, name, None), Digest)
    }
    return attrs.evolve(body, **new)


def test_a_head_of_another_unit_or_of_a_gap_is_found() -> None:
    elsewhere = Head(unit="van18", sequence=3, hash=at(3).hash)
    assert [finding.text for finding in head_findings(CHAIN, elsewhere)] == ["the pinned head is of unit van18"]
    gap = Chain(unit=UNIT, recorded=STORY[:3] + STORY[4:])
    pinned = Head(unit=UNIT, sequence=3, hash=at(3).hash)
    assert [finding.text for finding in head_findings(gap, pinned)] == ["the pinned entry is missing"]


def test_a_head_is_kept_as_text() -> None:
    head = Head.of(CHAIN)
    assert head.text == f"van17 11 sha256:{at(11).hash.hex}"
    assert Head.read(head.text + "\n") == head


@pytest.mark.parametrize(
    "text", ["", "van17 11", f"van17 11 {'0' * 64}", f"van17 11 sha256:{'0' * 63}", f"van/17 11 sha256:{'0' * 64}"]
)
def test_what_is_no_head_is_refused(text: str) -> None:
    with pytest.raises(LedgerError):
        Head.read(text)
