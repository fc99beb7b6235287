"""docs/demo.md says what caldiff says: every ``console`` block is run, at 80 columns, without colour.

``python tests/demo/test_demo_page.py`` writes the answers into the page anew; read the difference before keeping it.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "demo.md"
BLOCK = re.compile(r"(?<=^```console\n).*?(?=^```$)", re.MULTILINE | re.DOTALL)


def answered(folder: Path, commands: list[str]) -> str:
    """The commands with what they print, run in the folder: without the user's settings, and no warning or fault."""
    settings = {"COLUMNS": "80", "NO_COLOR": "1", "HOME": str(folder), "PATH": os.environ["PATH"]}
    lines = []
    for command in commands:
        program, *arguments = command.split()
        assert program == "caldiff"
        done = subprocess.run(
            [sys.executable, "-c", "import sys, caldiff.cli; sys.exit(caldiff.cli.main())", *arguments],
            cwd=folder,
            env=settings,
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
        )
        assert done.returncode in (0, 1), done.stderr
        assert done.stderr == ""
        lines.append(f"$ {command}\n{done.stdout}")
    return "\n".join(lines)


def rewritten(page: str, folder: Path) -> str:
    """The page with the answer to every command, in order of the blocks."""
    commands = [re.findall(r"^\$ (.*)$", block, re.MULTILINE) for block in BLOCK.findall(page)]
    answers = iter([answered(folder, block) for block in commands])
    return BLOCK.sub(lambda _: next(answers), page)


def test_the_page_says_what_caldiff_says(tmp_path: Path) -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page.count("$ caldiff ") >= 8
    assert rewritten(page, tmp_path) == page


def test_it_reads_at_80_columns() -> None:
    for block in BLOCK.findall(PAGE.read_text(encoding="utf-8")):
        for line in block.splitlines():
            assert line.startswith("$ ") or len(line) <= 80, line


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        PAGE.write_text(rewritten(PAGE.read_text(encoding="utf-8"), Path(made)), encoding="utf-8")
