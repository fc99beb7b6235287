"""The index of a vault: what it answers, that it follows the vault, and that no index file makes it answer wrongly."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bundle_units import baseline, changed, facts, note, revision, stock, story, time_of, vault_at

from caldiff.canonical import Digest
from caldiff.ledger.entry import Baseline, Changes, DefinitionFact, Draft, Evidence, Readback, Revision, Subject
from caldiff.vault import index as module
from caldiff.vault.index import Hit, Index
from caldiff.vault.vault import Vault


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = vault_at(tmp_path_factory.mktemp("kept") / "vault")
    story(made, "van17", seed=1)
    story(made, "van18", seed=2, revisions=1)
    return Path(made.folder)


@pytest.fixture
def vault(kept: Path, tmp_path: Path) -> Vault:
    shutil.copytree(kept, tmp_path / "vault")
    return Vault.open(tmp_path / "vault")


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Every entry that is read from its file."""
    seen: list[tuple[str, int]] = []
    real = module._entry

    def reading(vault: Vault, unit: str, sequence: int) -> Any:
        seen.append((unit, sequence))
        return real(vault, unit, sequence)

    monkeypatch.setattr(module, "_entry", reading)
    return seen


def opened(vault: Vault, cache: Path | None) -> Index:
    index = Index.open(cache, vault)
    index.update()
    return index


def places(hits: tuple[Hit, ...]) -> list[tuple[str, int]]:
    return [(hit.unit, hit.sequence) for hit in hits]


def answers(index: Index) -> dict[str, list[tuple[str, int]]]:
    """What the index says of every file of the two stories."""
    first, second = stock(1), stock(2)
    files = {"stock": first, "rev1": changed(first, 7), "other": second, "stranger": b"no"}
    return {name: places(index.by_file(Digest.of(data))) for name, data in files.items()}


WHOLE = {"stock": [("van17", 0)], "rev1": [("van17", 1)], "other": [("van18", 0)], "stranger": []}
"""by the two stories"""


# ------------------------------------------------------------------------------------------------------------ answers


def test_a_file_is_found_by_its_digest(vault: Vault) -> None:
    index = opened(vault, None)
    assert answers(index) == WHOLE
    (hit,) = index.by_file(Digest.of(stock(1)))
    assert hit.hash == vault.links("van17")[0].hash
    assert (hit.role, hit.name) == ("subject", "read.bin")
    entry = index.confirmed(hit)
    assert entry is not None
    assert entry.hash == hit.hash


def test_content_and_stable_digests_and_definitions(vault: Vault, tmp_path: Path) -> None:
    data, text = stock(3), b"definition: 1"
    definition = DefinitionFact(
        name="d", digest=Digest.of(b"d"), files=(Subject(name="d.yaml", file=vault.keep(text)),)
    )
    image = facts(data)
    whole = type(image)(
        format="ihex", size=5, start=4096, content=image.content, stable=Digest.of(b"stable"), definition=definition
    )
    vault.keep(data)
    subject = Subject(name="a.hex", file=Digest.of(data))
    vault.append("van19", Draft(body=Baseline(image=whole), time=time_of(0), subjects=(subject,)))
    index = opened(vault, tmp_path / "cache")
    assert places(index.by_content(image.content)) == [("van19", 0)]
    assert places(index.by_stable(Digest.of(b"stable"))) == [("van19", 0)]
    assert places(index.by_definition(Digest.of(b"d"))) == [("van19", 0)]
    assert index.by_stable(image.content) == index.by_content(Digest.of(b"stable")) == ()
    (hit,) = index.by_file(Digest.of(text))
    assert (hit.role, hit.name) == ("definition", "d.yaml")
    assert index.starts() == (0, 4096)
    assert index.volatile() == ((4096, Digest.of(b"d"), None),)
    index.keep_volatile(Digest.of(b"d"), "[]")
    assert index.volatile() == ((4096, Digest.of(b"d"), "[]"),)


