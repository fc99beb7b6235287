"""``caldiff history UNIT``: what was recorded of a unit."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.cli.vaults import add_trust_option, add_vault_option, trust_for, unit_of, vault_for

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="List what was recorded of a unit, entry by entry, the oldest first: when, what, by whom, what "
        "changed, and how far it is proven. Exit status: 0, or 1 where something that was checked failed, 2 trouble.",
    )
    made.add_argument("unit", metavar="UNIT", help="the unit")
    made.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_vault_option(made)
    add_trust_option(made)
    add_look_options(made)
    return made


def run(options: Namespace) -> int:
    """Show the chain."""
    vault = vault_for(options)
    unit_of(vault, options.unit)
    from caldiff.render.history import history_document, history_text  # noqa: PLC0415 - usage errors do without
    from caldiff.trace.history import history  # noqa: PLC0415 - as above

    found = history(vault, options.unit, trust=trust_for(options))
    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - costs more than the text

        write(printed(history_document(found)))
    else:
        write(history_text(found, look_for(options)))
    return SAME if found.proof.sound else DIFFERENT
