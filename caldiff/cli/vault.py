"""``caldiff vault init DIR``: make a vault."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace

from caldiff.cli import SAME
from caldiff.cli.terminal import Mixed, formatter, write
from caldiff.render.look import harmless

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Make a vault: a folder that keeps every file of every unit, and what was recorded of it.",
    )
    actions = made.add_subparsers(required=True, metavar="init", parser_class=Mixed)
    init = actions.add_parser(
        "init",
        help="make a vault in a folder",
        description="Make a vault in a folder, which is made where it is not there and must be empty where it is.",
        allow_abbrev=False,
        formatter_class=formatter,
    )
    init.add_argument("folder", metavar="DIR", help="the folder")
    init.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    return made


def run(options: Namespace) -> int:
    """Make it, and say how to go on."""
    from caldiff.vault.vault import Vault  # noqa: PLC0415 - help does without

    vault = Vault.create(options.folder, id=os.urandom(16).hex())
    if options.json:
        from caldiff.render.document import document, printed, sound  # noqa: PLC0415 - costs more than the text

        write(printed(document("vault", {"folder": sound(str(vault.folder)), "id": vault.id})))
        return SAME
    folder = harmless(str(vault.folder))
    write(
        f"{folder}: a new vault, {vault.id}\n"
        "A copy in another building, and a checkpoint kept elsewhere, protect what a single folder cannot.\n"
        f"next: caldiff record baseline UNIT FILE --vault {folder}\n"
    )
    return SAME
