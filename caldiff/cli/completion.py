"""``caldiff completion SHELL``: a completion script."""

from __future__ import annotations

from argparse import Action, ArgumentParser, Namespace
from collections.abc import Iterator

from caldiff.cli import COMMANDS, SAME, module_of
from caldiff.cli.terminal import formatter, write

__all__ = ["parser", "run", "whole"]

_FILES = {"files", "file", "folder", "definition", "definitions", "paths", "old", "new", "output", "vault", "sign"}
_SHELLS = ("bash", "zsh", "fish", "tcsh", "powershell")


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Print a script that completes caldiff's commands, options and files in a shell; for bash: "
        'eval "$(caldiff completion bash)"',
    )
    made.add_argument("shell", choices=_SHELLS, help="the shell")
    return made


def run(options: Namespace) -> int:
    """Print the script."""
    import shtab  # noqa: PLC0415 - for this command only

    made = whole()
    for action in _actions(made):
        if action.dest in _FILES:
            action.complete = shtab.FILE  # type: ignore[attr-defined]  # where shtab looks for it
    write(shtab.complete(made, options.shell) + "\n")
    return SAME


def whole() -> ArgumentParser:
    """One parser with every command. ``caldiff A B`` completes like ``caldiff compare A B``."""
    made = ArgumentParser(prog="caldiff", allow_abbrev=False, formatter_class=formatter)
    made.add_argument("--version", action="store_true", help="the version of caldiff")
    commands = made.add_subparsers(metavar="COMMAND")
    for name, text in COMMANDS.items():
        one = module_of(name).parser(f"caldiff {name}")
        commands.add_parser(name, parents=[one], add_help=False, help=text, allow_abbrev=False)
    return made


def _actions(made: ArgumentParser) -> Iterator[Action]:
    """The arguments of a parser and of those below it."""
    for action in made._actions:  # noqa: SLF001 - argparse has no other way to list them
        yield action
        for below in (action.choices or {}).values() if isinstance(action.choices, dict) else ():
            yield from _actions(below)
