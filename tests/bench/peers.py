"""General archives beside the vault: the same files, recorded, restored and verified by each, as its manual says.

git keeps every revision as a commit, with every file made safe on the disk (``core.fsync=all``) as the vault does;
restic and borg as a snapshot of the one file, borg without encryption, restic with (it has no other way).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Protocol

__all__ = ["Borg", "Caldiff", "Git", "Peer", "Restic", "on_disk", "size_of"]

Environment = dict[str, str]


class Peer(Protocol):
    """An archive."""

    name: str

    def record(self, unit: str, data: Path, *, first: bool) -> str:
        """Record a file of a unit; what to ask for it by."""

    def restore(self, unit: str, mark: str, out: Path) -> None:
        """Write a file that was recorded."""

    def verify(self) -> None:
        """Verify everything down to the last byte; raises if it does not hold."""

    @property
    def store(self) -> Path:
        """The folder whose size counts."""


def size_of(folder: Path, *, ending: str = "", without: str = "\0") -> int:
    """Bytes of all files below a folder."""
    names = (p for p in folder.rglob("*") if p.is_file() and p.name.endswith(ending) and not p.name.endswith(without))
    return sum(p.stat().st_size for p in names)


def on_disk(folder: Path) -> int:
    """Bytes that the file system gives to all files below a folder."""
    return sum(p.stat().st_blocks * 512 for p in folder.rglob("*") if p.is_file())


def _call(*command: str | Path, environment: Environment, where: Path | None = None, out: Path | None = None) -> str:
    with (out or Path(os.devnull)).open("wb") as stream:
        done = subprocess.run(
            command,
            cwd=where,
            env=environment,
            check=False,
            stdout=stream if out else subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
    if done.returncode:
        raise RuntimeError(f"{command}: status {done.returncode}\n{done.stderr.decode()}")
    return "" if out else done.stdout.decode()


class Caldiff:
    """The vault, by its command line."""

    name = "caldiff"

    def __init__(self, folder: Path, definitions: Path, home: Path) -> None:
        self.store = folder
        self._definitions = definitions
        kept = {
            k: v
            for k, v in os.environ.items()
            if not k.startswith(("XDG", "CALDIFF")) and k != "PYTHONDONTWRITEBYTECODE"
        }
        self._environment = kept | {"HOME": str(home), "NO_COLOR": "1"}
        self._count: dict[str, int] = {}
        self.call("vault", "init", str(folder))

    def call(self, *arguments: str) -> str:
        """Run a command."""
        return _call(sys.executable, "-m", "caldiff", *arguments, environment=self._environment)

    def record(self, unit: str, data: Path, *, first: bool) -> str:
        kind = "baseline" if first else "revision"
        folders = ["--vault", str(self.store), "--definitions", str(self._definitions)]
        self.call("record", kind, unit, str(data), *folders)
        self._count[unit] = self._count.get(unit, -1) + 1
        return str(self._count[unit])

    def restore(self, unit: str, mark: str, out: Path) -> None:
        self.call("restore", unit, mark, "-o", str(out), "--vault", str(self.store))

    def verify(self) -> None:
        self.call("verify", "--vault", str(self.store), "--level", "links", "--level", "bytes")


class Git:
    """git: every unit is a file of one repository."""

    name = "git"

    def __init__(self, folder: Path) -> None:
        self._work = folder
        self.store = folder / ".git"
        who = {f"GIT_{r}_{w}": "bench" for r in ("AUTHOR", "COMMITTER") for w in ("NAME", "EMAIL")}
        self._environment = {**os.environ, "GIT_CONFIG_GLOBAL": os.devnull, "HOME": str(folder), **who}
        folder.mkdir()
        self._git("init", "-q")
        for key, value in (("core.fsync", "all"), ("gc.auto", "0"), ("advice.detachedHead", "false")):
            self._git("config", key, value)

    def _git(self, *arguments: str, out: Path | None = None) -> str:
        return _call("git", *arguments, environment=self._environment, where=self._work, out=out)

    def record(self, unit: str, data: Path, *, first: bool) -> str:
        shutil.copyfile(data, self._work / unit)
        self._git("add", unit)
        self._git("commit", "-q", "-m", "stock" if first else "revision")
        return (self.store / self._head()).read_text().strip()

    def _head(self) -> str:
        return (self.store / "HEAD").read_text().strip().removeprefix("ref: ")

    def restore(self, unit: str, mark: str, out: Path) -> None:
        self._git("show", f"{mark}:{unit}", out=out)

    def verify(self) -> None:
        self._git("fsck", "--full", "--strict")

    def pack(self, *options: str) -> None:
        """Pack everything."""
        self._git("gc", "-q", "--prune=now", *options)


class Restic:
    """restic: a snapshot a revision."""

    name = "restic"

    def __init__(self, folder: Path) -> None:
        self.store = folder / "repository"
        self._work = folder / "work"
        self._work.mkdir(parents=True)
        self._environment = {
            **os.environ,
            "HOME": str(folder),
            "RESTIC_PASSWORD": "bench",
            "RESTIC_REPOSITORY": str(self.store),
            "RESTIC_CACHE_DIR": str(folder / "cache"),
        }
        self._call("init")

    def _call(self, *arguments: str, out: Path | None = None) -> str:
        return _call("restic", "-q", *arguments, environment=self._environment, where=self._work, out=out)

    def record(self, unit: str, data: Path, *, first: bool) -> str:
        shutil.copyfile(data, self._work / unit)
        before = set((self.store / "snapshots").iterdir())
        self._call("backup", unit, "--tag", "stock" if first else "revision")
        (mark,) = set((self.store / "snapshots").iterdir()) - before
        return mark.name

    def restore(self, unit: str, mark: str, out: Path) -> None:
        self._call("dump", mark, f"/{unit}", out=out)

    def verify(self) -> None:
        self._call("check", "--read-data")


class Borg:
    """borg: an archive a revision."""

    name = "borg"

    def __init__(self, folder: Path) -> None:
        self.store = folder / "repository"
        self._work = folder / "work"
        self._work.mkdir(parents=True)
        self._environment = {**os.environ, "HOME": str(folder), "BORG_UNKNOWN_UNENCRYPTED_REPO_ACCESS_IS_OK": "yes"}
        self._count = 0
        self._call("init", "-e", "none", str(self.store))

    def _call(self, *arguments: str, out: Path | None = None) -> str:
        return _call("borg", *arguments, environment=self._environment, where=self._work, out=out)

    def record(self, unit: str, data: Path, *, first: bool) -> str:
        shutil.copyfile(data, self._work / unit)
        self._count += 1
        mark = f"{unit}-{self._count}-{'stock' if first else 'revision'}"
        self._call("create", f"{self.store}::{mark}", unit)
        return mark

    def restore(self, unit: str, mark: str, out: Path) -> None:
        self._call("extract", "--stdout", f"{self.store}::{mark}", unit, out=out)

    def verify(self) -> None:
        self._call("check", "--verify-data", str(self.store))
