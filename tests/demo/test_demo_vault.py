"""The demo's vault: the same entries everywhere, all of it proven, and the one revision that may not go out."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.demo.chronicle import CHECKPOINT, UNIT, VAULT
from caldiff.demo.scenario import write_demo
from caldiff.errors import FileError
from caldiff.gate.gate import judge
from caldiff.gate.policy_file import default_policy
from caldiff.gate.trust_file import load_trust
from caldiff.trace.verification import verify
from caldiff.vault.vault import Vault

HEAD = "637d54be1f8b6948cef16f0e4fe7348313c90dd629bb06465f02626d8a403600"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("told")
    write_demo(folder)
    return folder


def test_the_entries_are_the_same_everywhere(demo: Path) -> None:
    links = Vault.open(demo / VAULT).links(UNIT)
    assert [link.kind for link in links] == [
        *("baseline", "repeat", "revision", "approval", "approval", "delivery", "evidence", "evidence"),
        *("revision", "approval", "approval", "delivery", "evidence", "evidence", "readback", "revision"),
    ]
    assert links[-1].hash.hex == HEAD


def test_every_level_of_proof_holds(demo: Path) -> None:
    vault = Vault.open(demo / VAULT)
    found = verify(vault, trust=load_trust(demo / "trust.yaml"), checkpoint=(demo / CHECKPOINT).read_bytes())
    assert found.sound
    assert [level.state for level in found.units[0].proof.levels] == ["held"] * 5


@pytest.mark.parametrize(
    ("name", "refused"),
    [
        ("van17_rev1.hex", set()),
        ("van17_rev2.s19", set()),
        ("van17_rev3.zip", {"checksums", "unexplained", "protected", "codes", "approval"}),
        ("van17_read_after_update.hex", {"traceability"}),
    ],
)
def test_what_the_default_policy_says(demo: Path, name: str, refused: set[str]) -> None:
    verdict = judge(
        [demo / name],
        vault=Vault.open(demo / VAULT),
        policy=default_policy(),
        trust=load_trust(demo / "trust.yaml"),
        catalogue=Catalogue((shipped_folder(),)),
    )
    assert {refusal.rule for _, refusal in verdict.refusals} == refused
    assert verdict.accepted == (not refused)


def test_a_story_cut_short_is_told_to_its_end(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(demo, tmp_path, dirs_exist_ok=True)
    for sequence in (14, 15):
        for path in (tmp_path / VAULT / "units" / UNIT).glob(f"{sequence:06}*"):
            path.unlink()
    write_demo(tmp_path)
    assert Vault.open(tmp_path / VAULT).links(UNIT) == Vault.open(demo / VAULT).links(UNIT)


def test_another_vault_is_left_alone(tmp_path: Path) -> None:
    mine = Vault.create(tmp_path / VAULT, id="0" * 32)
    with pytest.raises(FileError, match="another one is there"):
        write_demo(tmp_path)
    assert mine.units() == ()