def test_evidence_is_found_as_well(vault: Vault) -> None:
    log = vault.keep(b"time,rpm\n0,900\n")
    of = vault.links("van17")[1].hash
    subject = Subject(name="drive.csv", file=log)
    vault.append("van17", Draft(body=Evidence(of=of, sort="log"), time=time_of(9), subjects=(subject,)))
    index = opened(vault, None)
    assert places(index.by_file(log)) == [("van17", 5)]
    found = index.by_hash("van17", of)
    assert found is not None
    assert found.sequence == 1
    assert index.by_hash("van18", of) is None


def test_what_a_file_is_comes_before_what_it_was_made_with(vault: Vault) -> None:
    """A file that is a part of one entry and the subject of another is first told as the latter."""
    data = vault.keep(b"change set")
    links = vault.links("van17")
    none = Changes(raw=Digest.of(b""))
    body = Revision(
        image=facts(stock(1)),
        parent=links[0].hash,
        baseline=links[0].hash,
        against_parent=none,
        against_baseline=none,
        made_from=(Subject(name="set.json", file=data),),
    )
    stock_file = Subject(name="r.bin", file=Digest.of(stock(1)))
    vault.append("van17", Draft(body=body, time=time_of(9), subjects=(stock_file,)))
    evidence = Evidence(of=links[0].hash, sort="change set")
    vault.append("van17", Draft(body=evidence, time=time_of(9), subjects=(Subject(name="s.json", file=data),)))
    assert [(hit.sequence, hit.role) for hit in opened(vault, None).by_file(data)] == [(6, "subject"), (5, "made from")]


def test_tables_that_entries_changed_are_kept_for_later_questions(vault: Vault) -> None:
    """Whose newest revision changed a table, as a question in SQL."""

    def revised(unit: str, **tables: int) -> None:
        links = vault.links(unit)
        made = Changes(raw=Digest.of(b""), cell=2, tables=tuple(sorted(tables.items())))
        body = Revision(
            image=facts(stock(1)),
            parent=links[0].hash,
            baseline=links[0].hash,
            against_parent=Changes(raw=Digest.of(b"")),
            against_baseline=made,
        )
        subject = Subject(name="r.bin", file=Digest.of(stock(1)))
        vault.append(unit, Draft(body=body, time=time_of(9), subjects=(subject,)))

    revised("van17", ignition=3, idle=1)
    revised("van18", ignition=5)
    revised("van18", idle=2)
    readback = Readback(
        image=facts(stock(1)),
        of=vault.links("van18")[0].hash,
        changes=Changes(raw=Digest.of(b""), cell=1, tables=(("learned", 1),)),
        finding="other",
    )
    subject = Subject(name="b.bin", file=Digest.of(stock(1)))
    vault.append("van18", Draft(body=readback, time=time_of(9), subjects=(subject,)))
    index = opened(vault, None)
    query = """SELECT unit, sequence, cells FROM cells
               JOIN entry ON entry.id = cells.entry JOIN name ON name.id = cells.name
               WHERE text = ? AND against = ? AND sequence = (SELECT max(sequence) FROM entry AS other
               WHERE other.unit = entry.unit AND kind = 'revision')"""
    assert index.base.execute(query, ("ignition", "baseline")).fetchall() == [("van17", 5, 3)]
    assert index.base.execute(query, ("idle", "baseline")).fetchall() == [("van17", 5, 1), ("van18", 4, 2)]
    every = "SELECT unit, sequence, against FROM cells JOIN entry ON entry.id = entry JOIN name ON name.id = cells.name"
    assert index.base.execute(f"{every} WHERE text = 'learned'").fetchall() == [("van18", 5, "of")]
    assert [index.newest(unit, "revision") for unit in ("van17", "van18", "none")] == [5, 4, None]


# ---------------------------------------------------------------------------------------------------------- freshness


