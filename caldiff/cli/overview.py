"""``caldiff --help`` and ``--version``."""

from __future__ import annotations

from collections.abc import Mapping

from caldiff.cli import SAME, TOPICS
from caldiff.cli.terminal import write
from caldiff.errors import UsageError

__all__ = ["run"]

_TEXT = """\
usage: caldiff A B [C...]            what changed between images
       caldiff COMMAND ...           'caldiff COMMAND --help' has the options

caldiff says in engineering units what a revision changed in the calibration of
an engine controller. Definitions say how to read an image; they are picked by
what the image itself holds.

{commands}

definitions are looked for in the folders of --definitions, then of the
environment variable CALDIFF_DEFINITIONS, then in the user's configuration
folder, then among those that come with caldiff.

exit status: 0 the same (or accepted), 1 different, 2 trouble, 3 refused

A wrong calibration destroys engines and hurts people, and many changes are
illegal on the road: verify on your own bench, mind the law, have licensed
people decide. caldiff writes no controller.
"""


def run(option: str) -> int:
    """Write the overview, or the version. Without a word on the command line the overview is no answer but trouble."""
    if not option:
        raise UsageError("there is nothing to compare", hint="caldiff A B; 'caldiff --help' lists what else there is")
    if option == "--version":
        from importlib.metadata import version  # noqa: PLC0415 - slow, and rarely asked for

        write(f"caldiff {version('caldiff')}\n")
    else:
        write(_TEXT.format(commands="\n\n".join(_topic(*topic) for topic in TOPICS.items())))
    return SAME


def _topic(name: str, commands: Mapping[str, str]) -> str:
    return "\n".join([f"{name}:", *(f"  {command:<12}{text}" for command, text in commands.items())])
