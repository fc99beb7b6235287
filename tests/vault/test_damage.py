"""Damage of every sort to every file of a small vault: found and named; every flipped bit mended, nothing lost."""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

import pytest
from bundle_units import baseline, changed, note, stock, story, vault_at

from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.image.reading import read_image
from caldiff.ledger.entry import Draft, Evidence, Subject
from caldiff.vault.files import MEND
from caldiff.vault.vault import Vault

LOG = b"time,rpm\n" * 300


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two units, one with a log beside it: every form of object is there."""
    vault = vault_at(tmp_path_factory.mktemp("sound") / "v")
    story(vault, revisions=2)
    baseline(vault, "van18", stock(8, 9000))
    vault.keep(LOG)
    first = vault.links("van18")[0].hash
    subject = Subject(name="drive.csv", file=Digest.of(LOG))
    vault.append("van18", Draft(body=Evidence(of=first, sort="log"), time="2026-03-05T00:00:00Z", subjects=(subject,)))
    assert list(vault.byte_findings()) == []
    return Path(vault.folder)


def files(folder: Path) -> dict[str, bytes]:
    found = {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {name: data for name, data in found.items() if name != ".gitattributes" and not name.startswith("aside/")}


NAMES = range(24)
"""numbers of the files in order of name; that there are no more is tested below"""


@pytest.fixture
def vault(sound: Path, tmp_path: Path) -> Vault:
    shutil.copytree(sound, tmp_path / "v")
    return Vault.open(tmp_path / "v")


def name_of(vault: Vault, number: int) -> str:
    return sorted(files(Path(vault.folder)))[number]


def test_every_file_has_a_number(sound: Path) -> None:
    assert len(files(sound)) == len(NAMES)
    endings = {"".join(Path(name.removesuffix(MEND)).suffixes) for name in files(sound)}
    assert endings == {".json", ".json.gz", "", ".gz", ".diff"}


def named(vault: Vault) -> set[str | None]:
    """The files of all findings, or of the error where it cannot be opened; anew, as another process would."""
    try:
        return {finding.file for finding in Vault.open(vault.folder).byte_findings()}
    except VaultError as error:
        return {"vault.json", "vault.json.mend"} if error.file == f"{vault.folder}/vault.json" else set()


@pytest.mark.parametrize("number", NAMES)
def test_any_flipped_bit_is_found_named_and_mended(vault: Vault, sound: Path, number: int) -> None:
    name = name_of(vault, number)
    path = Path(vault.folder, name)
    was = path.read_bytes()
    source = random.Random(number)
    for _ in range(4):
        bad = bytearray(was)
        bad[source.randrange(len(bad))] ^= 1 << source.randrange(8)
        path.write_bytes(bad)
        assert name in named(vault)
        done = Vault.open(vault.folder).repair()
        assert [one.file for one in done] == [name]
        assert done[0].aside is not None
        assert Path(vault.folder, done[0].aside).read_bytes() == bad
        assert path.read_bytes() == was
    assert files(Path(vault.folder)) == files(sound)
    assert named(vault) == set()


@pytest.mark.parametrize("number", NAMES)
def test_any_shortened_file_is_found_and_named(vault: Vault, sound: Path, number: int) -> None:
    name = name_of(vault, number)
    path = Path(vault.folder, name)
    was = path.read_bytes()
    for length in (0, 1, len(was) // 2, len(was) - 1):
        path.write_bytes(was[:length])
        assert name in named(vault)
    Vault.open(vault.folder).repair()
    assert files(Path(vault.folder)) == files(sound)


@pytest.mark.parametrize("number", NAMES)
def test_any_lengthened_file_is_found_named_and_mended(vault: Vault, sound: Path, number: int) -> None:
    name = name_of(vault, number)
    path = Path(vault.folder, name)
    path.write_bytes(path.read_bytes() + b"\0")
    assert name in named(vault)
    vault.repair()
    assert files(Path(vault.folder)) == files(sound)


@pytest.mark.parametrize("number", NAMES)
def test_any_file_that_is_gone_is_found_and_named(vault: Vault, sound: Path, number: int) -> None:
    name = name_of(vault, number)
    Path(vault.folder, name).unlink()
    assert name in named(vault)
    vault.repair()
    lost = files(sound).keys() - files(Path(vault.folder)).keys()
    small = len(files(sound)[name]) <= 4096
    assert lost == (set() if small or name.endswith(MEND) else {name})


@pytest.mark.parametrize("number", NAMES)
def test_any_two_swapped_files_are_found_and_named(vault: Vault, number: int) -> None:
    mine = name_of(vault, number)
    everything = files(Path(vault.folder))
    others = sorted(everything)[number + 1 :]
    for other in random.Random(number).sample(others, min(len(others), 6)):
        Path(vault.folder, mine).write_bytes(everything[other])
        Path(vault.folder, other).write_bytes(everything[mine])
        assert {mine, other} <= named(vault), other
        Path(vault.folder, other).write_bytes(everything[other])
    Path(vault.folder, mine).write_bytes(everything[mine])
    assert named(vault) == set()


@pytest.mark.parametrize("number", NAMES)
def test_a_swap_of_small_files_is_mended(vault: Vault, sound: Path, number: int) -> None:
    """Both files beside their recovery data; and with it, when each stands whole in the other's place."""
    everything = files(Path(vault.folder))
    mine, other = name_of(vault, number), name_of(vault, (number + 2) % len(NAMES))
    if max(len(everything[mine]), len(everything[other])) > 4096:
        return
    Path(vault.folder, mine).write_bytes(everything[other])
    Path(vault.folder, other).write_bytes(everything[mine])
    Vault.open(vault.folder).repair()
    assert files(Path(vault.folder)) == files(sound)