def test_only_new_entries_are_read(vault: Vault, tmp_path: Path, reads: list[tuple[str, int]]) -> None:
    index = opened(vault, tmp_path / "cache")
    assert len(reads) == 8
    reads.clear()
    note(vault, "van17", "runs better")
    index.update()
    assert reads == [("van17", 5)]
    reads.clear()
    again = opened(vault, tmp_path / "cache")
    assert reads == []
    assert answers(again) == WHOLE
    note(vault, "van18", "runs")
    baseline(vault, "van19", stock(4))
    again.update()
    assert reads == [("van18", 3), ("van19", 0)]
    assert places(again.by_file(Digest.of(stock(4)))) == [("van19", 0)]


def test_progress_is_told_of_what_is_read(vault: Vault) -> None:
    far: list[tuple[int, int]] = []
    index = Index.open(None, vault)
    index.update(lambda done, of: far.append((done, of)))
    assert far == [(n, 8) for n in range(9)]
    far.clear()
    index.update(lambda done, of: far.append((done, of)))
    assert far == []


def entry_file(vault: Vault, unit: str, sequence: int) -> Path:
    return Path(vault.folder) / "units" / unit / f"{sequence:06}.json.gz"


def test_a_damaged_entry_is_told_until_it_is_mended(vault: Vault, tmp_path: Path, reads: list[tuple[str, int]]) -> None:
    path = entry_file(vault, "van17", 1)
    whole = path.read_bytes()
    path.write_bytes(whole[:60] + bytes([whole[60] ^ 1]) + whole[61:])
    index = opened(vault, tmp_path / "cache")
    assert index.troubled() == (("van17", 1),)
    assert answers(index) == WHOLE | {"rev1": []}
    reads.clear()
    index.update()
    assert reads == []
    path.unlink()
    path.write_bytes(whole)
    index.update()
    assert index.troubled() == ()
    assert answers(index) == WHOLE


def test_what_is_gone_is_not_told_any_more(vault: Vault, tmp_path: Path) -> None:
    index = opened(vault, tmp_path / "cache")
    entry_file(vault, "van17", 1).unlink()
    index.update()
    assert answers(index) == WHOLE | {"rev1": []}
    assert index.troubled() == (("van17", 1),)
    shutil.rmtree(Path(vault.folder) / "units" / "van18")
    index.update()
    assert answers(index) == WHOLE | {"rev1": [], "other": []}
    assert opened(vault, tmp_path / "cache").by_file(Digest.of(stock(2))) == ()


def test_an_entry_in_anothers_place_is_none(vault: Vault) -> None:
    """A sound entry of another unit, or with another number."""
    shutil.copy(entry_file(vault, "van18", 1), entry_file(vault, "van17", 1))
    shutil.copy(entry_file(vault, "van17", 2), entry_file(vault, "van17", 3))
    index = opened(vault, None)
    assert index.troubled() == (("van17", 2),)
    assert answers(index) == WHOLE | {"rev1": []}


def test_a_hit_whose_entry_has_changed_unseen_is_not_confirmed(vault: Vault) -> None:
    """Of the same size and time, so that the listing shows nothing."""
    index = opened(vault, None)
    (hit,) = index.by_file(Digest.of(changed(stock(1), 7)))
    path = entry_file(vault, "van17", 1)
    about = path.stat()
    path.write_bytes(bytes(about.st_size))
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))
    index.update()
    assert index.by_file(Digest.of(changed(stock(1), 7))) == (hit,)
    assert index.confirmed(hit) is None


def test_a_hit_with_another_hash_is_not_confirmed(vault: Vault) -> None:
    index = opened(vault, None)
    (hit,) = index.by_file(Digest.of(stock(1)))
    assert index.confirmed(hit) is not None
    assert index.confirmed(Hit(unit=hit.unit, sequence=hit.sequence, hash=Digest.of(b"another"))) is None
    assert index.confirmed(Hit(unit=hit.unit, sequence=99, hash=hit.hash)) is None


