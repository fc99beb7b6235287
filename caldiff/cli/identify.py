"""``caldiff identify FILE...``: which definition fits a file, and what the file says it is."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from collections.abc import Iterator, Sequence

import attrs

from caldiff.cli import SAME, TROUBLE
from caldiff.cli.finding import add_file_options, catalogue_for, limits_for, named, spread, usable
from caldiff.cli.folders import below
from caldiff.cli.personal import add_personal_options, key_for
from caldiff.cli.terminal import add_look_options, counted, formatter, look_for, progress, write
from caldiff.cli.trouble import tell
from caldiff.definition.definition import Definition
from caldiff.errors import CaldiffError, FileError, ImageError
from caldiff.image.reading import read_image
from caldiff.render.document import printed
from caldiff.render.identity import Identified, Other, identity_document, identity_text
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.fit import FitFailure, mismatches, place

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say of every file what it is: format, size, digests, the definition that fits, the identity "
        "fields and the state of the checksums; and which files hold the same. Exit status: 0 exactly one definition "
        "fits every file that is named, 2 trouble, a named file that none or several fit included.",
    )
    made.add_argument("files", nargs="+", metavar="FILE", help="images, or folders of them")
    group = made.add_argument_group("what is shown")
    add_personal_options(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=True)
    return made


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Task:
    """A file to be read: how, and whether it was named itself rather than a folder that it lies in."""

    path: str
    named: bool
    tried: Sequence[Definition]
    start: int | None
    obstacle: str = ""
    """why it is not read after all"""


@attrs.define(eq=False, repr=False)
class _Findings:
    """What comes of the files."""

    known: list[Identified] = attrs.Factory(list)
    others: list[Other] = attrs.Factory(list)
    errors: list[CaldiffError] = attrs.Factory(list)
    unsettled: bool = False
    """a named file has no definition, or several"""


def run(options: Namespace) -> int:
    """Identify every file; one that cannot be read does not stop the others."""
    view = View(personal=options.show_personal, key=key_for(options))
    found = _Findings()
    tasks = list(_tasks(options, found))
    for task in counted(tasks, "reading files"):
        _identify(task, options, found)
    for error in found.errors:
        tell(error)
    if options.json:
        write(printed(identity_document(found.known, found.others, view)))
    elif found.known or found.others:
        write(identity_text(found.known, found.others, look_for(options), view))
    return TROUBLE if found.errors or found.unsettled else SAME


def _tasks(options: Namespace, found: _Findings) -> Iterator[_Task]:
    """Every file that was named, and every file below a folder that was."""
    catalogue = catalogue_for(options)
    names = spread("--definition", options.definition, options.files)
    starts = spread("--start", options.start, options.files)
    with progress("reading definitions"):
        among = tuple(usable(catalogue)) if None in names else ()
    for file, name, start in zip(options.files, names, starts, strict=True):
        try:
            tried = among if name is None else (named(catalogue, name),)
        except CaldiffError as error:
            found.errors.append(error)
            continue
        if not os.path.isdir(file):  # noqa: PTH112 - a Path costs as much as the rest
            yield _Task(path=file, named=True, tried=tried, start=start)
            continue
        nothing = True
        for one in below(file):
            nothing = False
            if one.error is not None:
                found.errors.append(one.error)
            else:
                yield _Task(path=one.path, named=False, tried=tried, start=start, obstacle=one.reason)
        if nothing:
            found.errors.append(FileError("there are no files in this folder", file=file))


def _identify(task: _Task, options: Namespace, found: _Findings) -> None:
    """Read one file, note what it is, and let its bytes go."""
    if task.obstacle:
        found.others.append(Other(label=task.path, reason=task.obstacle))
        return
    try:
        image = read_image(task.path, start=task.start, format=options.format, limits=limits_for(options))
    except ImageError as error:
        if task.named:
            found.errors.append(error)
        else:
            found.others.append(Other(label=task.path, reason=error.reason))
        return
    except CaldiffError as error:
        found.errors.append(error)
        return
    failures = [(d, mismatches(d, place(image, d))) for d in task.tried]
    fitting = [d for d, missed in failures if not missed]
    only = fitting[0] if len(fitting) == 1 else None
    calibration = Calibration(label=task.path, image=place(image, only) if only else image, definition=only)
    near, missed = _nearest(failures) if not fitting else (None, ())
    found.unsettled |= task.named and only is None
    found.known.append(Identified.of(calibration, [d.name for d in fitting], near, missed))


def _nearest(failures: Sequence[tuple[Definition, tuple[FitFailure, ...]]]) -> tuple[str | None, Sequence[str]]:
    """The definition that most conditions hold for, and what the others say; None where none holds for any."""
    some = [(d, missed) for d, missed in failures if len(missed) < len(d.fits)]
    if not some:
        return None, ()
    nearest, missed = max(some, key=lambda one: len(one[0].fits) - len(one[1]))
    return nearest.name, [failure.text for failure in missed]
