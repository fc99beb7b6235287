"""Killed processes, races, full disks, folders that cannot be written, and two clones of one vault."""

from __future__ import annotations

import errno
import multiprocessing
import os
import random
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from bundle_units import baseline, changed, note, revision, stock, story, time_of, vault_at

from caldiff import storing
from caldiff.canonical import Digest
from caldiff.errors import VaultError
from caldiff.image.reading import read_image
from caldiff.ledger.entry import Draft, Note
from caldiff.vault.vault import Vault

FORK = multiprocessing.get_context("fork")


class Child:
    """A process of ours that says each thing once it has been told that it is safe."""

    def __init__(self, work: Callable[[Vault, int, Connection], None], vault: Vault, number: int) -> None:
        self.heard, said = FORK.Pipe(duplex=False)
        self.process = FORK.Process(target=work, args=(Vault.open(vault.folder), number, said))
        self.process.start()
        said.close()

    def all_said(self) -> list[Any]:
        """Everything up to its end, which is good only if nobody killed it."""
        said = []
        try:
            while True:
                said.append(self.heard.recv())
        except EOFError:
            pass
        self.heard.close()
        self.process.join(60)
        return said


def keep_recording(vault: Vault, turn: int, said: Connection) -> None:
    data = next(vault.fetch(link.subjects[0][1]) for link in reversed(vault.links("van17")) if link.subjects)
    for n in range(10_000):
        fresh = changed(data, (n * 37 + turn) % len(data))
        recorded = revision(vault, "van17", fresh, near=data)
        data = fresh
        said.send((recorded.entry.sequence, recorded.entry.hash))


def test_nothing_acknowledged_is_lost_to_a_kill(tmp_path: Path) -> None:
    """Twenty times: a process records revision after revision and is killed at some moment."""
    vault = vault_at(tmp_path / "v")
    baseline(vault, "van17", stock(1, 3000))
    source = random.Random(7)
    acknowledged: dict[int, Digest] = {}
    for turn in range(20):
        child = Child(keep_recording, vault, turn)
        acknowledged |= dict(child.heard.recv() for _ in range(turn % 3))
        time.sleep(source.random() * 0.02)
        child.process.kill()
        acknowledged |= dict(child.all_said())
        assert child.process.exitcode == -signal.SIGKILL
        links = vault.links("van17")
        assert all(links[sequence].hash == digest for sequence, digest in acknowledged.items())
        recorded = note(vault, "van17", f"after kill {turn}")  # the very next write, with nothing to clear first
        acknowledged[recorded.entry.sequence] = recorded.entry.hash
    assert len(acknowledged) >= 39
    chain, findings = vault.survey("van17")
    assert chain is not None
    assert [f for f in (*findings, *vault.byte_findings()) if f.fault] == []
    assert all(vault.fetch(digest) for link in vault.links("van17") for _, digest in link.subjects)


def append_ten(vault: Vault, number: int, said: Connection) -> None:
    for n in range(10):
        said.send(note(vault, "van17", f"{number} {n}").entry.sequence)


def test_many_processes_append_to_one_unit(tmp_path: Path) -> None:
    vault = vault_at(tmp_path / "v")
    baseline(vault, "van17", stock(1, 3000))
    children = [Child(append_ten, vault, n) for n in range(4)]
    said = [child.all_said() for child in children]
    assert [child.process.exitcode for child in children] == [0, 0, 0, 0]
    assert sorted(number for numbers in said for number in numbers) == list(range(1, 41))
    entries = vault.chain("van17").entries
    assert [entry.sequence for entry in entries] == list(range(41))
    for own, numbers in enumerate(said):
        assert [entries[n].draft.message for n in numbers] == [f"{own} {n}" for n in range(10)]
    assert list(vault.byte_findings()) == []


def keep_fifteen(vault: Vault, _: int, said: Connection) -> None:
    for n in range(15):
        said.send(vault.keep(stock(n, 3000)))


