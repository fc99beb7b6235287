"""A chain as a list: every kind of entry is told, at any width, and nothing foreign acts on the terminal."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any

import attrs
import entries_by_hand as hand
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.ledger.entry import Baseline, ChecksumFact, IdentityFact, Revision
from caldiff.ledger.finding import Finding, proof_of
from caldiff.ledger.trust import SignatureState
from caldiff.render.entries import alerts, changes_words, deed
from caldiff.render.history import history_document, history_text
from caldiff.render.look import Look, width_of
from caldiff.render.recorded import recorded_text
from caldiff.trace.history import History, Row

CHAIN = hand.chain()
NUMBERS = {one.hash: one.sequence for one in CHAIN}
PROOF = proof_of({"links": "10 entries"}, {"signatures": "no trusted keys were given"}, [])


def history(*entries: Any, **other: Any) -> Any:
    """As caldiff.trace.history has it."""
    rows = tuple(Row(entry=one) for one in entries or CHAIN)
    return History(**{"unit": "van17", "rows": rows, "proof": PROOF} | other)


def joined(text: str) -> str:
    """The text with its lines put together again."""
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("width", [40, 80, 109, 110, 160])
def test_every_entry_is_told_within_the_width(width: int) -> None:
    text = history_text(history(), Look(width=width))
    head = f"van17:9:{CHAIN[-1].hash.hex}"
    assert all(width_of(line) <= width for line in text.splitlines() if head not in line)
    for word in ("baseline", "repeat", "revision", "delivery", "readback", "evidence", "approval", "note", "return"):
        assert re.search(rf"^. +\d  2026-03-.*\b{word}\b", text, re.MULTILINE), word
    said = joined(text)
    for words in (
        "van17_stock_read.bin, raw binary, 1 MiB, read by wren4-2.10",
        "the same but 38 volatile bytes, which confirms it",
        "van17_rev1.hex, made on entry 0: 2 tables (15 cells), 26 bytes (18 cell, 8 checksum)",
        "entry 2 to the cooperative's workshop, as van17_rev1.hex",
        "readback.bin, should be entry 2: equal, every byte",
        "log of entry 2: drive.csv, drive2.csv; road: test track",
        "of entry 2, as approver",
        '"the fan was replaced"',
        "against entry 0: 1 table (4 cells), 1 axis moved, 87 bytes (40 cell, 8 checksum, 38 volatile, 1 unexplained)",
        "emissions changed under the authority of type approval 12",
        "to the stock of entry 0, van17_stock_read.bin",
        "checksums: 2 valid, 1 not verifiable",
        "not checked signatures no trusted keys were given",
    ):
        assert words in said, words
    assert head in text  # in one piece, to copy


def test_what_asks_for_attention_has_a_sign() -> None:
    text = history_text(history(), Look(width=160))
    assert [line.split()[1] for line in text.splitlines() if line.startswith("!")] == ["8"]
    below = [line.strip() for line in text.splitlines() if re.match(r" +! ", line)]
    assert [line.split()[1] for line in below] == ["code:", "caution:", "checksum:", "unexplained:"]
    assert "are tagged over-temperature, and no authority" in joined(text)  # for emissions there is one
    assert "\x1b" not in text
    assert "\x1b[1;7m" in history_text(history(), Look(width=160, colours=256))


def test_a_change_of_the_program_wants_an_authority_for_its_region() -> None:
    changes = attrs.evolve(hand.ODD, regions=("program", "cal"), tags=())
    for named, refused in ((), True), (("program", "the maker"), False), (("emissions", "x"), True):
        body = Revision(
            image=hand.image(),
            parent=CHAIN[0].hash,
            baseline=CHAIN[0].hash,
            against_parent=changes,
            against_baseline=changes,
            authorities=(named,) if named else (),
        )
        label, text = next(iter(alerts(hand.entry(1, body, "x.bin"), CHAIN[0])))
        assert (label, "default policy will refuse" in text) == ("code", refused)


def test_signatures_and_remarks_are_told() -> None:
    state = SignatureState(keyid="SHA256:b", name=None, roles=(), state="unknown key", text="signed by a stranger")
    row = Row(
        entry=CHAIN[2], approvals=(6,), deliveries=(3,), evidence=(5, 7), signatures=(state,), remarks=("it is odd",)
    )
    text = history_text(history(rows=(row,)), Look(width=160))
    for words in ("approved in 6, delivered in 3, evidence in 5, 7", "signed by a stranger", "it is odd"):
        assert words in text


def test_a_finding_is_told_with_what_to_do() -> None:
    finding = Finding(level="links", text="entry 3 is missing", unit="van17", sequence=3, hint="look in another copy")
    text = history_text(history(proof=proof_of({"links": "9 entries"}, {}, [finding])), Look())
    assert "! failed       links       9 entries" in text
    assert "  ! links: van17, entry 3: entry 3 is missing\n      hint: look in another copy" in text


def test_another_vehicle_is_said_before_anything_else() -> None:
    base = CHAIN[0]
    other = IdentityFact(name="vin", means="vin", text="*************0018", personal=True, match="hmac-sha256:b")
    changed = attrs.evolve(hand.SMALL, identity=17)
    stranger = hand.entry(
        1,
        Revision(
            image=hand.image(identity=(other,)),
            parent=base.hash,
            baseline=base.hash,
            against_parent=changed,
            against_baseline=changed,
        ),
        "x.bin",
    )
    assert next(iter(alerts(stranger, base))) == ("identity", "another vehicle: vin differs from the baseline")
    alike = attrs.evolve(other, text="*************0017")
    for match, words in (("hmac-sha256:b", "another vehicle"), (None, "17 bytes of identity fields changed")):
        body = attrs.evolve(stranger.body, image=hand.image(identity=(attrs.evolve(alike, match=match),)))
        again = hand.entry(1, body, "x.bin")
        assert words in next(iter(alerts(again, base)))[1]  # shortened alike; only a digest can tell, or the bytes


def test_a_baseline_with_a_stale_checksum_is_told() -> None:
    facts = (ChecksumFact(name="a", status="stale"), ChecksumFact(name="b", status="stale"))
    entry = hand.entry(0, Baseline(image=hand.image(checksums=facts)), "x.bin")
    assert list(alerts(entry, entry)) == [("checksum", "a, b do not hold")]


def test_a_later_baseline_of_another_vehicle_is_told_another_software_is_not() -> None:
    fields = (
        IdentityFact(name="vin", means="vin", text="*************0018", personal=True),
        IdentityFact(name="software", means="software-version", text="WREN4 02.30"),
    )
    later = hand.entry(1, Baseline(image=hand.image(identity=fields)), "x.bin")
    text = joined(history_text(history(CHAIN[0], later), Look(width=160)))
    assert "identity: another vehicle: vin differs from the baseline" in text
    assert "another software" not in text


def test_nothing_changed_is_said() -> None:
    assert changes_words(attrs.evolve(hand.SMALL, cell=0, checksum=0, tables=())) == "nothing changed"


def test_an_entry_that_is_not_there_is_not_given_a_number() -> None:
    assert deed(CHAIN[2], {}).startswith(f"van17_rev1.hex, made on an unknown entry {CHAIN[0].hash.short}: ")


@given(st.text(max_size=60), st.sampled_from([40, 80, 160]), st.booleans())
def test_nothing_foreign_acts_on_the_terminal(foreign: str, width: int, unicode: bool) -> None:
    entry = hand.entry(0, Baseline(image=hand.image()), "x.bin", author=foreign, message=foreign)
    look = Look(width=width, unicode=unicode)
    recorded = SimpleNamespace(entry=entry, envelope=SimpleNamespace(signatures=()))
    for text in (
        history_text(history(entry), look),
        recorded_text(recorded, {entry.hash: entry}, {entry.hash: 0}, look),
    ):
        assert all(line.isprintable() for line in text.splitlines())
        assert text.isascii() or unicode
        assert all(width_of(line) <= width for line in text.splitlines() if entry.hash.hex not in line)


def test_the_document_has_every_entry() -> None:
    document = history_document(history())
    assert [one["kind"] for one in document["entries"]] == [one.kind for one in CHAIN]
    assert document["head"] == {"sequence": 9, "hash": str(CHAIN[9].hash)}
    revision = document["entries"][8]
    assert (revision["parent"], revision["baseline"]) == (2, 0)
    assert revision["changes"]["bytes"]["total"] == 40 + 8 + 38 + 1
    assert [alert["about"] for alert in revision["alerts"]] == ["code", "caution", "checksum", "unexplained"]
