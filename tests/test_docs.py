"""The documents keep their promises: links lead somewhere, programs run, sessions print what is printed here.

``python tests/test_docs.py`` writes what the sessions print into the pages anew; read the difference before keeping it.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


def _blocks(page: Path, language: str) -> list[str]:
    return [body for kind, body in FENCE.findall(page.read_text(encoding="utf-8")) if kind == language]


def _having(language: str) -> list[Path]:
    return [page for page in PAGES if page.exists() and _blocks(page, language)]


def _name(page: Path) -> str:
    return str(page.relative_to(ROOT))


def _environment(home: Path) -> dict[str, str]:
    """Nothing of the user who runs the tests: no configuration, no cache, no colours, 80 columns."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith(("CALDIFF", "XDG"))}
    return kept | {"HOME": str(home), "COLUMNS": "80", "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"}


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    return _environment(tmp_path / "home")


@pytest.mark.parametrize("page", PAGES, ids=_name)
def test_links_lead_somewhere(page: Path) -> None:
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    targets = [t.partition("#")[0] for t in LINK.findall(text) if not t.startswith(("http:", "https:", "#"))]
    assert [t for t in targets if not (page.parent / t).exists()] == []


@pytest.mark.parametrize("page", _having("python"), ids=_name)
def test_programs_run(page: Path, tmp_path: Path, environment: dict[str, str]) -> None:
    program = "\n".join(_blocks(page, "python"))
    work = tmp_path / "work"
    work.mkdir()
    subprocess.run([sys.executable, "-m", "caldiff", "demo", "demo"], cwd=work, env=environment, check=True)
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", program],
        cwd=work,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize("page", _having("console"), ids=_name)
def test_sessions_print_what_is_printed_here(page: Path, tmp_path: Path, environment: dict[str, str]) -> None:
    work = tmp_path / "work"
    work.mkdir()
    for block in _blocks(page, "console"):
        for session in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, expected = session.partition("\n")
            printed = _run(command, work, environment)
            assert _matches(printed.splitlines(), expected.splitlines()), f"$ {command}\n{printed}"


def test_sessions_read_at_80_columns() -> None:
    lines = [line for page in _having("console") for block in _blocks(page, "console") for line in block.splitlines()]
    assert lines
    assert [line for line in lines if len(line) > 80 and not line.startswith("$ ")] == []


def _run(command: str, work: Path, environment: dict[str, str]) -> str:
    """One line of a session; ``echo $?`` after ``;`` shows the exit status."""
    line, _, tail = command.partition("; echo $?")
    words = shlex.split(line, comments=True)
    if words[0] == "caldiff":
        words = [sys.executable, "-m", "caldiff", *words[1:]]
    ran = subprocess.run(
        words,
        cwd=work,
        env=environment,
        check=False,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        encoding="utf-8",
    )
    return ran.stdout + (f"{ran.returncode}\n" if tail or "; echo $?" in command else "")


def _matches(printed: list[str], expected: list[str]) -> bool:
    """Line by line; a line ``...`` in the document stands for any number of lines."""
    expected = [line.rstrip() for line in expected]
    printed = [line.rstrip() for line in printed]
    while expected and not expected[-1]:
        expected.pop()
    while printed and not printed[-1]:
        printed.pop()
    if "..." not in expected:
        return printed == expected
    cut = expected.index("...")
    head, rest = expected[:cut], expected[cut + 1 :]
    if printed[:cut] != head:
        return False
    return any(_matches(printed[at:], rest) for at in range(cut, len(printed) + 1))


def _rewrite(page: Path, folder: Path) -> None:
    """Every session of a page with what it prints now; a session that leaves lines out stays as it is."""

    def told(match: re.Match[str]) -> str:
        out = []
        for session in re.split(r"^\$ ", match[2], flags=re.MULTILINE)[1:]:
            command, _, expected = session.partition("\n")
            printed = _run(command, folder, _environment(folder.parent / "home"))
            out.append(f"$ {session}" if "..." in expected.splitlines() else f"$ {command}\n{printed}")
        return "```console\n" + "".join(text if text.endswith("\n") else text + "\n" for text in out) + "```"

    text = page.read_text(encoding="utf-8")
    page.write_text(FENCE.sub(lambda m: told(m) if m[1] == "console" else m[0], text), encoding="utf-8")


if __name__ == "__main__":
    subprocess.run([sys.executable, "-m", "caldiff", "--version"], check=True)  # else its absence would be written down
    for document in _having("console"):
        with tempfile.TemporaryDirectory() as temporary:
            (Path(temporary) / "work").mkdir()
            _rewrite(document, Path(temporary) / "work")
