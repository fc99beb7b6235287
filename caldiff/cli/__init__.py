"""The command line: one module a command. The only place that reads arguments, the environment and the terminal."""

from __future__ import annotations

import gc
import sys
from collections.abc import Sequence
from importlib import import_module
from types import ModuleType

__all__ = ["COMMANDS", "DIFFERENT", "SAME", "TOPICS", "TROUBLE", "drop_output", "main", "module_of", "process"]

TOPICS = {
    "images": {
        "compare": "what changed between two images or more (the default)",
        "show": "what an image is, or some of its tables",
        "identify": "which definition fits a file, and what the file says it is",
        "checksum": "whether the checksums of an image hold; correct or find them",
    },
    "units in a vault": {
        "vault": "make a vault, the folder that keeps every file of every unit",
        "record": "record a baseline read, a revision, a readback and the like",
        "trace": "which unit and entry a file is, or what it is nearest to",
        "gate": "whether files may go out: traced, proven, within a policy",
        "readback": "whether a unit still holds what it should, and if not, what",
        "history": "what was recorded of a unit, entry by entry",
        "restore": "write a file as it was recorded; the baseline by default",
        "verify": "whether the vault holds, level by level; mend what is damaged",
        "checkpoint": "a checkpoint of the whole vault to keep elsewhere, proofs by it",
        "export": "one unit as a single file, for a customer or an auditor",
        "import": "take in a unit that another vault exported",
        "key": "make a key to sign entries with, or show one",
    },
    "logs and faults": {
        "coverage": "where the engine went, in the changed cells first",
        "propose": "corrections reckoned from logs, on paper",
        "faults": "what became of the fault codes, and what that proves",
    },
    "besides": {
        "definition": "check, compare or list definitions; their schema for editors",
        "demo": "write an invented scenario into a folder, to try things on",
        "completion": "print a completion script for a shell",
    },
}
COMMANDS = {name: text for commands in TOPICS.values() for name, text in commands.items()}
_ACTIONS = {"definition", "key", "record", "vault"}
"""commands whose next word says what to do: argparse cannot intermix their files and options before it has read that"""
SAME, DIFFERENT, TROUBLE = 0, 1, 2
INTERRUPTED, CUT_OFF = 130, 141
"""as a shell reports a process that SIGINT or SIGPIPE ended"""


def process() -> int:
    """Run a command as the whole of a process; its exit status.

    Most of a short run is imports, which leave no garbage: looking for it every 700 objects, and in all of them once
    more at the end, would cost a fifth of the time.
    """
    gc.set_threshold(100_000)
    status = main()
    gc.freeze()
    return status


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; the exit status.

    0: the same, or accepted. 1: different. 2: trouble, which is never an answer. 3: refused by the gate.
    """
    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except SystemExit as stop:  # argparse: help, or bad usage
        return stop.code if isinstance(stop.code, int) else TROUBLE
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        drop_output()
        return CUT_OFF
    except Exception as error:  # noqa: BLE001 - Python's own exit status for a bug is 1, which would read as an answer
        from caldiff.cli.trouble import tell  # noqa: PLC0415 - only when there is trouble

        tell(error)
        return TROUBLE


def module_of(command: str) -> ModuleType:
    """The module of a command; ``import`` is a word of Python, so that one is called otherwise."""
    return import_module(f"caldiff.cli.{'importing' if command == 'import' else command}")


def _run(arguments: list[str]) -> int:
    first = arguments[0] if arguments else ""
    if first in {"", "-h", "--help", "--version"}:
        module = import_module("caldiff.cli.overview")
        return int(module.run(first))
    command = first if first in COMMANDS else "compare"
    module = module_of(command)
    parser = module.parser(f"caldiff {command}" if command == first else "caldiff")
    rest = arguments[1:] if command == first else arguments
    return int(module.run(parser.parse_args(rest) if command in _ACTIONS else parser.parse_intermixed_args(rest)))


def drop_output() -> None:
    """What is left in the buffer of standard output goes nowhere, so that Python does not fail on it at its end."""
    import os  # noqa: PLC0415 - rarely needed

    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (AttributeError, OSError, ValueError):
        return  # there is no such file
