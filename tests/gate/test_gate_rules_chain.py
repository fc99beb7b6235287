"""Rules about the chain: where a file comes from, how far that is proven, who signed, who looked, who approved."""

from __future__ import annotations

import attrs
import pytest
from gate_shop import (
    BOSS,
    DEFINITION,
    MAKER,
    OTHER,
    READER,
    STOCK,
    STRANGER,
    TRUST,
    WARMER,
    Shop,
    changed,
    told,
    trusted,
)

from caldiff.canonical import Digest
from caldiff.errors import LedgerError
from caldiff.ledger.finding import Finding


@pytest.fixture
def shop() -> Shop:
    return Shop()


# ------------------------------------------------------------------------------------------------------ traceability


def test_a_revision_on_the_way_from_its_baseline_is_traced(shop: Shop) -> None:
    stock = shop.baseline()
    first = shop.revision(stock, WARMER)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=3)
    outcome = shop.ask("traceability", "", second)
    assert outcome.outcome == "held"
    assert outcome.read == "entry 2 of unit van-1, by file; 2 steps to its baseline; wanted revision by content"


@pytest.mark.parametrize(
    ("policy", "how", "held"),
    [
        ("", "content", True),
        ("traceability: {by: file}", "content", False),
        ("traceability: {by: file}", "file", True),
        ("traceability: {kinds: [baseline]}", "file", False),
        ("traceability: {kinds: [baseline, revision]}", "file", True),
    ],
)
def test_kinds_and_ways(shop: Shop, policy: str, how: str, *, held: bool) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    outcome = shop.ask("traceability", policy, revision, how=how)
    assert (outcome.outcome == "held") is held, told(outcome)


def test_a_baseline_may_go_out_where_the_policy_says_so(shop: Shop) -> None:
    stock = shop.baseline()
    assert shop.ask("traceability", "", stock).outcome == "refused"
    assert shop.ask("traceability", "traceability: {kinds: [baseline]}", stock).outcome == "held"


def test_a_baseline_that_is_not_at_hand_is_refused(shop: Shop) -> None:
    stock = shop.baseline()
    revision = shop.revision(stock, WARMER)
    shop.lost.add(Digest.of(STOCK))
    outcome = shop.ask("traceability", "", revision)
    assert outcome.outcome == "refused"
    assert "the baseline is not at hand" in told(outcome)


