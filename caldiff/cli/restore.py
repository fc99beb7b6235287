"""``caldiff restore UNIT [ENTRY] -o FILE``: a file as it was recorded, byte for byte.

A short process: it imports neither numpy nor anything that reads images, and of the ledger only what walks a chain.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from caldiff.cli import SAME
from caldiff.cli.newfile import must_be_new, write_new
from caldiff.cli.terminal import formatter, write
from caldiff.cli.vaults import add_vault_option, unit_of, vault_for
from caldiff.errors import UsageError
from caldiff.ledger.linkage import named
from caldiff.render.look import harmless, plural

TYPE_CHECKING = False
if TYPE_CHECKING:
    from caldiff.canonical import Digest
    from caldiff.ledger.link import Link

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Write a file as it was recorded, byte for byte. The links of the unit's chain and the digest of "
        "the file are checked before anything is written; no file is ever overwritten. Exit status: 0 written, 2 "
        "trouble. caldiff writes no controller.",
    )
    made.add_argument("unit", metavar="UNIT", help="the unit")
    made.add_argument(
        "entry",
        metavar="ENTRY",
        nargs="?",
        default="baseline",
        help="a number, the beginning of a hash (8 digits and more), or baseline, latest (revision), head (default: "
        "baseline, the newest)",
    )
    made.add_argument("-o", "--output", required=True, metavar="FILE", help="where to; it must not be there yet")
    made.add_argument("--file", metavar="NAME", help="which file of the entry, where it has several")
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_vault_option(made)
    return made


def run(options: Namespace) -> int:
    """Restore the file, and say what it is."""
    must_be_new(options.output)
    vault = vault_for(options)
    unit_of(vault, options.unit)
    link = named(vault.links(options.unit), options.entry)
    name, digest = _chosen(link, options)
    data = vault.fetch(digest)
    write_new(options.output, data)
    _tell(link, name, digest, len(data), options)
    return SAME


def _chosen(link: Link, options: Namespace) -> tuple[str, Digest]:
    """The file of the entry that is meant."""
    if not link.subjects:
        raise UsageError(
            f"entry {link.sequence} of {link.unit} is of kind {link.kind} and has no file",
            hint=f"'caldiff history {link.unit}' lists the entries with their files",
        )
    names = ", ".join(name for name, _ in link.subjects)
    if options.file is None:
        if len(link.subjects) > 1:
            raise UsageError(
                f"entry {link.sequence} of {link.unit} has {len(link.subjects)} files: {names}",
                hint="name one of them by --file",
            )
        return link.subjects[0]
    found = [subject for subject in link.subjects if subject[0] == options.file]
    if len({digest.hex for _, digest in found}) != 1:
        raise UsageError(
            f"entry {link.sequence} of {link.unit} has {'several files' if found else 'no file'} of this name",
            file=options.file,
            hint=f"it has {names}",
        )
    return found[0]


def _tell(link: Link, name: str, digest: Digest, size: int, options: Namespace) -> None:
    if options.json:
        from caldiff.render.document import document, printed, sound  # noqa: PLC0415 - costs more than the rest

        body = {
            "unit": link.unit,
            "sequence": link.sequence,
            "hash": str(link.hash),
            "kind": link.kind,
            "time": link.time,
            "name": name,
            "digest": str(digest),
            "size": size,
            "output": sound(options.output),
        }
        write(printed(document("restored", body)))
        return
    write(
        f"{harmless(options.output)}\n"
        f"  the very file of entry {link.sequence} of {link.unit}, {link.kind} of {link.time}\n"
        f"  {harmless(name)}, {plural(size, 'byte')}\n"
        f"  sha256 {digest.hex}\n"
    )
