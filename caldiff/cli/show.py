"""``caldiff show IMAGE [TABLE...]``: what an image is, or tables with their axes."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from difflib import get_close_matches
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from caldiff.cli import SAME
from caldiff.cli.finding import add_file_options, opened
from caldiff.cli.personal import add_personal_options, key_for
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.definition.definition import Definition
from caldiff.errors import DefinitionMissingError, TableError
from caldiff.render.document import printed
from caldiff.render.view import View
from caldiff.table.calibration import Calibration

if TYPE_CHECKING:
    from caldiff.table.model import Table

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say what an image is and which tables it holds; or show tables, whole, with their axes.",
    )
    made.add_argument("file", metavar="IMAGE", help="an image")
    made.add_argument("names", nargs="*", metavar="TABLE", help="tables by name, alias or pattern, such as 'idle_*'")
    group = made.add_argument_group("what is shown")
    group.add_argument("--table", action="append", default=[], metavar="GLOB", help="list only tables of such a name")
    group.add_argument("--tag", action="append", default=[], metavar="TAG", help="list only tables with this tag")
    add_personal_options(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=False)
    return made


def run(options: Namespace) -> int:
    """Show the image or its tables."""
    (calibration,) = opened([options.file], options)
    view = View(
        personal=options.show_personal, key=key_for(options), globs=tuple(options.table), tags=tuple(options.tag)
    )
    tables = _tables(calibration, options.names)
    if options.json:
        from caldiff.render.image import image_document  # noqa: PLC0415 - brings numpy

        write(printed(image_document(calibration, tables, view)))
    elif options.names:
        from caldiff.render.image import tables_text  # noqa: PLC0415 - brings numpy

        write(tables_text(tables, look_for(options)))
    else:
        from caldiff.render.summary import image_text  # noqa: PLC0415 - not for tables

        write(image_text(calibration, look_for(options), view))
    return SAME


def _tables(calibration: Calibration, names: list[str]) -> list[Table]:
    """The tables asked for, each once, in the order asked for.

    Raises:
        DefinitionMissingError: no definition fits the image.
        TableError: a name that no table has.
    """
    definition = calibration.definition
    if names and definition is None:
        raise DefinitionMissingError(
            "no definition fits this image, so there are no tables in it",
            file=calibration.label,
            hint="'caldiff identify FILE' says what was tried; --definition names one",
        )
    found = dict.fromkeys(n for name in names if definition is not None for n in _matching(definition, name))
    return [calibration[name] for name in found]


def _matching(definition: Definition, name: str) -> list[str]:
    spec = definition.find_table(name)
    found = [spec.name] if spec else [n for n in definition.tables if fnmatchcase(n, name)]
    if not found:
        close = get_close_matches(name, definition.tables, n=1)
        raise TableError(
            f"definition {definition.name} has no table '{name}'",
            hint=f"did you mean {close[0]}?" if close else "'caldiff show IMAGE' lists the tables",
        )
    return found