def test_a_file_that_is_not_the_entrys_image_is_refused(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    outcome = shop.ask("traceability", "", revision, data=changed({0x44: b"\x70"}))
    assert "the image is not the one that the entry was recorded with" in told(outcome)


def test_an_entry_that_names_another_baseline_than_it_descends_from_is_refused(shop: Shop) -> None:
    stock = shop.baseline()
    other = shop.baseline(changed({0x44: b"\x50"}), day=2)
    revision = shop.revision(stock, WARMER, baseline=other)
    assert "the entry names another baseline" in told(shop.ask("traceability", "", revision))


def test_a_broken_way_is_refused(shop: Shop) -> None:
    stock = shop.baseline()
    revision = shop.revision(stock, WARMER)
    shop.recorded.remove(stock)
    outcome = shop.ask("traceability", "", revision)
    assert outcome.outcome == "refused"
    assert "the way to the baseline is broken" in told(outcome)


# ------------------------------------------------------------------------------------------------------------- proof


def test_links_and_bytes_are_always_wanted(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.levels = {"links": "2 entries", "bytes": "2 files"}
    assert shop.ask("proof", "", revision).outcome == "held"
    del shop.levels["bytes"]
    outcome = shop.ask("proof", "", revision)
    assert outcome.outcome == "refused"
    assert "bytes were not checked" in told(outcome)


@pytest.mark.parametrize("level", ["meaning", "signatures", "head"])
def test_a_wanted_level_that_was_not_checked_is_refused(shop: Shop, level: str) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.levels = {"links": "", "bytes": ""}
    assert shop.ask("proof", f"proof: {{levels: [{level}]}}", revision).outcome == "refused"
    shop.levels |= {level: "checked"}  # type: ignore[dict-item]
    assert shop.ask("proof", f"proof: {{levels: [{level}]}}", revision).outcome == "held"


def test_a_level_that_failed_is_refused_though_the_policy_does_not_ask_for_it(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.findings.append(Finding(level="meaning", text="something came out otherwise", got="other changes"))
    outcome = shop.ask("proof", "", revision)
    assert outcome.outcome == "refused"
    assert "something came out otherwise" in told(outcome)
    shop.findings[0] = attrs.evolve(shop.findings[0], fault=False)
    assert shop.ask("proof", "", revision).outcome == "held"


# -------------------------------------------------------------------------------------------------------- definition


def test_the_definition_must_be_known(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    catalogue, baseline = "definition: {known: [catalogue]}", "definition: {known: [baseline]}"
    assert shop.ask("definition", "", revision).outcome == "not asked"
    assert shop.ask("definition", catalogue, revision).outcome == "held"
    outcome = shop.ask("definition", catalogue, revision, known=frozenset())
    assert outcome.outcome == "refused"
    assert "is not a known one" in told(outcome)
    # these facts name no files, yet the digest is there
    assert shop.ask("definition", baseline, revision, known=frozenset()).outcome == "held"


def test_no_definition_at_all_is_refused() -> None:
    shop = Shop(read_by=None)
    revision = shop.revision(shop.baseline(), WARMER)
    outcome = shop.ask("definition", "definition: {known: [catalogue, baseline]}", revision)
    assert "recorded without a definition" in told(outcome)


def test_another_definition_than_the_baselines_is_refused(shop: Shop) -> None:
    stock = shop.baseline()
    shop.read_by = attrs.evolve(DEFINITION, digest=Digest.of(b"another"))
    revision = shop.revision(stock, WARMER)
    baseline = "definition: {known: [baseline]}"
    assert shop.ask("definition", baseline, revision, known=frozenset()).outcome == "refused"


# -------------------------------------------------------------------------------------------------------- signatures

SIGNED = "signatures: {baseline: {roles: [reader]}, revision: {roles: [calibrator]}}"


def test_signatures_by_role_down_to_the_baseline(shop: Shop) -> None:
    stock = shop.baseline()
    first = shop.revision(stock, WARMER)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=3)
    assert shop.ask("signatures", SIGNED, second).outcome == "held"
    assert shop.ask("signatures", "", second).outcome == "not asked"


def test_without_trusted_keys_nothing_is_signed(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    outcome = shop.ask("signatures", SIGNED, revision, trust=None)
    assert outcome.outcome == "refused"
    assert "there is no file of trusted keys" in told(outcome)
    assert [r.sequence for r in outcome.refusals] == [1, 0]


@pytest.mark.parametrize("signers", [(), (STRANGER,), (READER,), (BOSS,)])
def test_an_entry_on_the_way_that_is_not_signed_in_the_role_is_refused(shop: Shop, signers: tuple[object, ...]) -> None:
    stock = shop.baseline()
    first = shop.revision(stock, WARMER, signers=signers)  # type: ignore[arg-type]
    second = shop.revision(first, changed({0x44: b"\x66"}), day=3)
    outcome = shop.ask("signatures", SIGNED, second)
    assert [r.sequence for r in outcome.refusals] == [1]


def test_a_key_outside_its_time_does_not_count(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(day=1), WARMER, day=5)
    late = attrs.evolve(TRUST, keys=(*TRUST.keys[:1], trusted("M. Maker", MAKER, "calibrator", until="2026-03-04")))
    outcome = shop.ask("signatures", SIGNED, revision, trust=late)
    assert "when the key did not hold" in told(outcome)


def test_two_keys_of_one_name_are_one_person(shop: Shop) -> None:
    stock = shop.baseline()
    revision = shop.revision(stock, WARMER, signers=(MAKER, OTHER))
    two = "signatures: {revision: {roles: [calibrator, approver], people: 2}}"
    assert shop.ask("signatures", two, revision).outcome == "held"
    same = attrs.evolve(TRUST, keys=(TRUST.keys[1], trusted("M. Maker", OTHER, "approver")))
    assert shop.ask("signatures", two, revision, trust=same).outcome == "refused"


def test_a_wrong_signature_is_refused_even_where_others_are_right(shop: Shop) -> None:
    stock = shop.baseline()
    revision = shop.revision(stock, WARMER, signers=(MAKER, BOSS))
    broken = attrs.evolve(revision.envelope.signatures[1], sig=b"\0" * 64)
    envelope = attrs.evolve(revision.envelope, signatures=(revision.envelope.signatures[0], broken))
    shop.recorded[1] = attrs.evolve(revision, envelope=envelope)
    outcome = shop.ask("signatures", SIGNED, shop.recorded[1])
    assert "a signature is wrong" in told(outcome)


# ------------------------------------------------------------------------------------------------------------ repeat


def test_a_repeat_read_confirms_with_volatile_bytes_aside(shop: Shop) -> None:
    stock = shop.baseline()
    shop.repeat(stock, changed({0xD3: b"\x12\x34"}))
    revision = shop.revision(stock, WARMER)
    assert shop.ask("repeat", "", revision).outcome == "not asked"
    assert shop.ask("repeat", "repeat: {}", revision).outcome == "held"
    assert shop.ask("repeat", "repeat: {least: 2}", revision).outcome == "refused"


def test_a_repeat_read_that_differs_confirms_nothing(shop: Shop) -> None:
    stock = shop.baseline()
    shop.repeat(stock, changed({0x58: b"\x40"}))
    revision = shop.revision(stock, WARMER)
    outcome = shop.ask("repeat", "repeat: {}", revision)
    assert outcome.outcome == "refused"
    assert outcome.read == "1 repeat read, 0 agree, 1 differ"


def test_what_a_repeat_entry_claims_is_not_believed(shop: Shop) -> None:
    stock = shop.baseline()
    repeat = shop.repeat(stock)  # its entry says that nothing differs
    shop.images[repeat.entry.hash] = shop.read(changed({0x58: b"\x40"}))  # its bytes say otherwise
    revision = shop.revision(stock, WARMER)
    assert shop.ask("repeat", "repeat: {}", revision).outcome == "refused"


def test_a_repeat_of_another_baseline_confirms_nothing(shop: Shop) -> None:
    stock = shop.baseline()
    other = shop.baseline(changed({0x08: b"1.01"}), day=2)
    shop.repeat(other, changed({0x08: b"1.01"}), day=2)
    revision = shop.revision(stock, WARMER, day=3)
    assert shop.ask("repeat", "repeat: {}", revision).outcome == "refused"


def test_a_repeat_counts_only_if_signed_as_the_policy_asks(shop: Shop) -> None:
    stock = shop.baseline()
    shop.repeat(stock, signers=())
    revision = shop.revision(stock, WARMER)
    policy = "repeat: {}\nsignatures: {repeat: {roles: [reader]}}"
    assert shop.ask("repeat", "repeat: {}", revision).outcome == "held"
    outcome = shop.ask("repeat", policy, revision)
    assert outcome.outcome == "refused"
    assert "1 not signed as asked" in told(outcome)


# ---------------------------------------------------------------------------------------------------------- evidence


def test_evidence_on_the_parent_before_the_revision(shop: Shop) -> None:
    first = shop.revision(shop.baseline(), WARMER, day=2)
    shop.evidence(first, day=5)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=9)
    assert shop.ask("evidence", "evidence: {log: {}}", second).outcome == "held"
    assert shop.ask("evidence", "evidence: {log: {days: 4}}", second).outcome == "held"
    outcome = shop.ask("evidence", "evidence: {log: {days: 3}}", second)
    assert outcome.outcome == "refused"
    assert "within 3 days before 2026-03-09T12:00:00Z" in told(outcome)
    assert shop.ask("evidence", "evidence: {log: {least: 2}}", second).outcome == "refused"
    assert shop.ask("evidence", "evidence: {log: {}, faults: {}}", second).outcome == "refused"


def test_evidence_on_something_else_or_too_late_does_not_count(shop: Shop) -> None:
    stock = shop.baseline()
    first = shop.revision(stock, WARMER, day=2)
    shop.evidence(stock, day=3)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=4)
    shop.evidence(first, day=5)
    assert shop.ask("evidence", "evidence: {log: {}}", second).outcome == "refused"


def test_evidence_dated_before_what_it_is_about_does_not_count(shop: Shop) -> None:
    first = shop.revision(shop.baseline(), WARMER, day=5)
    shop.evidence(first, day=4)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=9)
    assert shop.ask("evidence", "evidence: {log: {}}", second).outcome == "refused"


def test_the_first_revision_has_no_evidence_unless_it_is_asked_for(shop: Shop) -> None:
    stock = shop.baseline()
    first = shop.revision(stock, WARMER)
    assert shop.ask("evidence", "evidence: {log: {}}", first).outcome == "held"
    assert shop.ask("evidence", "evidence: {log: {first: true}}", first).outcome == "refused"
    # starting again from the baseline is no way around it
    again = shop.revision(stock, changed({0x44: b"\x67"}), day=3)
    assert shop.ask("evidence", "evidence: {log: {}}", again).outcome == "refused"


def test_evidence_whose_file_is_lost_or_that_is_not_signed_as_asked_does_not_count(shop: Shop) -> None:
    first = shop.revision(shop.baseline(), WARMER, day=2)
    log = shop.evidence(first, day=3, signers=())
    second = shop.revision(first, changed({0x44: b"\x66"}), day=4)
    assert shop.ask("evidence", "evidence: {log: {}}", second).outcome == "held"
    signed = "evidence: {log: {}}\nsignatures: {evidence: {roles: [reader]}}"
    assert shop.ask("evidence", signed, second).outcome == "refused"
    assert log.entry.file is not None
    shop.lost.add(log.entry.file)
    assert shop.ask("evidence", "evidence: {log: {}}", second).outcome == "refused"


def test_a_readback_counts_where_it_shows_the_parent(shop: Shop) -> None:
    first = shop.revision(shop.baseline(), WARMER, day=2)
    read = shop.readback(first, changed({0xD0: b"\x01"}, WARMER), day=3)
    shop.evidence(read, "faults", day=4)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=5)
    both = "evidence: {readback: {}, faults: {}}"
    assert shop.ask("evidence", both, second).outcome == "held"
    shop.images[read.entry.hash] = shop.read(changed({0x58: b"\x09"}, WARMER))
    assert len(shop.ask("evidence", both, second).refusals) == 2


