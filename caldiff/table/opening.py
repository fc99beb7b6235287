"""Open a file as a calibration: read it, find the definition that fits, put a raw binary where that says."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike, fspath

from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.definition.definition import Definition
from caldiff.errors import DefinitionError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.image.reading import read_image
from caldiff.table.calibration import Calibration
from caldiff.table.fit import choose, fitting, place, require

__all__ = ["calibration", "open_calibration"]


def open_calibration(  # noqa: PLR0913 - one keyword a choice of the caller
    source: str | PathLike[str] | Image,
    *,
    definition: Definition | str | PathLike[str] | None = None,
    catalogue: Catalogue | None = None,
    start: int | None = None,
    format: Format | None = None,  # noqa: A002 - what everybody calls it
    limits: Limits | None = None,
) -> Calibration:
    """Read an image and find what reads it.

    Args:
        source: a file, or an image that is open already.
        definition: the one to use, or its file; it must fit.
        catalogue: where to look for one that fits when none is given; the shipped definitions by default.
        start: address of the first byte of a raw binary; None: where the definition says.
        format: what the file is, where its content does not say.
        limits: on size and span.

    Raises:
        FileError, ImageError: the file cannot be read, or is no image.
        DefinitionError: the definition asked for cannot be used.
        DoesNotFitError: the definition asked for refuses the image.
        DefinitionMissingError: several definitions fit. None at all is no error: ``definition`` is then None.
    """
    if isinstance(source, Image):
        image, label = source, source.source.name if source.source else "image"
    else:
        image, label = read_image(source, start=start, format=format, limits=limits or Limits()), fspath(source)
    catalogue = catalogue or Catalogue(folders=(shipped_folder(),))
    if definition is None:
        found = (d for _, d in catalogue.definitions() if not isinstance(d, DefinitionError))
        return calibration(image, label=label, among=tuple(found))
    asked = definition if isinstance(definition, Definition) else catalogue.load(definition)
    return calibration(image, label=label, among=asked)


def calibration(image: Image, *, label: str, among: Definition | Sequence[Definition]) -> Calibration:
    """The image with the definition that was asked for, or with the one of several that fits; with none if none does.

    Raises:
        DoesNotFitError: the definition asked for refuses the image.
        DefinitionMissingError: several of those to choose from fit.
    """
    if isinstance(among, Definition):
        return Calibration(label=label, image=require(among, image), definition=among)
    found = fitting(among, image)
    if not found:
        return Calibration(label=label, image=image, definition=None)
    only = found[0] if len(found) == 1 else choose(found, image)
    return Calibration(label=label, image=place(image, only), definition=only)
