"""``caldiff export UNIT -o FILE``: one unit as a single file."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from caldiff.canonical import Digest
from caldiff.cli import SAME
from caldiff.cli.newfile import must_be_new, write_new
from caldiff.cli.terminal import formatter, progress, write
from caldiff.cli.vaults import add_vault_option, unit_of, vault_for

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Write all that was recorded of a unit into one file, for a customer, an auditor or another "
        "workshop: a zip that is a vault of that unit alone. Every file in it is verified before it is written; it "
        "holds the very files, and what they say of the vehicle. 'caldiff import' takes it in. Exit status: 0 "
        "written, 2 trouble.",
    )
    made.add_argument("unit", metavar="UNIT", help="the unit")
    made.add_argument("-o", "--output", required=True, metavar="FILE", help="where to; it must not be there yet")
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_vault_option(made)
    return made


def run(options: Namespace) -> int:
    """Export, and say what it came to."""
    must_be_new(options.output)
    vault = vault_for(options)
    unit_of(vault, options.unit)
    from caldiff.render.bundle import exported_document, exported_text  # noqa: PLC0415 - usage errors do without
    from caldiff.render.document import printed  # noqa: PLC0415 - as above
    from caldiff.vault.bundle import export_unit  # noqa: PLC0415 - as above

    with progress("exporting"):
        data = export_unit(vault, options.unit)
        write_new(options.output, data)
    told = exported_document if options.json else exported_text
    said = told(options.unit, len(vault.links(options.unit)), len(data), Digest.of(data), options.output)
    write(said if isinstance(said, str) else printed(said))
    return SAME
