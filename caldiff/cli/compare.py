"""``caldiff A B [C...]``: what changed."""

from __future__ import annotations

import os
import stat
from argparse import ArgumentParser, Namespace
from collections.abc import Sequence

import attrs

from caldiff.cli import COMMANDS, DIFFERENT, SAME
from caldiff.cli.finding import add_file_options, limits_for, opened
from caldiff.cli.personal import add_personal_options, key_for
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.errors import FileError, UsageError
from caldiff.render.document import printed, same_document
from caldiff.render.head import same_lines
from caldiff.render.view import SHOWS, View
from caldiff.table.calibration import Calibration

__all__ = ["parser", "run"]

_PIECE = 1 << 20


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say what changed between two images, or along three and more. Exit status: 0 the same, "
        "1 different, 2 trouble. Verify on your own bench; caldiff writes no controller.",
        epilog="A file that is called like a command is given as ./NAME. 'caldiff --help' lists the commands.",
    )
    made.add_argument("files", nargs="+", metavar="FILE", help="images, the older first")
    group = made.add_argument_group("what is shown")
    group.add_argument(
        "--show",
        choices=SHOWS,
        default="change",
        help="what grids hold; change (the default): the value after and below it the change",
    )
    group.add_argument("--table", action="append", default=[], metavar="GLOB", help="only tables of such a name")
    group.add_argument("--tag", action="append", default=[], metavar="TAG", help="only tables with this tag")
    group.add_argument("--stat", action="store_true", help="one line a table")
    group.add_argument("--all", action="store_true", help="whole tables, every unexplained byte: nothing is cut")
    add_personal_options(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=True)
    return made


def view_for(options: Namespace) -> View:
    """What of the answer is to be shown."""
    return View(
        show=options.show,
        stat=options.stat,
        whole=options.all,
        personal=options.show_personal,
        key=key_for(options),
        globs=tuple(options.table),
        tags=tuple(options.tag),
    )


def run(options: Namespace) -> int:
    """Compare, and write the answer."""
    files = options.files
    if len(files) == 1:
        raise UsageError("there is nothing to compare this file with", file=files[0], hint=_single_hint(files[0]))
    _all_there(files)
    if _alike(files, options):
        return _same(files, options)
    sides = opened(files, options)
    if len(sides) > 2:  # noqa: PLR2004 - a pair
        return _series(sides, options)
    from caldiff.diff.compare import compare  # noqa: PLC0415 - brings numpy, which equal files are answered without

    comparison = compare(*sides)
    if options.json:
        from caldiff.render.comparison_document import comparison_document  # noqa: PLC0415 - as above

        write(printed(comparison_document(comparison, view_for(options))))
    else:
        from caldiff.render.comparison import comparison_text  # noqa: PLC0415 - as above

        write(comparison_text(comparison, look_for(options), view_for(options)))
    return SAME if comparison.identical else DIFFERENT


def _series(sides: Sequence[Calibration], options: Namespace) -> int:
    from caldiff.diff.series import compare_series  # noqa: PLC0415 - brings numpy

    series = compare_series(sides)
    if options.json:
        from caldiff.render.comparison_document import series_document  # noqa: PLC0415 - as above

        write(printed(series_document(series, view_for(options))))
    else:
        from caldiff.render.series import series_text  # noqa: PLC0415 - as above

        write(series_text(series, look_for(options), view_for(options)))
    return SAME if all(c.identical for c in series.against_first) else DIFFERENT


# -------------------------------------------------------------------------------------------------------- same files


def _same(files: Sequence[str], options: Namespace) -> int:
    """The answer for files of equal bytes, without numpy: what the one is, they all are."""
    (first,) = opened(files[:1], options)
    sides = [_called(first, file) for file in files]
    if options.json:
        write(printed(same_document(sides, view_for(options))))
    else:
        write(same_lines(sides, look_for(options), view_for(options), bytewise=True))
    return SAME


def _called(calibration: Calibration, name: str) -> Calibration:
    image = calibration.image
    source = image.source and attrs.evolve(image.source, name=name)
    return attrs.evolve(calibration, label=name, image=attrs.evolve(image, source=source))


def _alike(files: Sequence[str], options: Namespace) -> bool:
    """Whether all are regular files of the same bytes, to be read in the same way."""
    if len(set(options.definition)) > 1 or len(set(options.start)) > 1:
        return False
    most = limits_for(options).text
    about = [os.stat(file) for file in files]  # noqa: PTH116 - a Path costs as much as the rest
    if not all(stat.S_ISREG(a.st_mode) and a.st_size == about[0].st_size <= most for a in about):
        return False
    return all(_equal(files[0], file) for file in files[1:])


def _equal(one: str, other: str) -> bool:
    try:
        with open(one, "rb", buffering=0) as a, open(other, "rb", buffering=0) as b:  # noqa: PTH123 - as above
            while piece := a.read(_PIECE):
                if piece != b.read(len(piece)):
                    return False
            return not b.read(1)
    except OSError:
        return False  # reading it as an image says what is wrong


# ------------------------------------------------------------------------------------------------------------- hints


def _all_there(files: Sequence[str]) -> None:
    """Say that a file is not there, and whether a command was meant."""
    for file in files:
        if not os.path.exists(file):  # noqa: PTH110 - as above
            raise FileError("there is no such file", file=file, hint=_meant(file) if file == files[0] else None)


def _meant(word: str) -> str | None:
    from difflib import get_close_matches  # noqa: PLC0415 - only when something is wrong

    if not word.isidentifier():
        return None
    if word in COMMANDS:
        return f"a command stands first: caldiff {word} ..."
    close = get_close_matches(word, COMMANDS, n=1)
    return f"if a command was meant: caldiff {close[0]}" if close else None


def _single_hint(file: str) -> str:
    if not os.path.exists(file) and (meant := _meant(file)):  # noqa: PTH110 - as above
        return meant
    return "name two files; 'caldiff show FILE' tells about one"