def test_strange_files_among_the_entries_are_passed_over(vault: Vault) -> None:
    folder = Path(vault.folder) / "units" / "van17"
    for name in ("000009.json", ".000009.json.gz.ab12.part", "9.json.gz", "note.txt", "x00009.json.gz"):
        (folder / name).write_bytes(b"?")
    (folder / "sub").mkdir()
    index = opened(vault, None)
    assert index.troubled() == ()
    assert answers(index) == WHOLE


# ------------------------------------------------------------------------------------------------- the file it rests in


def index_file(cache: Path) -> Path:
    (found,) = cache.glob("*.index")
    return found


def test_copies_of_a_vault_have_an_index_each(vault: Vault, tmp_path: Path) -> None:
    opened(vault, tmp_path / "cache")
    shutil.copytree(vault.folder, tmp_path / "copy")
    copy = Vault.open(tmp_path / "copy")
    note(copy, "van17", "only here")
    assert answers(opened(copy, tmp_path / "cache")) == WHOLE
    assert len(list((tmp_path / "cache").glob("*.index"))) == 2


def test_only_the_user_may_read_it(vault: Vault, tmp_path: Path) -> None:
    """It tells what customers have."""
    opened(vault, tmp_path / "cache")
    assert (tmp_path / "cache").stat().st_mode & 0o777 == 0o700
    assert index_file(tmp_path / "cache").stat().st_mode & 0o777 == 0o600


DAMAGES: dict[str, Callable[[Path], object]] = {
    "emptied": lambda path: path.write_bytes(b""),
    "cut": lambda path: path.write_bytes(path.read_bytes()[:-4096]),
    "grown": lambda path: path.write_bytes(path.read_bytes() + bytes(4096)),
    "of another form": lambda path: path.write_bytes(path.read_bytes().replace(b"index 1\n", b"index 2\n", 1)),
    "no index": lambda path: path.write_bytes(os.urandom(70_000)),
    "a plain database": lambda path: path.write_bytes(path.read_bytes()[48:]),
    "a folder": lambda path: (path.unlink(), path.mkdir()),
    "a pipe": lambda path: (path.unlink(), os.mkfifo(path)),
    "a link to nowhere": lambda path: (path.unlink(), path.symlink_to("nowhere")),
    "under another secret": lambda path: (path.parent / "key").write_bytes(bytes(32)),
    "without its secret": lambda path: (path.parent / "key").unlink(),
}


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES.keys())
def test_a_file_that_is_not_ours_is_made_anew(
    vault: Vault, tmp_path: Path, reads: list[tuple[str, int]], damage: Callable[[Path], object]
) -> None:
    cache = tmp_path / "cache"
    opened(vault, cache)
    damage(index_file(cache))
    reads.clear()
    assert answers(opened(vault, cache)) == WHOLE
    assert len(reads) == 8


def test_no_flipped_bit_is_believed(vault: Vault, tmp_path: Path, reads: list[tuple[str, int]]) -> None:
    """Every byte of the head and of some pages, so that no page of the database is left out."""
    cache = tmp_path / "cache"
    opened(vault, cache)
    path = index_file(cache)
    whole = path.read_bytes()
    for at in [*range(64), *range(64, len(whole), 997)]:
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1 << at % 8]) + whole[at + 1 :])
        reads.clear()
        index = Index.open(cache, vault)
        assert index.base.execute("SELECT count(*) FROM entry").fetchone() == (0,), at