def test_findings_name_the_entry(vault: Vault) -> None:
    digest = Digest.of(changed(stock(1), 7))
    path = next(Path(vault.folder).rglob(f"{digest.hex}.diff"))
    path.write_bytes(b"")
    [mine] = [f for f in vault.byte_findings() if f.file and f.file.endswith(f"{digest.hex}.diff")]
    assert (mine.unit, mine.sequence, mine.fault, mine.level) == ("van17", 1, True, "bytes")


def test_what_hangs_on_a_damaged_file_is_told_too(vault: Vault) -> None:
    path = next(Path(vault.folder).rglob(Digest.of(stock(1)).hex))
    path.write_bytes(changed(changed(path.read_bytes(), 10), 10_000))
    found = {finding.file: finding for finding in vault.byte_findings() if finding.fault}
    assert {f.unit for f in found.values()} == {"van17"}
    assert len([name for name in found if name and name.endswith(".diff")]) == 2
    with pytest.raises(VaultError) as caught:
        vault.fetch(Digest.of(changed(stock(1), 7)))
    assert caught.value.file == str(path)


def test_an_object_that_is_gone_with_its_recovery_data_is_missed(vault: Vault) -> None:
    digest = Digest.of(LOG)
    for path in Path(vault.folder, "objects").rglob(f"{digest.hex}*"):
        path.unlink()
    [finding] = vault.byte_findings()
    assert (finding.unit, finding.sequence, finding.fault) == ("van18", 1, True)
    assert finding.file == f"objects/{digest.hex[:2]}/{digest.hex}"


def test_only_the_units_asked_for_are_checked(vault: Vault) -> None:
    next(Path(vault.folder).rglob(Digest.of(stock(1)).hex)).write_bytes(b"gone")
    assert list(vault.byte_findings(["van18"])) == []
    assert {f.unit for f in vault.byte_findings(["van17"])} == {"van17"}
    Path(vault.folder, "units/van18/000001.json.gz").write_bytes(b"gone")
    assert "units/van18/000001.json.gz" in {f.file for f in vault.byte_findings(["van18"])}


def test_progress_is_told(vault: Vault) -> None:
    for work in (lambda p: list(vault.byte_findings(progress=p)), vault.repair):
        told: list[tuple[int, int]] = []
        work(lambda done, total, told=told: told.append((done, total)))
        assert told == [(n, 12) for n in range(1, 13)]


