"""Checkpoints of a vault: what they cover, and every way in which a vault can part from one that was kept."""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import attrs
import pytest
from bundle_units import KEY, OTHER, baseline, note, stock, story, vault_at

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import CaldiffError, LedgerError, VaultError
from caldiff.ledger.checkpoint import Checkpoint, Leaf, checkpoint_over, origin_of, read_checkpoint, sign
from caldiff.ledger.finding import Finding
from caldiff.ledger.proof import read_proof
from caldiff.ledger.trust import Trust, TrustedKey
from caldiff.vault.checkpoints import check, consistency, inclusion, make_checkpoint, tree_findings, tree_of
from caldiff.vault.files import pack
from caldiff.vault.vault import Vault

TRUST = Trust(
    name="trust",
    digest=Digest.of(b""),
    keys=(TrustedKey(name="Ada", key=KEY.public.text, roles=("approver",)),),
)


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    made = vault_at(tmp_path / "vault")
    story(made, "van17", 1, revisions=2)
    baseline(made, "van4", stock(2))
    return made


def copied(vault: Vault, folder: Path) -> Vault:
    shutil.copytree(vault.folder, folder)
    return Vault.open(folder)


def faults(findings: tuple[Finding, ...]) -> list[str]:
    assert {finding.level for finding in findings} <= {"head"}
    return [finding.text for finding in findings if finding.fault]


# ---------------------------------------------------------------------------------------------------------- making one


def test_a_checkpoint_covers_every_entry_by_unit_and_sequence(vault: Vault) -> None:
    leaves = [
        Leaf(unit=u, sequence=link.sequence, entry=link.hash) for u in ("van17", "van4") for link in vault.links(u)
    ]
    made = make_checkpoint(vault)
    assert made == checkpoint_over(origin_of("a" * 32), leaves)
    assert made.size == 5
    assert tree_of(vault).leaves == tuple(leaves)
    assert faults(check(vault, made.dump())) == []


def test_the_next_one_adds_what_came_since(vault: Vault) -> None:
    first = make_checkpoint(vault)
    note(vault, "van17", "a second look")
    second = make_checkpoint(vault, signers=[KEY])
    assert (first.size, second.size) == (5, 6)
    assert tree_of(vault).leaves[-1] == Leaf(unit="van17", sequence=4, entry=vault.links("van17")[4].hash)
    document = json.loads(gzip.decompress(Path(vault.folder, "checkpoints/000002.json.gz").read_bytes()))
    assert (document["caldiff"], document["version"], len(document["leaves"])) == ("checkpoint", 1, 1)
    assert document["note"] == second.dump().decode()
    for kept in (first, second):
        assert faults(check(vault, kept.dump())) == []


def test_nothing_new_writes_nothing_but_a_signature(vault: Vault) -> None:
    first = make_checkpoint(vault)
    assert make_checkpoint(vault) == first
    assert sorted(path.name for path in Path(vault.folder, "checkpoints").iterdir()) == [
        "000001.json.gz",
        "000001.json.gz.mend",
    ]
    signed = make_checkpoint(vault, signers=[KEY])
    assert signed == sign(first, [KEY])
    assert make_checkpoint(vault, signers=[KEY]) == signed
    assert len(tree_of(vault).checkpoints) == 2


def test_recovery_data_that_a_kill_left_out_is_completed(vault: Vault) -> None:
    make_checkpoint(vault)
    mend = Path(vault.folder, "checkpoints/000001.json.gz.mend")
    before = mend.read_bytes()
    mend.unlink()
    make_checkpoint(vault)
    assert mend.read_bytes() == before


def test_an_empty_vault_has_nothing_to_cover(tmp_path: Path) -> None:
    empty = vault_at(tmp_path / "empty")
    with pytest.raises(VaultError, match="nothing is recorded"):
        make_checkpoint(empty)
    with pytest.raises(VaultError, match="no checkpoint yet"):
        _ = tree_of(empty).newest
    assert not Path(empty.folder, "checkpoints").exists()


RACER = """
import sys
from caldiff.vault.checkpoints import make_checkpoint
from caldiff.vault.vault import Vault
from caldiff.ledger.signing import PrivateKey
vault = Vault.open(sys.argv[1])
sys.stdin.read()
make_checkpoint(vault, signers=[PrivateKey.of_seed(bytes([int(sys.argv[2])]) * 32)])
"""


def test_a_race_loses_nobodys_signature(vault: Vault) -> None:
    racers = [
        subprocess.Popen([sys.executable, "-c", RACER, vault.folder, str(n)], stdin=subprocess.PIPE) for n in range(4)
    ]
    for racer in racers:
        assert racer.stdin is not None
        racer.stdin.close()
    assert [racer.wait() for racer in racers] == [0] * 4
    tree = tree_of(vault)
    assert (len(tree.checkpoints), tree.newest.size, len(tree.newest.signatures)) == (4, 5, 4)


