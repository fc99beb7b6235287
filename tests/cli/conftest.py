"""The command line, run in a home of its own: in this process, or as a process where that matters."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import attrs
import pytest

from caldiff.cli import main
from caldiff.demo.scenario import write_demo

STOCK, REV1, REV2, REV3, NEWER = (
    "van17_stock_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
)


@attrs.frozen
class Answer:
    """What a command said."""

    status: int
    out: str
    err: str


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files."""
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder)
    return folder


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home, shared so that definitions are compiled once."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture
def settings(home: Path) -> dict[str, str]:
    """The environment of a user who has set nothing."""
    return {"HOME": str(home), "PATH": os.environ["PATH"], "PYTHONPATH": os.environ.get("PYTHONPATH", "")}


@pytest.fixture
def call(
    demo: Path, settings: dict[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Answer]:
    """Run a command in this process, in the folder of the demo."""

    def run(*arguments: str, **environment: str) -> Answer:
        with monkeypatch.context() as patch:
            patch.chdir(demo)
            for name in list(os.environ):
                patch.delenv(name)
            for name, value in {**settings, **environment}.items():
                patch.setenv(name, value)
            status = main(arguments)
        said = capsys.readouterr()
        return Answer(status, said.out, said.err)

    return run


@pytest.fixture
def spawn(demo: Path, settings: dict[str, str]) -> Callable[..., Answer]:
    """Run a command as a process of its own, in the folder of the demo."""

    def run(*arguments: str, code: str = "", **environment: str) -> Answer:
        program = ["-c", code] if code else ["-m", "caldiff"]
        done = subprocess.run(
            [sys.executable, *program, *arguments],
            cwd=demo,
            env={**settings, **environment},
            capture_output=True,
            check=False,
        )
        return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())

    return run