def test_strange_files_are_remarks(vault: Vault) -> None:
    Path(vault.folder, "notes.txt").write_text("mine")
    Path(vault.folder, "units/van17/.000009.json.gz.aabbccdd.part").write_text("half")
    Path(vault.folder, ".git").mkdir()
    Path(vault.folder, ".git/config").write_text("")
    Path(vault.folder, "aside").mkdir()
    Path(vault.folder, "aside/x").write_text("")
    found = list(vault.byte_findings())
    assert {f.file for f in found} == {"notes.txt", "units/van17/.000009.json.gz.aabbccdd.part"}
    assert not any(f.fault for f in found)
    before = files(Path(vault.folder))
    assert vault.repair() == ()
    assert files(Path(vault.folder)) == before


def test_what_git_has_to_know_is_looked_at(vault: Vault) -> None:
    attributes = Path(vault.folder, ".gitattributes")
    assert attributes.read_bytes() == b"* binary\n"
    attributes.unlink()
    assert list(vault.byte_findings()) == []
    Path(vault.folder, ".git").mkdir()
    for text in (None, b"", b"* binarx\n", b"# * binary\n"):
        if text is not None:
            attributes.write_bytes(text)
        [finding] = vault.byte_findings()
        assert (finding.file, finding.fault) == (".gitattributes", False)
    attributes.write_bytes(b"*.md text\n* binary\n")
    assert list(vault.byte_findings()) == []


def test_a_folder_without_an_entry_is_no_unit(vault: Vault) -> None:
    """A process killed at the first entry of a unit leaves it so."""
    folder = Path(vault.folder, "units/van19")
    folder.mkdir()
    assert vault.units() == ("van17", "van18")
    (folder / ".000000.json.gz.aabbccdd.part").write_bytes(b"half")
    assert vault.units() == ("van17", "van18")
    assert [f.fault for f in vault.byte_findings()] == [False]
    baseline(vault, "van19", stock(1))
    assert vault.units() == ("van17", "van18", "van19")
    (folder / "000000.json.gz").unlink()
    assert vault.units() == ("van17", "van18", "van19")


def test_a_file_that_no_entry_names_is_a_remark(vault: Vault) -> None:
    vault.keep(b"stray")
    [finding] = vault.byte_findings()
    assert not finding.fault


def test_survey_says_what_cannot_be_read(vault: Vault) -> None:
    Path(vault.folder, "units/van17/000001.json.gz").write_bytes(b"")
    chain, findings = vault.survey("van17")
    assert chain is not None
    assert [entry.sequence for entry in chain.entries] == [0, 2, 3]
    assert (findings[0].file, findings[0].sequence) == ("units/van17/000001.json.gz", 1)
    assert not any("is missing" in finding.text for finding in findings)
    Path(vault.folder, "units/van17/000002.json.gz").unlink()
    assert any("are missing" in finding.text for finding in vault.survey("van17")[1])


def test_survey_without_a_readable_entry(vault: Vault) -> None:
    for path in Path(vault.folder, "units/van18").glob("*.gz"):
        path.write_bytes(b"")
    chain, findings = vault.survey("van18")
    assert chain is None
    assert {f.file for f in findings} == {"units/van18/000000.json.gz", "units/van18/000001.json.gz"}


# -------------------------------------------------------------------------------------------------------------- mending


