from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from caldiff.demo.scenario import write_demo
from caldiff.errors import FileError

NAMES = [
    "van17_stock_read.bin",
    "van17_second_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_readback.bin",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
    "van17_drive_town.csv",
    "van17_drive_motorway.csv",
    "van17_drive_hills.csv",
    "channels.yaml",
    "warm.yaml",
    "van17_faults_before.yaml",
    "van17_faults_after.yaml",
    "trust.yaml",
    "README.txt",
]
KEPT = ["vault", "checkpoint.txt"]


def test_into_a_folder_that_is_not_there(tmp_path: Path, files: Mapping[str, bytes]) -> None:
    folder = tmp_path / "a" / "demo"
    paths = write_demo(folder)
    assert paths == tuple(folder / n for n in (*NAMES, *KEPT))
    assert {p.name: p.read_bytes() for p in folder.iterdir() if p.name not in KEPT} == files


def test_twice_touches_nothing(tmp_path: Path) -> None:
    paths = write_demo(tmp_path)
    inodes = [p.stat().st_ino for p in paths]
    paths[1].unlink()
    assert write_demo(tmp_path) == paths
    again = [p.stat().st_ino for p in paths]
    assert (again[0], again[2:]) == (inodes[0], inodes[2:])
    assert paths[1].exists()


def test_another_file_is_never_overwritten(tmp_path: Path) -> None:
    mine = tmp_path / "van17_rev3.zip"
    mine.write_bytes(b"mine")
    with pytest.raises(FileError, match="nothing was written") as caught:
        write_demo(tmp_path)
    assert caught.value.file == str(mine)
    assert [p.name for p in tmp_path.iterdir()] == ["van17_rev3.zip"]
    assert mine.read_bytes() == b"mine"


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    blocked = tmp_path / "blocked"
    blocked.write_bytes(b"")
    with pytest.raises(FileError, match="the demo cannot be written"):
        write_demo(blocked)
    with pytest.raises(FileError, match="the demo cannot be written"):
        write_demo(blocked / "inside")


def test_the_text_says_that_it_is_invented_and_names_every_file(files: Mapping[str, bytes]) -> None:
    text = files["README.txt"].decode("ascii")
    assert "INVENTED" in text
    for name in (*NAMES[:-1], *KEPT):
        assert name in text
