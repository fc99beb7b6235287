"""``caldiff propose LOG... --image REV``: corrections reckoned from logs, on paper."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError, Namespace

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.finding import add_file_options, opened
from caldiff.cli.logs import add_log_options, check_decoded, opened_logs, told_otherwise
from caldiff.cli.terminal import add_look_options, formatter, look_for, progress, write
from caldiff.render.view import View

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Reckon corrections from logs, for tables that the definition says multiply what a ratio is "
        "measured of: per cell the factor measured/target, held back where evidence is thin. A proposal on paper with "
        "the evidence beside every cell; no image is written. Exit status: 0 nothing to propose, 1 something is "
        "proposed, 2 trouble.",
    )
    add_log_options(made)
    group = made.add_argument_group("what is proposed")
    group.add_argument(
        "--table", action="append", default=[], metavar="TABLE", help="only for this table; may be given again"
    )
    group.add_argument(
        "--bound",
        type=_number,
        default=5.0,
        metavar="PERCENT",
        help="the largest correction of a cell in one go (default: 5)",
    )
    group.add_argument(
        "--thin",
        type=_number,
        default=5.0,
        metavar="SECONDS",
        help="evidence at which half of what is measured is taken (default: 5)",
    )
    group.add_argument(
        "--least",
        type=_number,
        default=1.0,
        metavar="SECONDS",
        help="evidence below which a cell is left alone (default: 1)",
    )
    group.add_argument("--all", action="store_true", help="whole tables: nothing is cut")
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=False)
    return made


def _number(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 <= number < 1e6:  # noqa: PLR2004 - NaN is refused as well
        raise ArgumentTypeError(f"'{text}' is no number from 0")
    return number


def run(options: Namespace) -> int:
    """Reckon, and write the answer."""
    (calibration,) = opened([options.image], options)
    check_decoded(calibration)
    from caldiff.evidence.logs import rows_of  # noqa: PLC0415 - brings numpy
    from caldiff.evidence.proposal import propose, quantities_for  # noqa: PLC0415 - as above
    from caldiff.evidence.proposed import Restraint  # noqa: PLC0415 - as above

    tables = options.table or None
    wanted = quantities_for(calibration, tables)
    with progress("opening logs"):
        reads = opened_logs(options, wanted, needed=wanted if tables else ())
    restraint = Restraint(bound=options.bound / 100, thin=options.thin, least=options.least)
    with progress("reading logs"):
        proposal = propose(rows_of(reads), calibration, tables=tables, restraint=restraint)
    against = told_otherwise(options, calibration, reads)
    from caldiff.render.proposal import proposal_document, proposal_text  # noqa: PLC0415 - brings numpy

    if options.json:
        from caldiff.render.document import printed  # noqa: PLC0415 - text does without

        write(printed(proposal_document(proposal, reads, against)))
    else:
        write(proposal_text(proposal, reads, against, look_for(options), View(whole=options.all)))
    return DIFFERENT if any(table.changed.any() for table in proposal.tables) else SAME
