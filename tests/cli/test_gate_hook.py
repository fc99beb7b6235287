"""The pre-commit hook runs the gate over the paths that the user names, whatever a commit changes."""

from __future__ import annotations

from pathlib import Path

import yaml

from caldiff.cli import COMMANDS

HOOKS = Path(__file__).parents[2] / ".pre-commit-hooks.yaml"


def test_the_hook_judges_what_is_named_and_cannot_be_left_out_by_a_file_name() -> None:
    (hook,) = yaml.safe_load(HOOKS.read_text(encoding="utf-8"))
    program, command = hook["entry"].split()
    assert (program, hook["language"]) == ("caldiff", "python")
    assert command in COMMANDS
    assert hook["always_run"] is True  # else a commit that touches no file of some name runs nothing
    assert hook["pass_filenames"] is False  # else only what a commit changes is judged
    assert not {"files", "exclude", "types", "types_or"} & set(hook)