def test_many_processes_keep_the_same_files(tmp_path: Path) -> None:
    vault = vault_at(tmp_path / "v")
    children = [Child(keep_fifteen, vault, n) for n in range(3)]
    assert [child.all_said() for child in children] == 3 * [[Digest.of(stock(n, 3000)) for n in range(15)]]
    assert all(vault.fetch(Digest.of(stock(n, 3000))) == stock(n, 3000) for n in range(15))
    assert [f for f in vault.byte_findings() if f.fault] == []


# -------------------------------------------------------------------------------------------- no room, no permission


def files(vault: Vault) -> dict[str, bytes]:
    return {str(p.relative_to(vault.folder)): p.read_bytes() for p in Path(vault.folder).rglob("*") if p.is_file()}


def test_a_disk_that_takes_no_more_says_so_and_leaves_the_vault_as_it_was(tmp_path: Path) -> None:
    """The system itself refuses: no file of this process may grow beyond 1,000 bytes."""
    vault = vault_at(tmp_path / "v")
    story(vault)
    before = files(vault)
    was = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, was[1]))
    try:
        with pytest.raises(VaultError, match="cannot be written: file too large") as caught:
            vault.keep(stock(5))
        with pytest.raises(VaultError, match="cannot be written"):
            vault.append("van17", Draft(body=Note(), time=time_of(9), message=stock(6).hex()))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, was)
        signal.signal(signal.SIGXFSZ, ignored)
    assert caught.value.file is not None
    assert files(vault) == before
    note(vault, "van17", "room again")


def full_after(monkeypatch: pytest.MonkeyPatch, writes: int) -> None:
    """A disk on which so many files still find room."""
    left = [writes]
    fill = storing._fill

    def filling(path: str, data: bytes, mode: int) -> None:
        left[0] -= 1
        fill(path, data if left[0] >= 0 else data[: len(data) // 2], mode)
        if left[0] < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(storing, "_fill", filling)


@pytest.mark.parametrize("writes", [0, 1])
def test_a_full_disk_while_a_file_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, writes: int) -> None:
    vault = vault_at(tmp_path / "v")
    story(vault)
    before = files(vault)
    with monkeypatch.context() as patch:
        full_after(patch, writes)
        with pytest.raises(VaultError, match="no space left on device"):
            vault.keep(stock(5))
    left = {name for name in files(vault) if name not in before}
    assert len(left) == writes
    assert [f for f in vault.byte_findings() if f.fault] == []
    vault.keep(stock(5))
    assert len(files(vault)) == len(before) + 2


def test_a_full_disk_while_an_entry_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    vault = vault_at(tmp_path / "v")
    story(vault)
    before = files(vault)
    with monkeypatch.context() as patch:
        full_after(patch, 0)
        with pytest.raises(VaultError, match="no space left on device"):
            note(vault, "van17", "more")
    assert files(vault) == before


def test_a_full_disk_after_the_entry_leaves_it_recorded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    vault = vault_at(tmp_path / "v")
    story(vault)
    with monkeypatch.context() as patch:
        full_after(patch, 1)
        recorded = note(vault, "van17", "just so")
    assert vault.links("van17")[-1].hash == recorded.entry.hash
    assert [f.fault for f in vault.byte_findings()] == [False]
    note(vault, "van17", "more")
    assert list(vault.byte_findings()) == []


def try_everything(vault: Vault, _: int, said: Connection) -> None:
    if os.geteuid() == 0:
        os.seteuid(65_534)  # the super-user may write anywhere
    vault.fetch(vault.links("van17")[0].subjects[0][1])
    for work in (lambda: note(vault, "van17", "x"), lambda: vault.keep(stock(5)), vault.repair):
        try:
            said.send(work())
        except VaultError as error:
            said.send(error.reason)


def test_a_folder_that_cannot_be_written_says_so_and_can_be_read() -> None:
    with TemporaryDirectory() as folder:  # not below pytest's, which other users may not enter
        vault = vault_at(Path(folder) / "v")
        story(vault)
        Path(vault.folder, "units/van17/000004.json.gz.mend").unlink()
        before = files(vault)
        folders = [Path(folder), *(p for p in Path(folder).rglob("*") if p.is_dir())]
        for path in folders:
            path.chmod(0o555)
        said = Child(try_everything, vault, 0).all_said()
        for path in folders:
            path.chmod(0o755)
        assert said == [
            "the recovery data cannot be written: permission denied",
            "the file cannot be written: permission denied",
            "the recovery data cannot be written: permission denied",
        ]
        assert files(vault) == before


def test_without_hard_links_it_works_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refused)
    vault = vault_at(tmp_path / "v")
    images = story(vault)
    assert all(vault.fetch(Digest.of(image)) == image for image in images)
    assert list(vault.byte_findings()) == []