def test_a_block_that_cannot_be_read_is_mended(vault: Vault, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a disk with a bad sector does: reading it fails, all the rest is there."""
    name = f"objects/{Digest.of(stock(1)).hex[:2]}/{Digest.of(stock(1)).hex}"
    path = f"{vault.folder}/{name}"
    whole, pread, fstat = Path(path).read_bytes(), os.pread, os.fstat

    def bad_sector(place: int, size: int, at: int) -> bytes:
        if Path(f"/proc/self/fd/{place}").readlink() == Path(path) and at == 8192:
            raise OSError(5, "Input/output error")
        return pread(place, size, at)

    def no_stream(place: int) -> os.stat_result:
        if Path(f"/proc/self/fd/{place}").readlink() == Path(path) and not broken:
            broken.append(place)
            raise OSError(5, "Input/output error")
        return fstat(place)

    broken: list[int] = []
    monkeypatch.setattr(os, "pread", bad_sector)
    monkeypatch.setattr(os, "fstat", no_stream)
    [done] = [one for one in vault.repair() if one.file == name]
    assert "1 of 5 blocks mended" in done.how
    assert Path(path).read_bytes() == whole
    assert Path(vault.folder, done.aside or "").read_bytes() == whole[:8192] + bytes(4096) + whole[12_288:]


def test_what_cannot_be_mended_is_left_as_it_is(vault: Vault) -> None:
    path = next(Path(vault.folder).rglob(Digest.of(stock(1)).hex))
    bad = changed(changed(path.read_bytes(), 10), 10_000)
    path.write_bytes(bad)
    assert vault.repair() == ()
    assert path.read_bytes() == bad


def test_what_cannot_be_mended_is_mended_once_the_file_is_kept_again(vault: Vault, sound: Path) -> None:
    path = next(Path(vault.folder).rglob(Digest.of(stock(1)).hex))
    bad = changed(changed(path.read_bytes(), 10), 10_000)
    path.write_bytes(bad)
    digest = vault.keep(stock(1), whole=True)
    assert path.read_bytes() == bad
    assert vault.fetch(digest) == stock(1)
    assert vault.fetch(Digest.of(changed(stock(1), 7))) == changed(stock(1), 7)
    [done] = vault.repair()
    assert "another form" in done.how
    assert path.read_bytes() == stock(1)
    assert files(Path(vault.folder)).items() >= files(sound).items()
    assert named(vault) == set()


def test_a_difference_beyond_mending_gives_way_to_the_file_kept_again(vault: Vault) -> None:
    data = changed(stock(1), 7)
    path = next(Path(vault.folder).rglob(f"{Digest.of(data).hex}.diff"))
    path.write_bytes(b"")
    path.with_name(path.name + MEND).write_bytes(b"")
    assert vault.repair() == ()
    vault.keep(data, image=read_image(data), near={Digest.of(stock(1)): read_image(stock(1))})
    assert vault.form(Digest.of(data)) == "whole"
    assert len(vault.repair()) == 2
    assert not path.exists()
    assert named(vault) == set()
    assert vault.fetch(Digest.of(data)) == data


def test_no_recovery_data_is_made_of_a_damaged_file(vault: Vault) -> None:
    data = changed(stock(1), 7)
    path = next(Path(vault.folder).rglob(f"{Digest.of(data).hex}.diff"))
    mend = path.with_name(path.name + MEND)
    head, _, body = path.read_bytes().partition(b"\n")
    path.write_bytes(head + b"\n" + changed(body, 1))
    mend.unlink()
    assert vault.repair() == ()
    assert not mend.exists()


def test_an_empty_file_left_without_hard_links_is_set_aside(vault: Vault) -> None:
    """Creating a name and then filling it is all that such a system allows; a kill between leaves an empty file."""
    empty = Path(vault.folder, "units/van17/000004.json.gz")
    empty.touch()
    with pytest.raises(VaultError):
        note(vault, "van17", "more")
    [done] = vault.repair()
    assert done.aside is not None
    assert not empty.exists()
    assert Path(vault.folder, done.aside).read_bytes() == b""
    note(vault, "van17", "more")
    assert named(vault) == set()


def test_an_entry_emptied_by_damage_is_not_taken_for_unfinished(vault: Vault) -> None:
    head = Path(vault.folder, "units/van17/000003.json.gz")
    was = head.read_bytes()
    head.write_bytes(b"")
    [done] = vault.repair()
    assert "mended" in done.how
    assert head.read_bytes() == was


def test_repairing_twice_does_nothing_more(vault: Vault) -> None:
    for path in Path(vault.folder).rglob("*.mend"):
        path.unlink()
    assert len(vault.repair()) == 12
    assert vault.repair() == ()
    assert named(vault) == set()
