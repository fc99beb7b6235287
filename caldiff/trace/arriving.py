"""A file that arrives to be recorded: its bytes as they came, and what they are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from os import PathLike, fspath
from pathlib import Path

import attrs

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.definition.definition import Definition
from caldiff.errors import CaldiffError, LedgerError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.image.reading import file_bytes, read_image
from caldiff.ledger.entry import Entry, Subject
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits, place
from caldiff.table.opening import open_calibration
from caldiff.trace.kept import Kept
from caldiff.value import Value

__all__ = ["Arrived", "Opening", "arrive", "plain_files"]

_ENOUGH = Limits(size=1 << 28, span=1 << 28)
"""of a file that is no image: a log of days"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Arrived(Value):
    """A file as it came: its name without folders, all its bytes, and what was read from them."""

    subject: Subject
    data: bytes = attrs.field(repr=False)
    calibration: Calibration

    @property
    def image(self) -> Image:
        """The image in it."""
        return self.calibration.image


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Opening(Value):
    """How files are opened: as :func:`caldiff.table.opening.open_calibration` has it."""

    catalogue: Catalogue
    definition: Definition | str | PathLike[str] | None
    start: int | None
    format: Format | None
    limits: Limits


def arrive(path: str | PathLike[str], opening: Opening, *, kept: Kept, relatives: Sequence[Entry] = ()) -> Arrived:
    """Read a file that holds an image.

    Args:
        path: the file.
        opening: how.
        kept: the vault's images.
        relatives: entries of the unit with images that this one should be like. Where no definition at hand fits, one
            that was kept with them is taken, if it does; and where none does, a raw binary begins where they do.

    Raises:
        FileError, ImageError, DefinitionError, DoesNotFitError, DefinitionMissingError: as ``open_calibration``.
        LedgerError: its name cannot be recorded.
    """
    data = file_bytes(path, limits=opening.limits)
    subject = _subject(path, data)
    image = read_image(data, name=fspath(path), start=opening.start, format=opening.format, limits=opening.limits)
    opened = open_calibration(image, definition=opening.definition, catalogue=opening.catalogue)
    if opened.definition is None:
        opened = _like(opened, kept, relatives, placed=opening.start is not None)
    calibration = Calibration(label=subject.name, image=opened.image, definition=opened.definition)
    return Arrived(subject=subject, data=data, calibration=calibration)


def _like(stranger: Calibration, kept: Kept, relatives: Sequence[Entry], *, placed: bool) -> Calibration:
    """The image read by a definition that was kept with its relatives, or at least where they stand."""
    image = stranger.image
    facts = [relative.image for relative in relatives if relative.image is not None]
    for fact in (fact.definition for fact in facts if fact.definition is not None):
        try:
            definition = kept.definition(fact)
        except CaldiffError:  # damaged: to be told by a verification, and no reason to record less
            continue
        moved = place(image, definition)
        if fits(definition, moved):
            return Calibration(label=stranger.label, image=moved, definition=definition)
    binary = image.source is not None and image.source.format == "binary"
    if binary and not placed and facts and facts[0].start:
        return Calibration(label=stranger.label, image=image.moved(start=facts[0].start), definition=None)
    return stranger


def plain_files(paths: Iterable[str | PathLike[str]]) -> tuple[tuple[Subject, bytes], ...]:
    """Files of any kind, as they came.

    Raises:
        FileError: one cannot be read. LimitError: one is too large.
        UsageError: one is empty, or two have one name. LedgerError: a name cannot be recorded.
    """
    found: dict[str, tuple[Subject, bytes]] = {}
    for path in paths:
        data = file_bytes(path, limits=_ENOUGH)
        subject = _subject(path, data)
        if not data:
            raise UsageError("the file is empty, so it says nothing", file=path)
        if subject.name in found:
            raise UsageError(
                f"two files are called {subject.name}",
                file=path,
                hint="give one of them another name: an entry names files without their folders",
            )
        found[subject.name] = subject, data
    return tuple(found.values())


def _subject(path: str | PathLike[str], data: bytes) -> Subject:
    try:
        return Subject(name=Path(path).name, file=Digest.of(data))
    except LedgerError as error:
        error.file = error.file or fspath(path)
        raise
