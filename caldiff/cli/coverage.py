"""``caldiff coverage LOG... --image REV``: where the engine went, in the changed cells first."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from caldiff.cli import DIFFERENT, SAME
from caldiff.cli.finding import add_file_options, opened
from caldiff.cli.logs import add_log_options, check_decoded, opened_logs, told_otherwise
from caldiff.cli.terminal import add_look_options, formatter, look_for, progress, write
from caldiff.errors import UsageError
from caldiff.render.view import View

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say where the engine went while logs were taken: seconds in each cell of every table whose axes "
        "have channels, the changed cells first. Exit status: 0 every changed cell was visited (or no --since was "
        "given), 1 some were not, 2 trouble.",
    )
    add_log_options(made)
    made.add_argument("--since", metavar="PARENT", help="the image that changes are told from")
    group = made.add_argument_group("what is shown")
    group.add_argument(
        "--statistic", action="append", default=[], metavar="QUANTITY", help="mean and spread of a quantity per cell"
    )
    group.add_argument(
        "--percentile", action="append", default=[], type=float, metavar="P", help="and such a percentile, 0 to 100"
    )
    group.add_argument("--table", action="append", default=[], metavar="GLOB", help="only tables of such a name, whole")
    group.add_argument("--tag", action="append", default=[], metavar="TAG", help="only tables with this tag, whole")
    group.add_argument("--all", action="store_true", help="whole tables, every table: nothing is cut")
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=True)
    return made


def run(options: Namespace) -> int:
    """Cover, and write the answer."""
    if options.percentile and not options.statistic:
        raise UsageError("it is not said of which quantity the percentile is", hint="name it by --statistic QUANTITY")
    files = [options.image, *([options.since] if options.since else [])]
    sides = opened(files, options)
    calibration, since = sides[0], sides[1] if options.since else None
    check_decoded(calibration)
    from caldiff.evidence.coverage import cover, quantities_of  # noqa: PLC0415 - brings numpy
    from caldiff.evidence.logs import rows_of  # noqa: PLC0415 - as above

    view = View(whole=options.all, globs=tuple(options.table), tags=tuple(options.tag))
    units = quantities_of(calibration)
    wanted = {**dict.fromkeys(options.statistic), **units}
    with progress("opening logs"):
        reads = opened_logs(options, wanted, needed=options.statistic)
    specs = calibration.definition.tables if calibration.definition else {}
    tables = [name for name, spec in specs.items() if view.takes(name, spec)] if view.filtered else None
    with progress("reading logs"):
        coverage = cover(
            rows_of(reads),
            calibration,
            tables=tables,
            statistics=tuple(dict.fromkeys(options.statistic)),
            percentiles=tuple(dict.fromkeys(options.percentile)),
            since=since,
        )
    against = told_otherwise(options, calibration, reads)
    if options.json:
        from caldiff.render.coverage_document import coverage_document  # noqa: PLC0415 - text does without
        from caldiff.render.document import printed  # noqa: PLC0415 - as above

        write(printed(coverage_document(coverage, reads, against)))
    else:
        from caldiff.render.coverage import coverage_text  # noqa: PLC0415 - a document does without

        write(coverage_text(coverage, reads, against, look_for(options), view))
    return SAME if coverage.evident == coverage.changed else DIFFERENT
