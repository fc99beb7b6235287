"""``caldiff import FILE``: take in a unit that another vault exported."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace

from caldiff.cli import SAME
from caldiff.cli.terminal import formatter, progress, write
from caldiff.cli.vaults import add_vault_option, vault_for
from caldiff.errors import FileError, LedgerError, VaultError

__all__ = ["parser", "run"]

_LONGEST = 4 << 30
"""bytes of a file that is taken in"""


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Take in a unit that 'caldiff export' wrote. Its links, and the digest of every file, are verified "
        "before anything is written. Entries that this vault has must be the same ones; it is extended by those that "
        "it has not, and where the two chains part nothing is taken. Exit status: 0 all is here, 2 trouble.",
    )
    made.add_argument("file", metavar="FILE", help="what caldiff export wrote")
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_vault_option(made)
    return made


def run(options: Namespace) -> int:
    """Import, and say what it came to."""
    vault = vault_for(options)
    data = _read(options.file)
    from caldiff.render.bundle import imported_document, imported_text  # noqa: PLC0415 - usage errors do without
    from caldiff.render.document import printed  # noqa: PLC0415 - as above
    from caldiff.vault.bundle import import_unit  # noqa: PLC0415 - as above

    try:
        with progress("importing"):
            taken = import_unit(vault, data)
    except (LedgerError, VaultError) as error:
        if error.file is None or not error.file.startswith(vault.folder):
            error.file = f"{options.file}: {error.file}" if error.file else options.file
        raise
    write(printed(imported_document(taken)) if options.json else imported_text(taken))
    return SAME


def _read(path: str) -> bytes:
    try:
        with open(path, "rb") as file:  # noqa: PTH123 - a Path costs more than it gives
            size = os.fstat(file.fileno()).st_size
            data = b"" if size > _LONGEST else file.read()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "this is no name of a file"
        raise FileError(f"the file cannot be read: {reason}", file=path) from error
    if max(size, len(data)) > _LONGEST:
        raise FileError("this is too long for one unit", file=path, expected="at most 4 GiB")
    return data
