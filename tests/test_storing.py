from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from caldiff.storing import store


def test_an_existing_file_is_left_alone_unless_it_is_to_be_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a"
    store(path, b"one")
    with pytest.raises(FileExistsError):
        store(path, b"two")
    assert path.read_bytes() == b"one"
    store(path, b"two", overwrite=True)
    assert path.read_bytes() == b"two"
    assert os.listdir(tmp_path) == ["a"]  # noqa: PTH208 - names are what counts


def test_a_link_is_replaced_and_never_followed(tmp_path: Path) -> None:
    foreign, link = tmp_path / "foreign", tmp_path / "link"
    foreign.write_bytes(b"theirs")
    link.symlink_to(foreign)
    with pytest.raises(FileExistsError):
        store(link, b"ours")
    store(link, b"ours", overwrite=True)
    assert (foreign.read_bytes(), link.read_bytes(), link.is_symlink()) == (b"theirs", b"ours", False)


def test_permissions_are_those_asked_for(tmp_path: Path) -> None:
    store(tmp_path / "a", b"", mode=0o600)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o600


@pytest.mark.parametrize("step", ["fsync", "link", "replace"])
def test_a_failure_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"old")

    def fail(*_: object) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="no space"):
        store(path if step != "link" else tmp_path / "new", b"new", overwrite=step != "link")
    monkeypatch.undo()
    assert [p.name for p in tmp_path.iterdir()] == ["a"]
    assert path.read_bytes() == b"old"