# ------------------------------------------------------------------------------------------------------ in a repository


@pytest.fixture
def clones(tmp_path: Path) -> tuple[Vault, Vault]:
    """A vault in a repository, with a chain, and a clone of it."""
    if shutil.which("git") is None:
        pytest.skip("git is not installed")
    vault = vault_at(tmp_path / "one")
    data = stock(1, 3000)
    baseline(vault, "van17", data)
    text = b"".join(b"%d,%d\r\n" % (n, n * n) for n in range(40))
    vault.keep(text, whole=True)
    git(vault, "init", "-q", "-b", "main")
    commit(vault, "a vault")
    subprocess.run(["git", "clone", "-q", vault.folder, tmp_path / "two"], check=True)
    return vault, Vault.open(tmp_path / "two")


def git(vault: Vault, *words: str, fine: bool = True) -> str:
    who = ["-c", "user.name=test", "-c", "user.email=test@example.invalid", "-c", "core.autocrlf=true"]
    done = subprocess.run(["git", *who, *words], cwd=vault.folder, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) == fine, done.stdout + done.stderr
    return done.stdout


def commit(vault: Vault, why: str) -> None:
    git(vault, "add", ".")
    git(vault, "commit", "-q", "-m", why)


def test_a_clone_is_the_same_vault(clones: tuple[Vault, Vault]) -> None:
    one, two = clones
    assert two.id == one.id
    assert [f.text for f in two.byte_findings() if f.fault] == []
    assert {n: d for n, d in files(two).items() if not n.startswith(".git/")} == {
        n: d for n, d in files(one).items() if not n.startswith(".git/")
    }


def test_two_clones_that_both_append_conflict_rather_than_fork(clones: tuple[Vault, Vault]) -> None:
    one, two = clones
    note(one, "van17", "mine")
    commit(one, "mine")
    note(two, "van17", "theirs")
    commit(two, "theirs")
    said = git(two, "pull", "--no-rebase", fine=False)
    assert "CONFLICT (add/add)" in said
    assert "units/van17/000001.json.gz" in said
    assert [entry.draft.message for entry in two.chain("van17").entries] == ["", "theirs"]


def test_two_clones_that_append_to_different_units_merge(clones: tuple[Vault, Vault]) -> None:
    one, two = clones
    note(one, "van17", "mine")
    commit(one, "mine")
    baseline(two, "van18", stock(2, 3000))
    commit(two, "theirs")
    git(two, "pull", "--no-rebase", "--no-edit")
    assert two.units() == ("van17", "van18")
    assert len(two.links("van17")) == 2
    assert [f for f in two.byte_findings() if f.fault] == []


def test_a_fork_that_got_past_a_merge_does_not_hold(clones: tuple[Vault, Vault]) -> None:
    """One appended one entry, the other two: whoever keeps the own first one gets the other's second one with it."""
    one, two = clones
    note(one, "van17", "first")
    note(one, "van17", "second")
    commit(one, "mine")
    note(two, "van17", "theirs")
    commit(two, "theirs")
    git(two, "pull", "--no-rebase", fine=False)
    git(two, "checkout", "--ours", ".")
    with pytest.raises(VaultError, match="does not follow the one before it"):
        two.links("van17")
    with pytest.raises(VaultError, match="does not follow the one before it"):
        note(two, "van17", "more")


def test_reading_the_story_needs_no_images_in_memory(tmp_path: Path) -> None:
    """The image of a kept file, as a recorder passes it on."""
    vault = vault_at(tmp_path / "v")
    data = stock(1, 3000)
    digest = vault.keep(data, image=read_image(data), whole=True)
    assert vault.fetch(digest) == data