@pytest.mark.parametrize(
    "spoil",
    [
        "DROP TABLE entry",
        "DROP TABLE sketch",
        "ALTER TABLE entry RENAME COLUMN sequence TO number",
        "UPDATE entry SET bytes = 'two'",
        "UPDATE entry SET changed = changed + 1",
    ],
)
def test_a_sealed_database_that_is_no_good_is_no_error(vault: Vault, tmp_path: Path, spoil: str) -> None:
    """Nobody but the user can make one; an older caldiff with another notion of it might."""
    cache = tmp_path / "cache"
    index = opened(vault, cache)
    index.base.execute(spoil)
    index.save()
    again = opened(vault, cache)
    assert answers(again) == WHOLE
    assert again.base.execute("SELECT count(*) FROM sketch").fetchone() == (0,)


def test_a_sealed_body_that_is_no_database_is_no_error(vault: Vault, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    index = opened(vault, cache)
    assert index._snapshot is not None
    for body in (b"", b"x" * 5000, b"SQLite format 3\0" + bytes(5000)):
        index._snapshot.save(body)
        assert answers(opened(vault, cache)) == WHOLE


def test_without_a_folder_it_is_held_in_memory(vault: Vault, tmp_path: Path, reads: list[tuple[str, int]]) -> None:
    (tmp_path / "file").write_bytes(b"")
    for cache in (tmp_path / "file", tmp_path / "file" / "below", Path("/dev/null/x")):
        index = opened(vault, cache)
        assert answers(index) == WHOLE
        assert not index.save()
    assert len(reads) == 3 * 8
    assert (tmp_path / "file").read_bytes() == b""


def test_a_full_disk_is_no_error(vault: Vault, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("caldiff.vault.snapshot.store", full)
    index = opened(vault, tmp_path / "cache")
    assert answers(index) == WHOLE
    assert not index.save()


CODE = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from test_index import WHOLE, answers, opened
from caldiff.vault.vault import Vault
for _ in range(4):
    index = opened(Vault.open(sys.argv[1]), Path(sys.argv[2]))
    assert answers(index) == WHOLE
    index.forget("van17")
    index.save()
"""


def test_processes_get_in_each_others_way_without_harm(vault: Vault, tmp_path: Path) -> None:
    """Each spoils what the others have just written, and writes it again."""
    arguments = [vault.folder, str(tmp_path / "cache"), str(Path(__file__).parent)]
    running = [subprocess.Popen([sys.executable, "-c", CODE, *arguments], stderr=subprocess.PIPE) for _ in range(3)]
    assert [(process.communicate()[1], process.returncode) for process in running] == [(b"", 0)] * 3
    assert answers(opened(vault, tmp_path / "cache")) == WHOLE
    assert {path.suffix for path in (tmp_path / "cache").iterdir()} == {".index", ""}


def test_an_empty_vault(tmp_path: Path) -> None:
    index = opened(vault_at(tmp_path / "empty"), tmp_path / "cache")
    assert index.by_file(Digest.of(b"")) == ()
    assert index.troubled() == index.starts() == index.volatile() == ()


def test_the_database_is_never_on_the_disk_by_itself(vault: Vault, tmp_path: Path) -> None:
    """No journal and no lock lie beside the file, whatever happens to the process."""
    opened(vault, tmp_path / "cache")
    assert sorted(path.name for path in (tmp_path / "cache").iterdir() if path.suffix != ".index") == ["key"]
    assert isinstance(opened(vault, tmp_path / "cache").base, sqlite3.Connection)


def test_revisions_are_found_with_what_they_were_made_on(vault: Vault) -> None:
    """The columns that questions of lineage ask for."""
    index = opened(vault, None)
    links = vault.links("van17")
    revision(vault, "van17", changed(stock(1), 900), near=None)
    index.update()
    row = index.base.execute(
        "SELECT kind, time, parent, baseline, previous FROM entry WHERE unit = 'van17' AND sequence = 5"
    )
    kind, time, parent, base, previous = row.fetchone()
    assert (kind, time) == ("revision", time_of(5))
    assert [d.hex() for d in (parent, base, previous)] == [links[n].hash.hex for n in (3, 0, 4)]