def test_a_broken_chain_gets_no_checkpoint(vault: Vault) -> None:
    Path(vault.folder, "units/van17/000001.json.gz").unlink()
    with pytest.raises(CaldiffError):
        make_checkpoint(vault)
    assert not Path(vault.folder, "checkpoints").exists()


def test_a_vault_at_odds_with_its_own_checkpoint_gets_no_other(vault: Vault) -> None:
    make_checkpoint(vault)
    shutil.rmtree(f"{vault.folder}/units/van4")
    with pytest.raises(VaultError, match="entry 0 of van4 is missing, which a checkpoint covers"):
        make_checkpoint(vault)
    assert faults(tree_findings(vault)) == ["entry 0 of van4 is missing, which a checkpoint covers"]


# ------------------------------------------------------------------------------------------------ against one kept


def test_a_dropped_tail_is_found_and_named(vault: Vault) -> None:
    kept = make_checkpoint(vault).dump()
    for end in ("", ".mend"):
        Path(vault.folder, f"units/van17/000003.json.gz{end}").unlink()
    (finding,) = check(vault, kept)
    assert (finding.unit, finding.sequence, finding.fault) == ("van17", 3, True)
    assert "missing" in finding.text


def test_a_rewritten_history_is_found_and_named(vault: Vault, tmp_path: Path) -> None:
    """Whoever holds the whole vault writes it anew, checkpoints and all; whoever kept a checkpoint sees it."""
    kept = make_checkpoint(vault)
    other = vault_at(tmp_path / "other")
    story(other, "van17", 1, revisions=1)
    note(other, "van17", "another end")
    baseline(other, "van4", stock(2))
    assert faults(check(other, kept.dump())) == ["the vault's tree is shorter than the checkpoint"]
    assert make_checkpoint(other).size == kept.size
    assert faults(check(other, kept.dump())) == [
        "the first 5 entries of the vault's tree are not those that the checkpoint covers"
    ]
    shutil.copytree(f"{vault.folder}/checkpoints", f"{other.folder}/checkpoints", dirs_exist_ok=True)
    assert faults(check(other, kept.dump())) == [
        "entry 2 of van17 is another one than a checkpoint covers",
        "entry 3 of van17 is another one than a checkpoint covers",
    ]


def test_a_vault_set_back_is_found(vault: Vault, tmp_path: Path) -> None:
    old = copied(vault, tmp_path / "old")
    make_checkpoint(old)
    note(vault, "van17", "more")
    kept = make_checkpoint(vault).dump()
    assert faults(check(old, kept)) == ["the vault's tree is shorter than the checkpoint"]


def test_lost_checkpoints_are_found(vault: Vault) -> None:
    make_checkpoint(vault)
    note(vault, "van17", "more")
    kept = make_checkpoint(vault).dump()
    Path(vault.folder, "checkpoints/000001.json.gz").unlink()
    found = check(vault, kept)
    assert faults(found)[0].startswith("checkpoint 1 of the vault cannot be used: the vault lacks this file")
    assert found[0].file == "checkpoints/000001.json.gz"
    with pytest.raises(VaultError, match="checkpoint 1"):
        tree_of(vault)


def test_entries_since_the_checkpoint_are_no_fault(vault: Vault) -> None:
    kept = make_checkpoint(vault).dump()
    note(vault, "van17", "more")
    baseline(vault, "van9", stock(3))
    assert check(vault, kept) == ()


def test_another_vaults_checkpoint_is_told(vault: Vault, tmp_path: Path) -> None:
    other = vault_at(tmp_path / "other", "b")
    story(other)
    assert faults(check(vault, make_checkpoint(other).dump())) == ["the checkpoint is of another vault"]


@pytest.mark.parametrize("kept", [b"", b"\xff", b"three\nlines\nhere\n"])
def test_what_is_no_checkpoint_proves_nothing(vault: Vault, kept: bytes) -> None:
    make_checkpoint(vault)
    assert faults(check(vault, kept))[0].startswith("the checkpoint cannot be used")


def test_signatures_are_told(vault: Vault) -> None:
    plain, signed = make_checkpoint(vault), make_checkpoint(vault, signers=[KEY])
    assert check(vault, signed.dump(), TRUST) == ()
    (remark,) = check(vault, plain.dump(), TRUST)
    assert (remark.fault, remark.text.startswith("no trusted key has signed")) == (False, True)
    (remark,) = check(vault, sign(plain, [OTHER]).dump(), TRUST)
    assert not remark.fault
    moved = sign(attrs.evolve(plain, size=3), [KEY]).signatures
    wrong = attrs.evolve(plain, signatures=moved)
    assert faults(check(vault, wrong.dump(), TRUST)) == [
        "the signature in the name of Ada is wrong: the checkpoint is not what was signed"
    ]


