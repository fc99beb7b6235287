"""``caldiff demo DIR``: write the invented scenario."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path

from caldiff.cli import SAME
from caldiff.cli.terminal import formatter, progress, write
from caldiff.demo.scenario import write_demo
from caldiff.render.document import document, printed
from caldiff.render.look import harmless

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Write an invented scenario into a folder: reads and revisions of a controller that does not "
        "exist, the same bytes every time. README.txt there tells the story and what to try.",
    )
    made.add_argument("folder", metavar="DIR", help="a folder; it is made where it is not there")
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    return made


def run(options: Namespace) -> int:
    """Write the files, and say which."""
    with progress("writing the demo"):
        paths = write_demo(Path(options.folder))
    if options.json:
        write(printed(document("demo", {"files": [str(path) for path in paths]})))
    else:
        lines = ["Everything in these files is invented.", *(harmless(str(path)) for path in paths)]
        write("\n".join(lines) + "\n")
    return SAME
