"""``caldiff checksum IMAGE...``: whether checksums hold, correcting them, finding how they are reckoned."""

from __future__ import annotations

import os
import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Callable, Sequence
from time import monotonic

from caldiff.cli import DIFFERENT, SAME, TROUBLE
from caldiff.cli.finding import add_file_options, limits_for, opened
from caldiff.cli.terminal import add_look_options, formatter, look_for, write
from caldiff.cli.trouble import warn
from caldiff.definition.checksums import Opaque
from caldiff.definition.definition import Definition
from caldiff.definition.model import Region
from caldiff.errors import ChecksumError, DefinitionMissingError, FileError, UsageError
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.image.writing import write_image
from caldiff.render.document import printed
from caldiff.render.view import View
from caldiff.table.calibration import Calibration

__all__ = ["parser", "run"]

_EVERY = 0.2
"""seconds between two words about progress"""


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say whether the checksums of an image hold, by the definition that fits. With --correct write a "
        "new file in which they do; with --find look for checksums that no definition knows yet. Exit status: 0 all "
        "valid (or not verifiable here), 1 one is stale, 2 trouble; with --find 0 something sure found, 1 nothing. "
        "Verify on your own bench; caldiff writes no controller.",
    )
    made.add_argument("files", nargs="+", metavar="IMAGE", help="images; for --find several of one family")
    group = made.add_argument_group("what is done")
    group.add_argument("--correct", action="store_true", help="write a new file with every checksum right")
    group.add_argument("-o", "--output", metavar="OUT", help="the file that --correct writes; it must not be there yet")
    group.add_argument("--find", action="store_true", help="search for checksums; candidates as part of a definition")
    group.add_argument("--seconds", type=_seconds, metavar="N", help="the longest that --find searches (default: 300)")
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    group.add_argument("--show-personal", action="store_true", help="do not shorten what identifies somebody")
    add_look_options(made)
    add_file_options(made, several=True)
    return made


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0
    if not 0 < value <= 1e6:  # noqa: PLR2004 - eleven days
        raise ArgumentTypeError(f"'{text}' is not a number of seconds")
    return value


def run(options: Namespace) -> int:
    """One of the three."""
    if options.correct != (options.output is not None):
        raise UsageError("--correct and -o go together", hint="caldiff checksum IMAGE --correct -o OUT")
    if options.correct and (options.find or len(options.files) > 1):
        raise UsageError("--correct takes one image, and nothing else is done with it")
    if options.seconds is not None and not options.find:
        raise UsageError("--seconds is for --find")
    sides = opened(options.files, options)
    if options.find:
        return _find(sides, options)
    return _correct(sides[0], options) if options.correct else _states(sides, options)


# ------------------------------------------------------------------------------------------------------------- states


def _definition(side: Calibration) -> Definition:
    """The definition, which declares checksums."""
    if side.definition is None:
        raise DefinitionMissingError(
            "no definition fits this image, so its checksums are not known",
            file=side.label,
            hint="name a definition, or search for checksums by --find",
        )
    if not side.definition.checksums:
        raise DefinitionMissingError(
            f"the definition {side.definition.name} declares no checksum",
            file=side.label,
            hint="search for checksums by --find, and declare what is found",
        )
    return side.definition


def _states(sides: Sequence[Calibration], options: Namespace) -> int:
    from caldiff.checksum.state import states  # noqa: PLC0415 - brings numpy, which usage errors do without
    from caldiff.render.checksums import Checked, checksum_document, checksum_text  # noqa: PLC0415 - as above

    found = [
        Checked(calibration=side, states=states(side.image, _definition(side).checksums.values())) for side in sides
    ]
    if options.json:
        write(printed(checksum_document(found)))
    else:
        write(checksum_text(found, look_for(options), View(personal=options.show_personal)))
    statuses = {state.status for one in found for state in one.states}
    return TROUBLE if "unreadable" in statuses else DIFFERENT if "stale" in statuses else SAME


# ------------------------------------------------------------------------------------------------------------ correct


def _correct(side: Calibration, options: Namespace) -> int:
    from caldiff.checksum.correct import correct  # noqa: PLC0415 - brings numpy, which usage errors do without
    from caldiff.checksum.state import states  # noqa: PLC0415 - as above
    from caldiff.render.checksums import Checked, checksum_document, checksum_text  # noqa: PLC0415 - as above

    checksums = _definition(side).checksums.values()
    if os.path.lexists(options.output):
        raise FileError("this file is there already", file=options.output, hint="name a new file: none is overwritten")
    right = correct(side.image, checksums)
    write_image(right, options.output)
    _read_back(right, options)
    before, after = states(side.image, checksums), states(right, checksums)
    fixed = tuple(one.name for one, two in zip(before, after, strict=True) if one.stored != two.stored)
    for state in after:
        if isinstance(state.checksum.method, Opaque):
            warn(f"{state.name} cannot be verified or made here: {state.checksum.method.what}")
    found = Checked(calibration=side, states=after, corrected=options.output, fixed=fixed)
    if options.json:
        write(printed(checksum_document([found])))
    else:
        write(checksum_text([found], look_for(options), View(personal=options.show_personal)))
    return SAME


def _read_back(right: Image, options: Namespace) -> None:
    """Hold what was written against what was meant."""
    start = right.start if right.source is not None and right.source.format == "binary" else None
    again = read_image(options.output, start=start, format=options.format, limits=limits_for(options))
    if again != right:
        raise ChecksumError("what was written does not read back as it should: do not use it", file=options.output)


# --------------------------------------------------------------------------------------------------------------- find


def _find(sides: Sequence[Calibration], options: Namespace) -> int:
    from caldiff.checksum.find import find  # noqa: PLC0415 - brings numpy, which usage errors do without
    from caldiff.render.checksums import search_document, search_text  # noqa: PLC0415 - as above

    definition = next((side.definition for side in sides if side.definition), None)
    declared = definition.regions if definition else ()
    regions = [r for r in declared if r.role != "volatile"] or [
        Region(name="", start=s.start, size=len(s.data), role="calibration") for s in sides[0].image
    ]
    with_progress = _Progress(options.seconds or 300)
    try:
        found = find([side.image for side in sides], regions, go_on=with_progress)
    finally:
        with_progress.clear()
    if options.json:
        write(printed(search_document(found, sides)))
    else:
        write(search_text(found, declared))
    return SAME if any(c.sure for c in found.candidates) else DIFFERENT


class _Progress:
    """Says on a terminal how far the search is, and ends it when its time is over."""

    def __init__(self, seconds: float) -> None:
        self._end = monotonic() + seconds
        self._next = monotonic() + 2 * _EVERY
        self._said = ""
        self._write: Callable[[str], object] | None = (
            sys.stderr.write if sys.stderr is not None and sys.stderr.isatty() else None
        )

    def __call__(self, done: int, total: int) -> bool:
        now = monotonic()
        if self._write and now >= self._next:
            self.clear()
            self._said = f"caldiff: searching, {100 * done // max(total, 1)} % ..."
            self._write(self._said)
            sys.stderr.flush()
            self._next = now + _EVERY
        return now < self._end

    def clear(self) -> None:
        """Take the words away."""
        if self._write and self._said:
            self._write(f"\r{' ' * len(self._said)}\r")
            sys.stderr.flush()
