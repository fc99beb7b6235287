"""What a vault keeps of images and definitions, opened as it was when it was recorded."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, TypeVar, cast, get_args

from caldiff.definition.catalogue import Catalogue, definition_from_files
from caldiff.definition.definition import Definition
from caldiff.errors import LedgerError, VaultError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.image.reading import read_image
from caldiff.ledger.entry import DefinitionFact, Entry, ImageFacts, Subject
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits, require

if TYPE_CHECKING:
    from caldiff.canonical import Digest
    from caldiff.diff.model import Comparison
    from caldiff.ledger.chain import Recorded
    from caldiff.vault.vault import Vault

__all__ = ["Kept", "calibration_of", "definition_of", "keep_definition"]

K = TypeVar("K")
V = TypeVar("V")

_IMAGES = 4
"""images that stay open: a revision, its parent and its baseline are asked for again and again"""
_COMPARISONS = 4
"""that stay at hand: of the newest entry, against its parent and its baseline"""


def keep_definition(vault: Vault, catalogue: Catalogue, definition: Definition) -> DefinitionFact:
    """Keep the files that a definition came from, so that it can be read again years later.

    Raises:
        DefinitionMissingError: it came from no file that the catalogue knows, so there is nothing to keep.
        FileError: a file cannot be read, or changed since the definition was read.
        VaultError: the files cannot be kept.
    """
    files = tuple(Subject(name=name, file=vault.keep(data)) for name, data in catalogue.files_of(definition))
    return DefinitionFact(name=definition.name, digest=definition.digest, files=files)


def definition_of(vault: Vault, fact: DefinitionFact) -> Definition:
    """The definition that an image was read by, from the files that were kept of it.

    Raises:
        VaultError: a file is not there or damaged, or they are another definition than the one recorded.
        DefinitionError: they are no definition.
    """
    files = {subject.name: vault.fetch(subject.file) for subject in fact.files}
    definition = definition_from_files(files)
    if definition.digest != fact.digest:
        raise VaultError(
            f"what was kept of definition {fact.name} is another definition than the one recorded",
            expected=str(fact.digest),
            got=str(definition.digest),
        )
    return definition


def calibration_of(vault: Vault, recorded: Recorded, *, limits: Limits | None = None) -> Calibration:
    """The image of an entry with the definition that it was recorded with.

    Raises:
        LedgerError: the entry has no image, or none that can be read as it says.
        VaultError: its file or its definition is not there, or damaged.
        ImageError: the file is no image. DefinitionError: what was kept of the definition is none.
        DoesNotFitError: the definition refuses the image.
    """
    return Kept(vault, limits=limits).calibration(recorded.entry)


class Kept:
    """Images and definitions of a vault. What was opened last stays open, so that a chain is read without pains.

    Args:
        vault: that keeps them.
        limits: on images, as far as their files are not larger themselves.
        definitions: some that are open already, and need not be read from what was kept of them.
    """

    def __init__(self, vault: Vault, *, limits: Limits | None = None, definitions: Iterable[Definition] = ()) -> None:
        self.vault = vault
        self._limits = limits or Limits()
        self._given = {definition.digest: definition for definition in definitions}
        self._definitions: dict[DefinitionFact, Definition] = {}
        self._images: dict[tuple[Digest, str, int], Image] = {}
        self._compared: dict[tuple[Digest, Digest], Comparison] = {}

    def calibration(self, entry: Entry, *, preferred: Definition | None = None) -> Calibration:
        """The image of an entry, read by the ``preferred`` definition if that fits, else by the recorded one.

        Raises like :func:`calibration_of`.
        """
        facts, image = self.facts(entry), self.image(entry)
        label = entry.draft.subjects[0].name
        if preferred is not None and fits(preferred, image):
            return Calibration(label=label, image=image, definition=preferred)
        if facts.definition is None:
            return Calibration(label=label, image=image, definition=None)
        definition = self.definition(facts.definition)
        return Calibration(label=label, image=require(definition, image), definition=definition)

    def compared(self, before: Entry, after: Entry) -> Comparison:
        """The images of two entries compared as recording does it: the first is read as the second where that fits.

        Raises like :func:`calibration_of`.
        """
        from caldiff.diff.compare import compare  # noqa: PLC0415 - brings numpy

        key = (before.hash, after.hash)
        found = self._compared.pop(key, None)
        if found is None:
            now = self.calibration(after)
            found = compare(self.calibration(before, preferred=now.definition), now)
        _remember(self._compared, key, found, _COMPARISONS)
        return found

    def definition(self, fact: DefinitionFact) -> Definition:
        """As :func:`definition_of`; raises like it."""
        known = self._given.get(fact.digest) or self._definitions.get(fact)
        if known is None:
            known = self._definitions[fact] = definition_of(self.vault, fact)
        return known

    def image(self, entry: Entry) -> Image:
        """The image of an entry, where it stood when it was recorded."""
        facts = self.facts(entry)
        subject = entry.draft.subjects[0]
        key = (subject.file, facts.format, facts.start)
        image = self._images.pop(key, None)
        if image is None:
            image = self._read(self.vault.fetch(subject.file), subject.name, facts)
        _remember(self._images, key, image, _IMAGES)
        return image

    def facts(self, entry: Entry) -> ImageFacts:
        """What an entry says of its image.

        Raises:
            LedgerError: it has none.
        """
        if entry.image is None or not entry.draft.subjects:
            raise LedgerError(f"entry {entry.sequence} of unit {entry.unit} has no image", got=entry.kind)
        return entry.image

    def _read(self, data: bytes, name: str, facts: ImageFacts) -> Image:
        if facts.format not in get_args(Format):
            raise LedgerError(
                "the entry names a format that there is none of",
                expected=", ".join(get_args(Format)),
                got=f"{facts.format!r:.40}",
            )
        limits = Limits(size=max(self._limits.size, len(data)), span=max(self._limits.span, len(data)))
        start = facts.start if facts.format == "binary" else None
        return read_image(data, name=name, start=start, format=cast("Format", facts.format), limits=limits)


def _remember(known: dict[K, V], key: K, value: V, most: int) -> None:
    """Put a value last, and forget the one that was not asked for the longest."""
    known[key] = value
    if len(known) > most:
        del known[next(iter(known))]
