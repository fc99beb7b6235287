"""Proof documents: they come back, hold, and whatever is changed in one is either refused or does not hold."""

from __future__ import annotations

import json
from typing import Any

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import CaldiffError, LedgerError
from caldiff.ledger.checkpoint import Leaf, checkpoint_over, origin_of, sign
from caldiff.ledger.merkle import consistency, inclusion
from caldiff.ledger.proof import ConsistencyProof, InclusionProof, proof_findings, read_proof
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import Trust, TrustedKey

KEY, OTHER = PrivateKey.of_seed(bytes(range(32))), PrivateKey.of_seed(bytes(32))
ORIGIN = origin_of("00" * 16)
LEAVES = [Leaf(unit=f"van{n % 3}", sequence=n // 3, entry=Digest.of(bytes([n]))) for n in range(11)]
HASHES = [leaf.hash for leaf in LEAVES]
OLDER, NEWER = sign(checkpoint_over(ORIGIN, LEAVES[:6]), [KEY]), checkpoint_over(ORIGIN, LEAVES)
WITHIN = InclusionProof(leaf=LEAVES[4], index=4, path=inclusion(HASHES, 4), checkpoint=NEWER)
GREW = ConsistencyProof(older=OLDER, newer=NEWER, path=consistency(HASHES, 6))


@pytest.mark.parametrize("proof", [WITHIN, GREW])
def test_a_proof_comes_back_and_holds(proof: InclusionProof | ConsistencyProof) -> None:
    again = read_proof(proof.dump())
    assert again == proof
    assert again.holds


def test_every_leaf_is_proven() -> None:
    for index, leaf in enumerate(LEAVES):
        assert InclusionProof(leaf=leaf, index=index, path=inclusion(HASHES, index), checkpoint=NEWER).holds


def test_another_entry_is_not_proven() -> None:
    for change in ({"unit": "van2"}, {"sequence": 2}, {"entry": Digest.of(b"another")}):
        assert not attrs.evolve(WITHIN, leaf=attrs.evolve(WITHIN.leaf, **change)).holds  # type: ignore[arg-type]


def test_a_rewritten_tree_is_not_proven_to_have_grown() -> None:
    rewritten = [*LEAVES[:2], Leaf(unit="van2", sequence=0, entry=Digest.of(b"another")), *LEAVES[3:]]
    path = consistency([leaf.hash for leaf in rewritten], 6)
    assert not ConsistencyProof(older=OLDER, newer=checkpoint_over(ORIGIN, rewritten), path=path).holds


def test_another_vault_is_not_this_one_grown() -> None:
    elsewhere = attrs.evolve(NEWER, origin=origin_of("11" * 16))
    proof = attrs.evolve(GREW, newer=elsewhere)
    assert not proof.holds
    assert [f.text for f in proof_findings(proof, kept=OLDER)] == [
        "the two checkpoints are of different vaults: this proves nothing"
    ]


@given(st.sampled_from([WITHIN, GREW]), st.data())
def test_any_changed_byte(proof: InclusionProof | ConsistencyProof, data: st.DataObject) -> None:
    """It is refused, or does not hold; or what was changed only the kept or signed checkpoint itself can tell."""
    whole = bytearray(proof.dump())
    at = data.draw(st.integers(0, len(whole) - 1))
    whole[at] = data.draw(st.integers(0, 255).filter(lambda byte: byte != proof.dump()[at]))
    try:
        read = read_proof(bytes(whole))
    except CaldiffError:
        return
    assert not read.holds or bare(read) == bare(proof)


def bare(proof: InclusionProof | ConsistencyProof) -> InclusionProof | ConsistencyProof:
    """Without signatures, and where nothing else says it without the origin."""
    if isinstance(proof, InclusionProof):
        return attrs.evolve(proof, checkpoint=attrs.evolve(proof.checkpoint, origin=ORIGIN, signatures=()))
    older, newer = (attrs.evolve(one, signatures=()) for one in (proof.older, proof.newer))
    return attrs.evolve(proof, older=older, newer=newer)


JSON = st.recursive(st.none() | st.text(max_size=5) | st.integers(-9, 9), lambda inner: st.lists(inner, max_size=3))


@given(st.binary(max_size=200) | JSON.map(canonical_json))
def test_any_bytes(data: bytes) -> None:
    with pytest.raises(LedgerError):
        read_proof(data)


@given(st.sampled_from([WITHIN, GREW]), st.data())
def test_any_value_anywhere(proof: InclusionProof | ConsistencyProof, data: st.DataObject) -> None:
    document: dict[str, Any] = json.loads(proof.dump())
    key = data.draw(st.sampled_from(sorted(document)))
    other = st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text(max_size=9)
    document[key] = data.draw(other | st.lists(other, max_size=3) | st.dictionaries(st.text(max_size=9), other))
    try:
        read = read_proof(canonical_json(document) + b"\n")
    except CaldiffError:
        return
    assert not read.holds or bare(read) == bare(proof)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"version": 2}, "version"),
        ({"version": True}, "version"),
        ({"more": 1}, "other keys"),
        ({"caldiff": "checkpoint"}, "no proof"),
        ({"index": -1}, "index"),
        ({"index": "4"}, "index"),
        ({"path": ["00"]}, "hash in the path"),
        ({"path": ["00" * 32] * 129}, "at most 128"),
        ({"checkpoint": "o\n1\n"}, "the checkpoint in this proof"),
        ({"checkpoint": 1}, "no text"),
        ({"entry": {"unit": "van1"}}, "entry of a tree"),
    ],
)
def test_what_is_no_proof_is_refused(change: dict[str, Any], reason: str) -> None:
    with pytest.raises(LedgerError, match=reason):
        read_proof(canonical_json({**json.loads(WITHIN.dump()), **change}))


