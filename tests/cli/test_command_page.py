"""docs/command-line.md names every command, option, environment variable and schema, and no other."""

from __future__ import annotations

import re
from argparse import Action, ArgumentParser
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from caldiff.cli import COMMANDS
from caldiff.cli.completion import whole
from caldiff.ledger.entry import KINDS

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "command-line.md").read_text(encoding="utf-8")
STOCK = "van17_stock_read.bin"
ACTIONS = (
    *(["record", kind] for kind in KINDS),
    *(["key", action] for action in ("new", "show")),
    ["vault", "init"],
)


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


def test_every_kind_of_entry_can_be_recorded_and_is_on_the_page() -> None:
    parser = import_module("caldiff.cli.record").parser("caldiff record")
    (kinds,) = (action.choices for action in parser._actions if isinstance(action.choices, dict))
    assert set(kinds) == set(KINDS)
    assert all(f"| `{kind}` | " in PAGE for kind in KINDS)


def test_the_overview_lists_every_command_once(call: Callable[..., Any]) -> None:
    listed = re.findall(r"^  ([a-z]+) +[a-z]", call("--help").out, re.MULTILINE)
    assert listed == list(COMMANDS)


def test_every_schema_is_on_the_page() -> None:
    linked = set(re.findall(r"\(schemas/([a-z.-]+\.json)\)", PAGE))
    of_files = {"entry.json", *(f"{name}.schema.json" for name in ("policy", "trust", "channels"))}  # no command prints
    assert linked == {path.name for path in (DOCS / "schemas").glob("*.json")} - of_files


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS), ["definition", "check"], *ACTIONS])
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