# ------------------------------------------------------------------------------------------- the vault's own files


def rewritten(vault: Vault, **change: Any) -> None:
    path = Path(vault.folder, "checkpoints/000001.json.gz")
    document = {**json.loads(gzip.decompress(path.read_bytes())), **change}
    path.write_bytes(pack(canonical_json(document)))


def other_root(checkpoint: Checkpoint) -> str:
    return attrs.evolve(checkpoint, root=Digest.of(b"")).dump().decode()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"version": 2}, "version"),
        ({"more": 1}, "no such document"),
        ({"caldiff": "vault"}, "no such document"),
        ({"leaves": []}, "another number of entries"),
        ({"leaves": [1]}, "entry of a tree"),
        ({"leaves": {}}, "no such document"),
        ({"note": 1}, "no such document"),
        ({"note": "three\nlines\nhere\n"}, "size of a checkpoint"),
        ({"note": other_root}, "root"),
        ({"note": lambda made: attrs.evolve(made, origin="elsewhere").dump().decode()}, "another vault"),
        ({"leaves": [{"unit": "van17", "sequence": 1, "entry": "00" * 32}]}, "adds entry 1 of van17"),
    ],
)
def test_a_damaged_checkpoint_file_is_told(vault: Vault, change: dict[str, Any], reason: str) -> None:
    made = make_checkpoint(vault)
    rewritten(vault, **{key: value(made) if callable(value) else value for key, value in change.items()})
    with pytest.raises(VaultError, match=reason) as caught:
        tree_of(vault)
    assert caught.value.file == f"{vault.folder}/checkpoints/000001.json.gz"
    assert any(reason in text for text in faults(check(vault, made.dump())))


def test_every_flipped_bit_of_a_checkpoint_file_is_found(vault: Vault) -> None:
    kept = make_checkpoint(vault).dump()
    path = Path(vault.folder, "checkpoints/000001.json.gz")
    sound = path.read_bytes()
    for at in range(0, len(sound), 7):
        path.write_bytes(sound[:at] + bytes([sound[at] ^ 1 << at % 8]) + sound[at + 1 :])
        assert faults(check(vault, kept)), at
        with pytest.raises(VaultError):
            tree_of(vault)


# -------------------------------------------------------------------------------------------------------------- proofs


def test_proofs_hold_without_the_vault(vault: Vault) -> None:
    first = make_checkpoint(vault, signers=[KEY])
    note(vault, "van4", "more")
    newest = make_checkpoint(vault)
    for unit, links in ((unit, vault.links(unit)) for unit in vault.units()):
        for link in links:
            proof = read_proof(inclusion(vault, unit, link.sequence).dump())
            assert proof.holds
            assert (proof.leaf.entry, proof.checkpoint) == (link.hash, newest)  # type: ignore[union-attr]
    grew = read_proof(consistency(vault, first).dump())
    assert grew.holds
    assert (grew.older, grew.newer) == (first, newest)  # type: ignore[union-attr]


def test_what_cannot_be_proven_is_refused(vault: Vault) -> None:
    with pytest.raises(VaultError, match="no checkpoint yet"):
        inclusion(vault, "van17", 0)
    made = make_checkpoint(vault)
    note(vault, "van17", "more")
    with pytest.raises(VaultError, match="no checkpoint covers entry 4 of van17 yet"):
        inclusion(vault, "van17", 4)
    with pytest.raises(VaultError, match="no entry 9"):
        inclusion(vault, "van17", 9)
    with pytest.raises((VaultError, LedgerError)):
        inclusion(vault, "van99", 0)
    for change in ({"size": 6}, {"size": 4}, {"root": Digest.of(b"")}, {"origin": "elsewhere"}):
        with pytest.raises(VaultError, match="does not begin with"):
            consistency(vault, attrs.evolve(made, **change))  # type: ignore[arg-type]


def test_a_swapped_chain_is_not_proven(vault: Vault, tmp_path: Path) -> None:
    make_checkpoint(vault)
    other = vault_at(tmp_path / "other")
    baseline(other, "van4", stock(9))
    shutil.copytree(f"{other.folder}/units/van4", f"{vault.folder}/units/van4", dirs_exist_ok=True)
    with pytest.raises(VaultError, match="another one than the checkpoint covers"):
        inclusion(vault, "van4", 0)


def test_a_first_checkpoint_of_very_many_entries_comes_in_pieces(vault: Vault, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("caldiff.vault.checkpoints._MOST", 2)
    made = make_checkpoint(vault)
    assert (made.size, len(tree_of(vault).checkpoints)) == (5, 3)
    assert read_checkpoint(made.dump()) == made
