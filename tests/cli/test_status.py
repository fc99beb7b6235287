"""Exit statuses: 0 the same, 1 different, 2 trouble; and trouble never reads as an answer."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

STOCK, REV1, REV2 = "van17_stock_read.bin", "van17_rev1.hex", "van17_rev2.s19"
Run = Callable[..., Any]


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        ([STOCK, STOCK], 0),
        ([STOCK, REV1], 1),
        (["compare", STOCK, REV1], 1),
        ([STOCK, STOCK, STOCK], 0),
        ([STOCK, STOCK, REV1], 1),
        ([STOCK, REV1, "--table", "nothing_like_this"], 1),
        (["show", STOCK], 0),
        (["show", STOCK, "idle_target_gas"], 0),
        (["identify", STOCK, REV1], 0),
        (["checksum", STOCK], 0),
        (["checksum", "--find", STOCK, "--seconds", "0.001"], 1),
        (["definition", "list"], 0),
        (["definition", "compare", "wren4-2.10", "wren4-2.10"], 0),
        (["definition", "compare", "wren4-2.10", "wren4-2.30"], 1),
        (["definition", "schema"], 0),
        (["--help"], 0),
        (["--version"], 0),
        (["show", "--help"], 0),
        ([], 2),
        (["", ""], 2),
        ([""], 2),
        ([STOCK], 2),
        ([STOCK, "not-there.bin"], 2),
        (["show", STOCK, "no_such_table"], 2),
        (["identify", "README.txt"], 2),
        (["definition", "check", "README.txt"], 2),
        (["definition", "check", "not-there.yaml"], 2),
        (["checksum", STOCK, "--correct"], 2),
        (["checksum", STOCK, "-o", "new.bin"], 2),
        (["checksum", STOCK, REV1, "--correct", "-o", "new.bin"], 2),
        (["checksum", STOCK, "--correct", "-o", STOCK], 2),
        (["checksum", STOCK, "--correct", "-o", REV1], 2),
        (["checksum", STOCK, "--seconds", "5"], 2),
        (["checksum", "--find", STOCK, "--seconds", "none"], 2),
        (["checksum", "README.txt", "--format", "binary"], 2),
        (["definition"], 2),
        ([STOCK, REV1, "--colour-of-money"], 2),
        ([STOCK, REV1, "--width", "few"], 2),
        ([STOCK, REV1, "--start", "-4"], 2),
        ([STOCK, REV1, "--limit", "1KiB"], 2),
        ([STOCK, REV1, "-d", "no-such-definition"], 2),
        ([STOCK, REV1, "-d", "wren4-2.30"], 2),
        ([STOCK, REV1, REV2, "-d", "wren4-2.10", "-d", "wren4-2.10"], 2),
        ([STOCK, REV1, "--definitions", "not-there"], 2),
        (["completion", "abacus"], 2),
    ],
)
def test_status(call: Run, arguments: list[str], status: int) -> None:
    answer = call(*arguments)
    assert answer.status == status, answer
    checks = arguments[:2] == ["definition", "check"]  # its answer is what is wrong, so that stands on standard output
    assert bool(answer.err) == (status == 2 and not checks), answer
    assert bool(answer.out) == (status != 2 or checks), answer
    assert "Traceback" not in answer.err


@pytest.mark.parametrize(
    ("arguments", "option"),
    [
        (["README.txt", STOCK], "--format binary"),
        ([STOCK, REV1, "--limit", "1KiB"], "--limit"),
    ],
)
def test_a_hint_names_the_option(call: Run, arguments: list[str], option: str) -> None:
    hint = next(line for line in call(*arguments).err.splitlines() if "hint:" in line)
    assert hint.endswith(f"({option})")


def test_identical_binaries_are_answered_without_numpy(spawn: Run, demo: Path, tmp_path: Path) -> None:
    other = tmp_path / "copy.bin"
    shutil.copy(demo / STOCK, other)
    code = (
        "import sys; from caldiff.cli import main; status = main(sys.argv[1:]);"
        "print(sorted(m for m in sys.modules if m.partition('.')[0] in {'numpy', 'bincopy', 'deepdiff', 'yaml'}));"
        "sys.exit(status)"
    )
    spawn(STOCK, STOCK)  # compiles the definitions, which needs a YAML library
    for extra in ([], ["--json"]):
        answer = spawn(STOCK, str(other), *extra, code=code)
        assert answer.status == 0, answer
        assert answer.out.endswith("[]\n"), answer.out[-200:]
    assert "The same: every byte of the files." in spawn(STOCK, str(other)).out
    answer = spawn(STOCK, REV1, code=code)
    assert "numpy" in answer.out  # so that the check can fail


@pytest.mark.parametrize("content", [b"", b"%PDF-1.7 not an image"])
def test_equal_files_that_are_no_image_are_no_answer(call: Run, tmp_path: Path, content: bytes) -> None:
    for name in ("a", "b"):
        (tmp_path / name).write_bytes(content)
    answer = call(str(tmp_path / "a"), str(tmp_path / "b"))
    assert answer.status == 2
    assert answer.out == ""


def test_a_fault_of_caldiff_is_trouble(spawn: Run) -> None:
    code = (
        "import sys, caldiff.cli.compare as c\n"
        "def fault(*_): raise ZeroDivisionError('on \\x1b[2J purpose')\n"
        "c.opened = fault\n"
        "from caldiff.cli import main\n"
        f"sys.exit(main(['{STOCK}', '{REV1}']))"
    )
    answer = spawn(code=code)
    assert answer.status == 2
    assert "a fault of caldiff itself" in answer.err
    assert "\x1b" not in answer.err


def test_closed_output_is_trouble(demo: Path, settings: dict[str, str]) -> None:
    done = subprocess.run(
        ["sh", "-c", 'exec "$@" >&-', "sh", sys.executable, "-m", "caldiff", STOCK, REV1],
        cwd=demo,
        env=settings,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 2
    assert b"standard output is closed" in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_trouble(demo: Path, settings: dict[str, str]) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "caldiff", STOCK, REV1],
            cwd=demo,
            env=settings,
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert done.returncode == 2
    assert b"the answer cannot be written" in done.stderr
    assert b"Exception ignored" not in done.stderr


def test_a_reader_that_went_away(demo: Path, settings: dict[str, str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "caldiff", STOCK, REV1],
        cwd=demo,
        env=settings,
        stdout=writing,
        stderr=subprocess.PIPE,
        check=False,
    )
    os.close(writing)
    assert done.returncode == 128 + signal.SIGPIPE
    assert done.stderr == b""


def test_a_pipe_is_an_image_too(demo: Path, settings: dict[str, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "caldiff", "/dev/stdin", STOCK],
        cwd=demo,
        env=settings,
        input=(demo / STOCK).read_bytes(),
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
