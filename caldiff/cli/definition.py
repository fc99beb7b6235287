"""``caldiff definition check|compare|list|schema``."""

from __future__ import annotations

import json
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from pathlib import Path

from caldiff.cli import DIFFERENT, SAME, TROUBLE
from caldiff.cli.finding import add_folder_option, catalogue_for, named
from caldiff.cli.terminal import add_look_options, formatter, look_for, progress, write
from caldiff.definition.catalogue import Catalogue
from caldiff.errors import CaldiffError, DefinitionError, FileError
from caldiff.render.definitions import (
    Checked,
    Listed,
    changes_document,
    changes_text,
    check_document,
    check_text,
    list_document,
    list_text,
)
from caldiff.render.document import printed

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog, allow_abbrev=False, formatter_class=formatter, description="Check, compare or list definitions."
    )
    actions = made.add_subparsers(required=True, metavar="check|compare|list|schema")

    def add(name: str, action: Callable[[Namespace], int], text: str, *, answers: bool = True) -> ArgumentParser:
        one = actions.add_parser(name, help=text, description=text, allow_abbrev=False, formatter_class=formatter)
        one.set_defaults(action=action)
        if answers:
            one.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
            add_look_options(one)
            add_folder_option(one)
        return one

    check = add("check", _check, "Say all that is wrong or suspicious. Exit status: 0 no error, 2 errors.")
    check.add_argument("paths", nargs="+", metavar="FILE", help="definition files")
    compare = add("compare", _compare, "Say what changed in the meaning. Exit status: 0 the same, 1 different.")
    compare.add_argument("old", metavar="OLD", help="a definition, by name or as a file")
    compare.add_argument("new", metavar="NEW", help="another")
    add("list", _list, "List the definitions that are found, and those that cannot be used.")
    add("schema", _schema, "Print the JSON Schema of definition files, for editors.", answers=False)
    return made


def run(options: Namespace) -> int:
    """Run the action that was asked for."""
    return int(options.action(options))


def _check(options: Namespace) -> int:
    catalogue = catalogue_for(options)
    with progress("checking definitions"):
        found = [_checked(catalogue, path) for path in options.paths]
    if options.json:
        write(printed(check_document(found)))
    else:
        write(check_text(found, look_for(options)))
    return SAME if all(one.sound for one in found) else TROUBLE


def _checked(catalogue: Catalogue, path: str) -> Checked:
    from caldiff.definition.lint import lint  # noqa: PLC0415 - for this action only
    from caldiff.definition.loader import load_normal  # noqa: PLC0415 - as above

    try:
        if load_normal(path, folders=catalogue.folders).is_family:
            return Checked(path=path, family=True)
        definition = catalogue.load(path)
    except DefinitionError as error:
        return Checked(path=path, problems=error.problems)
    except FileError as error:
        return Checked(path=path, problems=(error,))
    return Checked(path=path, findings=tuple(lint(definition, stem=Path(path).stem)), tables=len(definition.tables))


def _compare(options: Namespace) -> int:
    from caldiff.definition.compare import compare_definitions  # noqa: PLC0415 - for this action only

    catalogue = catalogue_for(options)
    with progress("comparing definitions"):
        found = compare_definitions(named(catalogue, options.old), named(catalogue, options.new))
    if options.json:
        write(printed(changes_document(found)))
    else:
        write(changes_text(found, look_for(options)))
    return DIFFERENT if found.changes else SAME


def _list(options: Namespace) -> int:
    catalogue = catalogue_for(options)
    listed: list[Listed] = []
    with progress("reading definitions"):
        for path, found in catalogue.definitions():
            error: CaldiffError | None = found if isinstance(found, CaldiffError) else None
            definition = None if isinstance(found, CaldiffError) else found
            listed.append(Listed(path=str(path), definition=definition, error=error))
    if options.json:
        write(printed(list_document(listed, [str(folder) for folder in catalogue.folders])))
    else:
        write(list_text(listed, [str(folder) for folder in catalogue.folders], look_for(options)))
    return SAME


def _schema(_: Namespace) -> int:
    from caldiff.definition.json_schema import definition_json_schema  # noqa: PLC0415 - for this action only

    write(json.dumps(definition_json_schema(), indent=2) + "\n")  # people read this one
    return SAME
