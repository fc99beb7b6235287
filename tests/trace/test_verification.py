"""A vault verified level by level: what holds, what failed, what was not asked for or cannot be told."""

from __future__ import annotations

from pathlib import Path

import attrs
import pytest
from trace_shop import FUEL, LEARNED, TIME, Shop, changed, image

from caldiff.canonical import Digest
from caldiff.definition.definition import Definition
from caldiff.ledger.chain import Head
from caldiff.ledger.entry import Changes, DefinitionFact, Draft, Revision
from caldiff.ledger.finding import LEVELS, Level
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import Trust, TrustedKey
from caldiff.trace import kept as kept_module
from caldiff.trace.history import history
from caldiff.trace.kept import Kept
from caldiff.trace.verification import Verification, verify
from caldiff.vault.checkpoints import make_checkpoint
from caldiff.vault.files import pack
from caldiff.vault.vault import Vault

ANNE, BERT = PrivateKey.of_seed(bytes([1]) * 32), PrivateKey.of_seed(bytes([2]) * 32)


def trust(*, until: str | None = None, key: PrivateKey = ANNE) -> Trust:
    trusted = TrustedKey(name="Anne", key=key.public.text, roles=("calibrator",), since=None, until=until)
    return Trust(name="keys", digest=Digest.of(b""), keys=(trusted,))


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """Two units: van17 with three entries, the second signed; bus4 with the very file of van17's stock."""
    shop = Shop(tmp_path_factory.mktemp("story"))
    recorder = shop.recorder()
    recorder.baseline("van17", shop.file("stock.bin", image()))
    shop.recorder(signers=[ANNE]).revision("van17", shop.file("rev1.bin", changed(FUEL, 60)))
    recorder.evidence("van17", [shop.file("drive.csv", b"time,speed\n")], sort="log")
    recorder.baseline("bus4", shop.file("stock.bin", image()))
    return shop


@pytest.fixture
def told(story: Shop, tmp_path: Path) -> Shop:
    return Shop.copied(story, tmp_path / "shop")


def levels(found: Verification, unit: str) -> dict[Level, tuple[str, str]]:
    (proof,) = [one.proof for one in found.units if one.unit == unit]
    return {level.level: (level.state, level.reason) for level in proof.levels}


def head(shop: Shop, unit: str = "van17") -> Head:
    return Head.of(shop.vault.chain(unit))


# --------------------------------------------------------------------------------------------------- what holds


def test_all_that_can_be_told_without_help(told: Shop) -> None:
    found = verify(told.vault)
    assert [(one.unit, one.entries) for one in found.units] == [("bus4", 1), ("van17", 3)]
    assert levels(found, "van17") == {
        "links": ("held", "3 entries"),
        "bytes": ("held", "every file that its entries name"),
        "meaning": ("held", "3 entries"),
        "signatures": ("not checked", "no trusted keys were given"),
        "head": ("not checked", "nothing was pinned outside the vault"),
    }
    assert (found.sound, found.findings) == (True, ())
    assert [level for level in LEVELS if found.held(level)] == ["links", "bytes", "meaning"]
    assert repr(found) == f"<Verification of {told.vault.folder}: sound, 2 units, 0 findings>"


def test_some_levels_of_some_units(told: Shop) -> None:
    found = verify(told.vault, units=["van17", "van17"], levels=["bytes"])
    assert [one.unit for one in found.units] == ["van17"]
    assert {level: state for level, (state, _) in levels(found, "van17").items()} == {
        "links": "held",  # all else rests on them
        "bytes": "held",
        "meaning": "not checked",
        "signatures": "not checked",
        "head": "not checked",
    }