# ---------------------------------------------------------------------------------------------------------- approval

TWO = "approval: {people: 2}"


def test_two_people_who_did_not_make_it(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.approval(revision, BOSS)
    outcome = shop.ask("approval", TWO, revision)
    assert outcome.outcome == "refused"
    assert outcome.read == "1 approval; people who count: B. Boss"
    shop.approval(revision, OTHER)
    assert shop.ask("approval", TWO, revision).outcome == "held"


@pytest.mark.parametrize("signers", [(BOSS, BOSS), (BOSS, MAKER), (BOSS, READER), (BOSS, STRANGER)])
def test_the_same_person_the_author_and_other_roles_do_not_count(shop: Shop, signers: tuple[object, ...]) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    for signer in signers:
        shop.approval(revision, signer)  # type: ignore[arg-type]
    assert shop.ask("approval", TWO, revision).outcome == "refused"


def test_two_signatures_on_one_approval_are_two_people(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.approval(revision, BOSS, OTHER)
    assert shop.ask("approval", TWO, revision).outcome == "held"


def test_approvals_of_another_entry_do_not_count(shop: Shop) -> None:
    first = shop.revision(shop.baseline(), WARMER)
    shop.approval(first, BOSS, OTHER)
    second = shop.revision(first, changed({0x44: b"\x66"}), day=4)
    assert shop.ask("approval", TWO, second).outcome == "refused"


def test_without_trusted_keys_nobody_approved(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER)
    shop.approval(revision, BOSS, OTHER)
    assert shop.ask("approval", TWO, revision, trust=None).outcome == "refused"


def test_unsigned_approvals_count_by_name_where_the_policy_says_so(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER, author="M. Maker")
    policy = "approval: {people: 2, signed: false}"
    shop.approval(revision, author="B. Boss")
    shop.approval(revision, author=" b.  BOSS ")
    shop.approval(revision, author="m. maker")
    shop.approval(revision, author="R. Reader", role="reader")
    shop.approval(revision, author=" ")
    assert shop.ask("approval", policy, revision).outcome == "refused"
    shop.approval(revision, author="O. Other")
    assert shop.ask("approval", policy, revision).outcome == "held"


def test_where_nobody_is_named_as_the_author_it_cannot_be_told(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER, author="", signers=())
    shop.approval(revision, BOSS, OTHER)
    outcome = shop.ask("approval", TWO, revision)
    assert "nobody can tell whether those who approved made it themselves" in told(outcome)


def test_the_author_is_known_by_signature_too(shop: Shop) -> None:
    revision = shop.revision(shop.baseline(), WARMER, author="somebody", signers=(MAKER, BOSS))
    shop.approval(revision, BOSS, OTHER)
    assert shop.ask("approval", TWO, revision).outcome == "refused"


def test_entries_that_have_no_image_have_no_lineage(shop: Shop) -> None:
    stock = shop.baseline()
    log = shop.evidence(stock, day=2)
    case = shop.case("", log, data=STOCK)
    with pytest.raises(LedgerError, match="has no image"):
        _ = case.lineage
