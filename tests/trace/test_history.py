"""The chain of a unit as a list."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from trace_shop import FUEL, LEARNED, Shop, changed, image

from caldiff.canonical import Digest
from caldiff.ledger.entry import ChecksumFact
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import Trust, TrustedKey
from caldiff.trace.history import History, Row, history

ANNE = PrivateKey.of_seed(bytes([1]) * 32)
TRUST = Trust(
    name="keys",
    digest=Digest.of(b""),
    keys=(TrustedKey(name="Anne", key=ANNE.public.text, roles=("approver",), since=None, until=None),),
)


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    shop = Shop(tmp_path_factory.mktemp("story"))
    recorder = shop.recorder()
    recorder.baseline("van17", shop.file("stock.bin", image()))
    recorder.repeat("van17", shop.file("second.bin", image()))
    recorder.revision("van17", shop.file("rev1.bin", changed(FUEL, 60, a0x1041=7, stale=True)), message="richer")
    shop.recorder(signers=[ANNE], author="Anne", time="2026-03-10T08:00:00Z").approval("van17", of="2")
    recorder.delivery("van17", of="latest", to="the workshop")
    recorder.evidence("van17", [shop.file("drive.csv", b"x")], sort="log")
    recorder.readback("van17", shop.file("back.bin", changed(LEARNED, 1, a0x1084=60, a0x1041=7, stale=True)))
    recorder.returned("van17")
    return shop


@pytest.fixture
def told(story: Shop, tmp_path: Path) -> Shop:
    return Shop.copied(story, tmp_path / "shop")


def rows(found: History) -> list[tuple[str, int | None, int | None, int | None]]:
    return [(row.entry.kind, row.of, row.parent, row.baseline) for row in found.rows]


def test_the_rows(story: Shop) -> None:
    found = history(story.vault, "van17")
    assert rows(found) == [
        ("baseline", None, None, None),
        ("repeat", None, None, 0),
        ("revision", None, 0, 0),
        ("approval", 2, None, None),
        ("delivery", 2, None, None),
        ("evidence", 2, None, None),
        ("readback", 2, None, None),
        ("return", None, None, 0),
    ]
    assert [row.sequence for row in found.rows] == list(range(8))
    chain = story.vault.chain("van17")
    assert [row.hash for row in found.rows] == [entry.hash for entry in chain.entries]
    assert repr(found) == "<History of van17: 8 entries, sound>"


def test_what_hangs_on_a_revision(story: Shop) -> None:
    row = history(story.vault, "van17").rows[2]
    assert (row.approvals, row.deliveries, row.evidence) == ((3,), (4,), (5,))
    assert row.changes is not None
    assert (row.changes.cells, row.changes.unexplained, row.changes.code) == (1, 1, 1)
    assert row.changes.tables == (("fuel", 1),)
    assert row.checksums == (ChecksumFact(name="calibration", status="stale"),)
    assert row.entry.draft.message == "richer"


def test_changes_of_what_is_read_and_of_what_is_not(story: Shop) -> None:
    found = [row.changes for row in history(story.vault, "van17").rows]
    assert [None if one is None else one.bytes for one in found] == [None, 0, 6, None, None, None, 1, None]


def test_who_signed(story: Shop) -> None:
    found = history(story.vault, "van17", trust=TRUST)
    assert [row.signers for row in found.rows] == [(), (), (), ("Anne",), (), (), (), ()]
    assert [("not signed" in row.remarks) for row in found.rows] == [n != 3 for n in range(8)]
    assert found.proof.held("signatures")
    without = history(story.vault, "van17")
    assert [row.signers for row in without.rows] == [()] * 8
    assert [state.state for state in without.rows[3].signatures] == ["unknown key"]
    assert not any("not signed" in row.remarks for row in without.rows)


def test_what_is_odd_is_said_where_it_is(story: Shop) -> None:
    found = history(story.vault, "van17")
    assert found.rows[1].remarks == (
        "the very file of the baseline: it confirms it only if the unit was read a second time",
    )
    assert [f.text for f in found.rows[3].findings] == ["the entry is dated before the one that it follows"]
    assert found.rows[3].sound


def test_how_far_it_is_proven(story: Shop) -> None:
    levels = {level.level: level.state for level in history(story.vault, "van17").proof.levels}
    assert levels == {
        "links": "held",
        "bytes": "not checked",
        "meaning": "not checked",
        "signatures": "not checked",
        "head": "not checked",
    }


def test_a_damaged_entry_is_told_and_the_rest_is_still_there(told: Shop) -> None:
    path = told.folder / "vault" / "units" / "van17" / "000002.json.gz"
    path.write_bytes(path.read_bytes()[:40])
    found = history(told.vault, "van17")
    assert not found.proof.sound
    assert [row.sequence for row in found.rows] == [0, 1, 3, 4, 5, 6, 7]
    assert [row.of for row in found.rows[2:6]] == [None] * 4
    assert any(f.sequence == 2 and f.fault for f in found.proof.findings)


def test_a_unit_that_is_not_there(story: Shop) -> None:
    for unit in ("nobody", "../van17", ""):
        found = history(story.vault, unit)
        assert (found.rows, found.proof.sound) == ((), False)
        assert found.proof.findings[0].text == f"the vault has no unit {unit}"


def test_it_restores_nothing(told: Shop) -> None:
    for path in (told.folder / "vault" / "objects").rglob("*"):
        if path.is_file():
            path.unlink()
    assert len(history(told.vault, "van17").rows) == 8
    assert history(told.vault, "van17").proof.sound  # and says that bytes are not checked


def test_it_costs_no_heavy_library(story: Shop) -> None:
    code = (
        "import sys\nfrom caldiff.vault.vault import Vault\nfrom caldiff.trace.history import history\n"
        f"assert len(history(Vault.open({story.vault.folder!r}), 'van17').rows) == 8\n"
        "raise SystemExit(bool({'numpy', 'cryptography', 'zfec', 'sqlite3', 'yaml', 'ryml'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_row_by_itself(story: Shop) -> None:
    row = history(story.vault, "van17").rows[0]
    assert Row(entry=row.entry) == row
    assert (row.changes, row.checksums[0].status, row.sound) == (None, "valid", True)
