"""docs/command-line.md names every command, option, environment variable and schema, and no other."""

from __future__ import annotations

import re
from argparse import Action, ArgumentParser
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from caldiff.cli import COMMANDS
from caldiff.cli.completion import whole

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "command-line.md").read_text(encoding="utf-8")
STOCK = "van17_stock_read.bin"


def actions(parser: ArgumentParser) -> Iterator[Action]:
    for action in parser._actions:
        yield action
        for below in (action.choices or {}).values() if isinstance(action.choices, dict) else ():
            yield from actions(below)


def test_every_option_is_on_the_page_and_no_other() -> None:
    known = {option for action in actions(whole()) for option in action.option_strings}
    assert set(re.findall(r"--[a-z][a-z-]*", PAGE)) == {o for o in known if o.startswith("--")} - {"--colour"}


def test_every_choice_is_on_the_page() -> None:
    for action in actions(whole()):
        if action.choices and not isinstance(action.choices, dict):
            assert all(re.search(rf"\b{choice}\b", PAGE) for choice in action.choices), action


def test_every_command_is_on_the_page() -> None:
    assert all(f"caldiff {command} " in PAGE for command in COMMANDS)


def test_every_schema_is_on_the_page() -> None:
    linked = set(re.findall(r"\(schemas/([a-z.-]+\.json)\)", PAGE))
    assert linked == {path.name for path in (DOCS / "schemas").glob("*.json")}


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS), ["definition", "check"]])
def test_help_fits_80_columns(call: Callable[..., Any], command: list[str]) -> None:
    answer = call(*command, "--help")
    assert answer.status == 0
    assert max(map(len, answer.out.splitlines())) <= 80


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "tcsh", "powershell"])
def test_completion_knows_commands_and_options(call: Callable[..., Any], shell: str) -> None:
    answer = call("completion", shell)
    assert answer.status == 0
    for word in (*COMMANDS, "show-personal", "definitions"):
        assert word in answer.out
