"""Where definitions are looked for, and what is said when none or several fit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

STOCK, REV1, NEWER = "van17_stock_read.bin", "van17_rev1.hex", "van17_read_after_update.hex"
Run = Callable[..., Any]

OWN = """\
definition: 1
name: {name}
title: {title}
image: {{start: 0x1000, size: 256, byte_order: big}}
fits:
  - {{at: 0x1000, text: "OWN"}}
tables:
  limit: {{at: 0x1010, type: u16, scaling: {{unit: rpm, factor: 1/4}}}}
"""


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """A folder with two images that only a definition of their own fits."""
    data = bytearray(b"OWN" + bytes(253))
    (tmp_path / "a.bin").write_bytes(data)
    data[16:18] = (4000).to_bytes(2, "big")
    (tmp_path / "b.bin").write_bytes(data)
    return tmp_path


def folder(path: Path, title: str, name: str = "own-1") -> Path:
    path.mkdir(parents=True, exist_ok=True)
    (path / f"{name}.yaml").write_text(OWN.format(name=name, title=title), encoding="utf-8")
    return path


def test_option_then_environment_then_configuration(call: Run, own: Path, home: Path) -> None:
    files = (str(own / "a.bin"), str(own / "b.bin"))
    answer = call(*files)
    assert answer.status == 1
    assert "no definition fits" in answer.out
    configuration = folder(home / ".config" / "caldiff" / "definitions", "from configuration")
    try:
        assert "from configuration" in call(*files).out
        environment = {"CALDIFF_DEFINITIONS": f"{own / 'empty'}:{folder(own / 'e', 'from environment')}"}
        (own / "empty").mkdir()
        assert "from environment" in call(*files, **environment).out
        option = ("--definitions", str(folder(own / "o", "from option")))
        answer = call(*files, *option, **environment)
        assert "from option" in answer.out
        assert "0 → 1000 rpm    +1000 rpm" in answer.out
        named = call(*files, "-d", str(folder(own / "n", "by file") / "own-1.yaml"), **environment)
        assert "by file" in named.out
    finally:
        (configuration / "own-1.yaml").unlink()


def test_several_that_fit_are_trouble(call: Run, own: Path) -> None:
    both = folder(own / "d", "one")
    folder(both, "another", name="own-2")
    answer = call(str(own / "a.bin"), str(own / "b.bin"), "--definitions", str(both))
    assert answer.status == 2
    assert "2 definitions fit this image: own-1, own-2" in answer.err
    named = call(str(own / "a.bin"), str(own / "b.bin"), "--definitions", str(both), "-d", "own-2")
    assert named.status == 1
    assert "another" in named.out


def test_a_broken_one_is_told_and_does_not_stop_the_others(call: Run, own: Path) -> None:
    where = folder(own / "d", "sound")
    (where / "broken.yaml").write_text("definition: 1\nname: broken\ncolour: red\n", encoding="utf-8")
    answer = call(str(own / "a.bin"), str(own / "b.bin"), "--definitions", str(where))
    assert answer.status == 1
    assert "sound" in answer.out
    assert "broken.yaml cannot be used" in answer.err
    assert "caldiff definition check" in answer.err


def test_all_problems_of_a_definition_are_listed(call: Run, own: Path) -> None:
    where = own / "bad.yaml"
    text = OWN.format(name="bad", title="bad").replace("u16", "u17").replace("unit:", "unti:")
    where.write_text(text, encoding="utf-8")
    answer = call(str(own / "a.bin"), str(own / "b.bin"), "-d", str(where))
    assert answer.status == 2
    assert "2 problems in the definition" in answer.err
    assert f"{where}:8:" in answer.err
    checked = call("definition", "check", str(where))
    assert checked.status == 2
    assert checked.out.count("! error:") == 2


def test_a_missing_folder_in_the_environment_is_told(call: Run, own: Path) -> None:
    answer = call(STOCK, REV1, CALDIFF_DEFINITIONS=str(own / "nowhere"))
    assert answer.status == 1
    assert "which is not a folder" in answer.err


def test_one_definition_for_each_file(call: Run) -> None:
    sides = ("-d", "wren4-2.10", "-d", "wren4-2.30")
    answer = call(STOCK, NEWER, *sides)
    assert answer.status == 1
    assert "read by wren4-2.10" in answer.out
    assert "read by wren4-2.30" in answer.out
    assert call(NEWER, STOCK, *sides).status == 2


def test_a_start_address(call: Run, own: Path) -> None:
    where = str(folder(own / "d", "own"))
    files = (str(own / "a.bin"), str(own / "b.bin"))
    assert "at 0x00001000" in call(*files, "--definitions", where).out
    assert "at 0x00002000" in call(*files, "--definitions", where, "--start", "0x2000").out
    assert "no definition fits" in call(*files, "--definitions", where, "--start", "0x2000").out


def test_what_was_meant(call: Run) -> None:
    assert "caldiff show" in call("shwo", STOCK).err
    assert "a command stands first: caldiff show" in call("--json", "show", STOCK).err
    assert "did you mean idle_target_gas?" in call("show", STOCK, "idle_target_gsa").err
    assert "caldiff show FILE" in call(STOCK).err


def test_a_file_called_like_a_command(call: Run, demo: Path) -> None:
    (demo / "show").write_bytes((demo / STOCK).read_bytes())
    try:
        assert call("./show", STOCK).status == 0
    finally:
        (demo / "show").unlink()