def test_what_is_open_already_is_read_once(told: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded: list[str] = []
    real = kept_module.definition_of

    def counted(vault: Vault, fact: DefinitionFact) -> Definition:
        loaded.append(fact.name)
        return real(vault, fact)

    monkeypatch.setattr(kept_module, "definition_of", counted)
    kept = Kept(told.vault)
    assert verify(told.vault, units=["van17"], kept=kept).held("meaning")
    assert verify(told.vault, units=["bus4"], kept=kept).held("meaning")
    assert loaded == ["made-1"]


def test_an_empty_vault_proves_nothing(shop: Shop) -> None:
    found = verify(shop.vault)
    assert found.sound
    assert not any(found.held(level) for level in LEVELS)


def test_progress(told: Shop) -> None:
    said: list[tuple[int, int]] = []
    verify(told.vault, progress=lambda done, total: said.append((done, total)))
    assert said
    assert all(0 < done <= total for done, total in said)
    assert said[-1] == (3, 3)


# --------------------------------------------------------------------------------------------------- signatures


def test_signatures(told: Shop) -> None:
    found = verify(told.vault, trust=trust())
    assert levels(found, "van17")["signatures"] == ("held", "1 of 3 entries are signed by trusted keys")
    assert levels(found, "bus4")["signatures"] == ("not checked", "no entry is signed by a trusted key")
    (remark,) = [f for f in found.findings if f.level == "signatures"]
    assert (remark.text, remark.fault, remark.unit) == ("entries 0, 2 are not signed", False, "van17")


def test_a_key_that_nobody_trusts_proves_nothing(told: Shop) -> None:
    found = verify(told.vault, trust=trust(key=BERT))
    assert levels(found, "van17")["signatures"] == ("not checked", "no entry is signed by a trusted key")
    told.recorder(signers=[BERT]).note("van17", message="words")
    (unsigned, unknown) = [f for f in verify(told.vault, trust=trust(key=BERT)).findings if f.level == "signatures"]
    assert unsigned.text == "entries 0, 2 are not signed"
    assert unknown.text == f"entry 1 is signed by {ANNE.keyid}, which is not trusted here"
    assert not unknown.fault


def test_a_signature_of_a_time_when_the_key_did_not_hold(told: Shop) -> None:
    found = verify(told.vault, trust=trust(until="2026-03-10"))
    assert levels(found, "van17")["signatures"][0] == "failed"
    (fault,) = [f for f in found.findings if f.fault]
    assert (fault.unit, fault.sequence) == ("van17", 1)
    assert "when the key did not hold" in fault.text
    assert not found.sound


def test_a_signature_that_is_wrong(told: Shop) -> None:
    path = told.folder / "vault" / "units" / "van17" / "000001.json.gz"
    one = told.vault.chain("van17").recorded[1]
    (signature,) = one.envelope.signatures
    wrong = attrs.evolve(signature, sig=bytes([signature.sig[0] ^ 1]) + signature.sig[1:])
    path.write_bytes(pack(attrs.evolve(one.envelope, signatures=(wrong,)).dump()))
    found = verify(told.vault, trust=trust(), levels=["signatures"])
    assert levels(found, "van17")["signatures"][0] == "failed"
    assert "the signature in the name of Anne is wrong" in [f.text for f in found.findings if f.fault]


# ---------------------------------------------------------------------------------------------------------- head


def test_a_pinned_head(told: Shop) -> None:
    pinned = head(told)
    told.recorder().note("van17", message="more")
    found = verify(told.vault, pinned=[pinned])
    assert levels(found, "van17")["head"] == ("held", "up to entry 2 of 3")
    assert levels(found, "bus4")["head"][0] == "not checked"


def test_an_end_that_was_cut_off(told: Shop) -> None:
    pinned = [head(told)]
    for path in (told.folder / "vault" / "units" / "van17").glob("000002*"):
        path.unlink()
    assert levels(verify(told.vault), "van17")["links"] == ("held", "2 entries")  # by itself the chain cannot tell
    found = verify(told.vault, pinned=pinned)
    assert levels(found, "van17")["head"][0] == "failed"
    assert not found.sound


def test_a_unit_that_is_gone(told: Shop) -> None:
    pinned = [head(told)]
    for path in (told.folder / "vault" / "units" / "van17").iterdir():
        path.unlink()
    path.parent.rmdir()
    found = verify(told.vault, pinned=pinned)
    assert "the pinned unit van17 is not in the vault" in [f.text for f in found.general if f.fault]
    assert (found.sound, found.held("head")) == (False, False)
    asked = verify(told.vault, units=["van17"], pinned=pinned)
    assert levels(asked, "van17")["links"][0] == "failed"
    assert [f.text for f in asked.findings] == ["the vault has no unit van17"]
    other = verify(told.vault, units=["bus4"], pinned=pinned)
    assert [f.text for f in other.general] == ["the pinned unit van17 is not in the vault"]


def test_a_head_of_a_unit_that_was_not_asked_for_is_looked_at_all_the_same(told: Shop) -> None:
    pinned = head(told)
    assert verify(told.vault, units=["bus4"], pinned=[pinned]).sound
    found = verify(told.vault, units=["bus4"], pinned=[attrs.evolve(pinned, hash=Digest.of(b""))])
    assert [(f.unit, f.level, f.fault) for f in found.general] == [("van17", "head", True)]
    assert not verify(told.vault, units=["bus4"], levels=["bytes"], pinned=[pinned]).general


@pytest.mark.parametrize("unit", ["nobody", "../units/van17", "", "van17/", "."])
def test_a_unit_that_never_was(told: Shop, unit: str) -> None:
    found = verify(told.vault, units=[unit])
    assert not found.sound
    assert {state for state, _ in levels(found, unit).values()} == {"failed", "not checked"}


def test_a_checkpoint_that_was_kept_elsewhere(told: Shop) -> None:
    kept = make_checkpoint(told.vault).dump()
    told.recorder().note("van17", message="more")
    told.recorder().baseline("new", told.file("new.bin", image()))
    found = verify(told.vault, checkpoint=kept)
    assert levels(found, "van17")["head"] == ("held", "up to entry 2 of 3")
    assert levels(found, "bus4")["head"] == ("held", "up to entry 0 of 0")
    assert levels(found, "new")["head"] == ("not checked", "the checkpoint does not cover it, or does not hold")
    for path in (told.folder / "vault" / "units" / "van17").glob("00000[23]*"):
        path.unlink()
    found = verify(told.vault, checkpoint=kept)
    assert levels(found, "van17")["head"][0] == "failed"
    assert verify(told.vault, checkpoint=kept, units=["bus4"]).sound is False


def test_a_checkpoint_that_is_none_proves_nothing(told: Shop) -> None:
    kept = make_checkpoint(told.vault).dump()
    for data in (b"", b"words", kept[:-9], kept.replace(b"\n4\n", b"\n3\n")):
        found = verify(told.vault, checkpoint=data, levels=["head"])
        assert not found.sound
        assert [levels(found, unit)["head"][0] for unit in ("bus4", "van17")] == ["not checked", "not checked"]


# -------------------------------------------------------------------------------------------------------- damage


def test_a_lie_fails_the_meaning(told: Shop) -> None:
    entry = told.vault.chain("van17").recorded[1].entry
    assert isinstance(entry.body, Revision)
    body = attrs.evolve(entry.body, against_parent=Changes(raw=Digest.of(b"")))
    told.vault.append("van17", Draft(body=body, time=TIME, subjects=entry.draft.subjects))
    found = verify(told.vault)
    assert levels(found, "van17")["meaning"] == ("failed", "4 entries")
    assert levels(found, "bus4")["meaning"] == ("held", "1 entries")


def test_damage_of_a_file_that_two_units_name_is_told_of_both(told: Shop) -> None:
    (path,) = (told.folder / "vault" / "objects").rglob(Digest.of(image()).hex)
    path.write_bytes(b"\0" + path.read_bytes()[1:])
    found = verify(told.vault)
    assert [levels(found, unit)["bytes"][0] for unit in ("bus4", "van17")] == ["failed", "failed"]
    assert {f.sequence for f in found.findings if f.level == "bytes" and f.fault} == {0}
    assert levels(found, "van17")["meaning"][0] == "failed"
    assert levels(verify(told.vault, units=["bus4"]), "bus4")["bytes"][0] == "failed"


def test_a_broken_chain_has_no_meaning(told: Shop) -> None:
    (told.folder / "vault" / "units" / "van17" / "000001.json.gz").unlink()
    found = verify(told.vault, trust=trust(), pinned=[head(told, "bus4")])
    assert levels(found, "van17")["links"][0] == "failed"
    assert levels(found, "van17")["meaning"] == ("not checked", "the chain is broken")
    assert [one.entries for one in found.units] == [1, 2]


def test_no_damage_raises_and_every_flipped_bit_is_found(told: Shop) -> None:
    for path in sorted((told.folder / "vault").rglob("*")):
        if not path.is_file() or path.name == ".gitattributes":
            continue
        data = path.read_bytes()
        middle = len(data) // 2
        for harmed in (data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :], data[:-1], b"", None):
            path.unlink() if harmed is None else path.write_bytes(harmed)
            found = verify(told.vault, trust=trust())
            told_of = history(told.vault, "van17", trust=trust())
            assert found.findings, path.name
            assert told_of.unit == "van17"
            path.write_bytes(data)
    assert verify(told.vault).sound


def test_a_vault_whose_folder_is_gone(told: Shop, tmp_path: Path) -> None:
    (tmp_path / "shop" / "vault").rename(tmp_path / "elsewhere")
    found = verify(told.vault)
    assert not any(found.held(level) for level in LEVELS)
    assert not history(told.vault, "van17").proof.sound


def test_a_repeat_and_volatile_bytes_hold_too(told: Shop) -> None:
    told.recorder().repeat("van17", told.file("again.bin", changed(LEARNED, 1)))
    assert verify(told.vault).held("meaning")