def test_which_checkpoint_is_bad_is_said() -> None:
    with pytest.raises(LedgerError, match="the older checkpoint in this proof"):
        read_proof(canonical_json({**json.loads(GREW.dump()), "older": "o\n1\n"}))


def trusted(key: PrivateKey) -> Trust:
    return Trust(
        name="trust", digest=Digest.of(b""), keys=(TrustedKey(name="Ada", key=key.public.text, roles=("reader",)),)
    )


def faults(proof: InclusionProof | ConsistencyProof, **by: Any) -> list[str]:
    return [finding.text for finding in proof_findings(proof, **by) if finding.fault]


def test_who_stands_behind_a_proof() -> None:
    assert faults(WITHIN) == faults(GREW) == ["nobody stands behind the checkpoint"]
    assert (
        proof_findings(WITHIN, kept=NEWER) == proof_findings(GREW, kept=OLDER) == proof_findings(GREW, kept=NEWER) == ()
    )
    assert proof_findings(GREW, trust=trusted(KEY)) == ()
    assert faults(WITHIN, kept=OLDER) == ["the kept checkpoint is none of those in the proof"]
    assert faults(WITHIN, trust=trusted(KEY)) == ["no trusted key has signed the checkpoint"]
    assert faults(GREW, trust=trusted(OTHER)) == ["no trusted key has signed the checkpoint"]
    assert proof_findings(GREW, trust=trusted(OTHER), kept=NEWER) == ()


def test_a_wrong_signature_is_a_fault_whatever_was_kept() -> None:
    moved = attrs.evolve(NEWER, signatures=OLDER.signatures)
    assert faults(attrs.evolve(WITHIN, checkpoint=moved), trust=trusted(KEY), kept=NEWER) == [
        "the signature in the name of Ada is wrong: the checkpoint is not what was signed"
    ]


def test_a_path_that_does_not_hold_is_a_fault_whoever_signed() -> None:
    signed = sign(NEWER, [KEY])
    broken = attrs.evolve(WITHIN, index=5, checkpoint=signed)
    assert faults(broken, trust=trusted(KEY), kept=signed) == [
        "the path does not lead to the root of the checkpoint: this proves nothing"
    ]
