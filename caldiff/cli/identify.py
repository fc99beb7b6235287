"""``caldiff identify FILE...``: which definition fits a file, and what the file says it is."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from caldiff.cli import SAME, TROUBLE
from caldiff.cli.finding import add_file_options, catalogue_for, limits_for, named, spread, usable
from caldiff.cli.terminal import add_look_options, formatter, look_for, progress, write
from caldiff.cli.trouble import tell
from caldiff.definition.definition import Definition
from caldiff.errors import CaldiffError
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.render.document import printed
from caldiff.render.identity import Identified, identity_document, identity_text
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.fit import mismatches, place

__all__ = ["parser", "run"]


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog,
        allow_abbrev=False,
        formatter_class=formatter,
        description="Say of every file what it is: format, size, digest, the definition that fits, and the identity "
        "fields. Exit status: 0 exactly one definition fits every file, 2 trouble, a file that none or several fit "
        "included.",
    )
    made.add_argument("files", nargs="+", metavar="FILE", help="images")
    group = made.add_argument_group("what is shown")
    group.add_argument("--show-personal", action="store_true", help="do not shorten what identifies somebody")
    group.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
    add_look_options(made)
    add_file_options(made, several=True)
    return made


def run(options: Namespace) -> int:
    """Identify every file; one that cannot be read does not stop the others."""
    catalogue = catalogue_for(options)
    names = spread("--definition", options.definition, options.files)
    starts = spread("--start", options.start, options.files)
    with progress("reading definitions"):
        among = tuple(usable(catalogue)) if None in names else ()
    found: list[Identified] = []
    trouble = False
    for file, name, start in zip(options.files, names, starts, strict=True):
        try:
            image = read_image(file, start=start, format=options.format, limits=limits_for(options))
            tried = among if name is None else (named(catalogue, name),)
        except CaldiffError as error:
            tell(error)
            trouble = True
            continue
        fitting = [d for d in tried if not mismatches(d, place(image, d))]
        found.append(_identified(file, image, fitting, tried))
    view = View(personal=options.show_personal)
    if options.json:
        write(printed(identity_document(found, view)))
    elif found:
        write(identity_text(found, look_for(options), view))
    return TROUBLE if trouble or any(len(one.fitting) != 1 for one in found) else SAME


def _identified(file: str, image: Image, fitting: list[Definition], tried: tuple[Definition, ...]) -> Identified:
    """What is known of a file, with the nearest definition where none fits."""
    only = fitting[0] if len(fitting) == 1 else None
    placed = image if only is None else place(image, only)
    calibration = Calibration(label=file, image=placed, definition=only)
    nearest = None
    if not fitting and tried:
        misses = [(d, mismatches(d, place(image, d))) for d in tried]
        nearest = max(misses, key=lambda m: len(m[0].fits) - len(m[1]))
        nearest = nearest if len(nearest[1]) < len(nearest[0].fits) else None
    return Identified(
        calibration=calibration,
        fitting=tuple(d.name for d in fitting),
        nearest=nearest[0].name if nearest else None,
        failures=tuple(f.text for f in nearest[1]) if nearest else (),
    )
