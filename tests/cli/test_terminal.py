"""What is written depends on where it goes: colour, width, characters."""

from __future__ import annotations

import io
import os
import pty
import select
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import sleep
from typing import Any

import pytest

from caldiff.cli.terminal import progress

STOCK, REV1 = "van17_stock_read.bin", "van17_rev1.hex"
Run = Callable[..., Any]


def on_terminal(demo: Path, settings: dict[str, str], *arguments: str, **environment: str) -> bytes:
    """What caldiff writes when its output is a terminal."""
    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "caldiff", *arguments],
        cwd=demo,
        env={**settings, **environment},
        stdout=follower,
        stderr=subprocess.DEVNULL,
    ) as process:
        os.close(follower)
        parts = []
        while select.select([leader], [], [], 60)[0]:
            try:
                part = os.read(leader, 65536)
            except OSError:
                break
            if not part:
                break
            parts.append(part)
        process.wait()
    os.close(leader)
    return b"".join(parts)


def test_colour_on_a_terminal_unless_told_otherwise(demo: Path, settings: dict[str, str]) -> None:
    terminal = {"TERM": "xterm-256color"}
    assert b"\x1b[1;38;5;208m+2.0" in on_terminal(demo, settings, STOCK, REV1, **terminal)
    assert b"\x1b" not in on_terminal(demo, settings, STOCK, REV1, NO_COLOR="1", **terminal)
    assert b"\x1b" in on_terminal(demo, settings, STOCK, REV1, NO_COLOR="", **terminal)
    assert b"\x1b" not in on_terminal(demo, settings, STOCK, REV1, TERM="dumb")
    assert b"\x1b" not in on_terminal(demo, settings, STOCK, REV1, "--color", "never", **terminal)
    assert b"\x1b[1;33m+2.0" in on_terminal(demo, settings, STOCK, REV1, TERM="linux")


def test_no_colour_in_a_pipe_unless_asked_for(call: Run) -> None:
    assert "\x1b" not in call(STOCK, REV1, TERM="xterm-256color").out
    assert "\x1b" in call(STOCK, REV1, "--color", "always", NO_COLOR="1").out
    assert "\x1b" not in call(STOCK, REV1, "--json", "--color", "always").out


@pytest.mark.parametrize(("environment", "width"), [({}, 80), ({"COLUMNS": "100"}, 100), ({"COLUMNS": "x"}, 80)])
def test_width(call: Run, environment: dict[str, str], width: int) -> None:
    rules = [line for line in call(STOCK, REV1, **environment).out.splitlines() if line.startswith("───")]
    assert rules
    assert {len(line) for line in rules} == {width}
    wide = call(STOCK, REV1, "--width", "120", **environment).out
    assert max(map(len, wide.splitlines())) == 120


@pytest.mark.parametrize(
    "environment",
    [{"LC_ALL": "C"}, {"LC_ALL": "POSIX"}, {"LC_ALL": "xx_XX.nonsense"}, {"PYTHONIOENCODING": "ascii"}],
)
def test_a_terminal_without_unicode_gets_ascii(spawn: Run, environment: dict[str, str]) -> None:
    answer = spawn(STOCK, REV1, **environment)
    assert answer.status == 1, answer.err
    assert answer.out.isascii()
    assert r'"none" -> "Coop\xe9rative' in answer.out


def test_latin_1_is_spoken(demo: Path, settings: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "caldiff", STOCK, REV1],
        cwd=demo,
        env={**settings, "PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1, done.stderr
    assert b"->" in done.stdout


def test_file_names_cannot_act_on_the_terminal(call: Run, demo: Path, tmp_path: Path) -> None:
    names = [os.fsencode(tmp_path) + b"/" + part for part in (b"a\x1b]0;x\x07.bin", b"b\xff\xfe.bin")]
    for name in names:
        with open(name, "wb") as stream:  # noqa: PTH123 - a name that is no text
            stream.write((demo / STOCK).read_bytes())
    files = [os.fsdecode(name) for name in names]
    for arguments in (files, [*files, "--json"], [files[0], REV1], [files[1], REV1, "--json"], ["identify", *files]):
        answer = call(*arguments)
        assert answer.status in {0, 1}, answer
        assert not set(answer.out + answer.err) & {"\x1b", "\x07", "\udcff"}
    answer = call(files[0] + "\x1b[2J", REV1)
    assert answer.status == 2
    assert "\x1b" not in answer.err
    assert r"\x1b[2J" in answer.err


class Screen(io.StringIO):
    """Standard error as a terminal."""

    def isatty(self) -> bool:
        return True


def test_progress_is_said_on_a_terminal_once_it_takes_long_and_taken_away(monkeypatch: pytest.MonkeyPatch) -> None:
    screen, file = Screen(), io.StringIO()
    monkeypatch.setattr("caldiff.cli.terminal._PATIENCE", 0.01)
    for stream in (screen, file):
        monkeypatch.setattr("sys.stderr", stream)
        with progress("reading definitions"):
            sleep(0.2)
    said = "caldiff: reading definitions ..."
    assert screen.getvalue() == f"{said}\r{' ' * len(said)}\r"
    assert file.getvalue() == ""
    quick = Screen()
    monkeypatch.setattr("sys.stderr", quick)
    monkeypatch.setattr("caldiff.cli.terminal._PATIENCE", 60)
    with progress("nothing"):
        pass
    assert quick.getvalue() == ""
