"""What is this file: which entry of which unit, or else what it is nearest to, and how far.

The index says where to look; what is told was read from the vault's own entry, and from the very file that it names.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import cached_property, partial
from hashlib import file_digest
from os import PathLike, fspath
from typing import TYPE_CHECKING, Literal

import attrs

from caldiff.canonical import Digest
from caldiff.errors import CaldiffError, DefinitionError, FileError, ImageError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.model import Format, Image
from caldiff.ledger.entry import Entry
from caldiff.table.fit import fitting, place, require
from caldiff.value import Shown, Value
from caldiff.vault.index import Hit, Index, Progress

if TYPE_CHECKING:  # a file that is known byte for byte is told without them
    from caldiff.definition.catalogue import Catalogue
    from caldiff.definition.definition import Definition
    from caldiff.table.calibration import Calibration
    from caldiff.trace.kept import Kept
    from caldiff.trace.nearest import Near

__all__ = ["How", "Match", "Traced", "Tracer", "trace"]

How = Literal["file", "content", "stable"]
"""``file``: byte for byte. ``content``: the same bytes at the same addresses, in another format or container.
``stable``: likewise, the definition's volatile regions aside."""

_MOST = 50
"""matches of a kind that are told of one file: a definition's file may belong to every entry"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Match(Value):
    """An entry that a file belongs to.

    Attributes:
        entry: as it was read from the vault just now. Whether its chain holds is for a verification to say.
        how: what of the file is the same.
        role: what the file is to the entry: a ``subject``, a file of the ``definition`` that its image was read by, or
            something that it was ``made from``.
        name: under which the entry has it.
        numbers: of the entries that this one names, by their hashes.
        latest: number of the unit's newest revision, None where there is none.
    """

    entry: Entry
    how: How
    role: str
    name: str
    numbers: Mapping[Digest, int] = attrs.field(hash=False)
    latest: int | None

    @property
    def unit(self) -> str:
        """The unit of the entry."""
        return self.entry.unit

    @property
    def sequence(self) -> int:
        """The number of the entry."""
        return self.entry.sequence

    @property
    def hash(self) -> Digest:
        """The entry's hash."""
        return self.entry.hash


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Traced(Shown):
    """What a file is.

    Attributes:
        label: the file, as it was named. file: digest of its bytes.
        matches: entries that it belongs to: byte for byte first, then by content, then volatile regions aside.
        more: how many further entries the index knows that are not among them.
        calibration: of a stranger that is an image, with the definition that fits it. reason: of one that is none, why
            not.
        nearest: of a stranger, the kept images that it is nearest to; none where nothing is like it.
        notes: what people should know about how this was found, in words.
    """

    label: str
    file: Digest
    matches: tuple[Match, ...] = ()
    more: int = 0
    calibration: Calibration | None = None
    reason: str = ""
    nearest: tuple[Near, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """The file belongs to an entry."""
        return bool(self.matches)

    def __repr__(self) -> str:
        if self.matches:
            first = self.matches[0]
            return f"<Traced {self.label!r}: entry {first.sequence} of {first.unit}, by its {first.how}>"
        return f"<Traced {self.label!r}: a stranger, {len(self.nearest)} near>"


def trace(  # noqa: PLR0913 - one keyword a choice of the caller
    source: str | PathLike[str] | Calibration,
    *,
    index: Index,
    catalogue: Catalogue,
    nearest: int = 3,
    start: int | None = None,
    format: Format | None = None,  # noqa: A002 - what everybody calls it
    limits: Limits | None = None,
) -> Traced:
    """Say what a file is by a vault: see :class:`Tracer`, which does it for many."""
    tracer = Tracer(index=index, catalogue=catalogue, nearest=nearest, format=format, limits=limits or Limits())
    return tracer.trace(source, start=start)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Tracer:
    """Says of files what they are, by a vault.

    Attributes:
        index: of the vault, up to date.
        catalogue: definitions for strangers.
        nearest: how many kept images a stranger is compared with; 0: none.
        format, limits: how files are read, as for :func:`caldiff.image.reading.read_image`.
    """

    index: Index
    catalogue: Catalogue
    nearest: int = 3
    format: Format | None = None
    limits: Limits = attrs.field(factory=Limits)

    def trace(
        self,
        source: str | PathLike[str] | Calibration,
        *,
        start: int | None = None,
        definition: Definition | None = None,
        progress: Progress | None = None,
    ) -> Traced:
        """Say what a file, or an image that is open already, is.

        Args:
            source: it.
            start: address of the first byte of a raw binary; None: wherever kept images start.
            definition: what a stranger is read by; None: the one of the catalogue that fits it.
            progress: told how many images of the vault were looked at, where that is done for the first time.

        Raises:
            FileError: the file cannot be read.
            DoesNotFitError: the definition does not fit it.
            VaultError: the vault cannot be read.
        """
        if not isinstance(source, str | PathLike):
            image = source.image
            file = image.source.file if image.source else image.content
            found = Traced(label=source.label, file=file)
            return self._traced(found, lambda: image, source.definition, progress, placed=True)
        label = fspath(source)
        file, data = _digested(label, self.limits)

        def read() -> Image:
            from caldiff.image.reading import read_image  # noqa: PLC0415 - a file that is known is not read

            image = read_image(data or label, name=label, start=start, format=self.format, limits=self.limits)
            return image if definition is None else require(definition, image)

        placed = start is not None or definition is not None
        return self._traced(Traced(label=label, file=file), read, definition, progress, placed=placed)

    def _traced(
        self,
        found: Traced,
        read: Callable[[], Image],
        definition: Definition | None,
        progress: Progress | None,
        *,
        placed: bool,
    ) -> Traced:
        """What the digest of the file says; else what its content does; else what is like it."""
        matches, more = self._by_file(found.file)
        if matches:
            return attrs.evolve(found, matches=matches, more=more)
        found = attrs.evolve(found, notes=tuple(self._doubts(found.file)))
        try:
            image = read()
        except ImageError as error:
            return attrs.evolve(found, reason=error.reason)
        if image.source is not None and image.source.file != found.file:
            raise FileError("the file was changed while it was read", file=found.label, hint="trace it again")
        places = [image] if placed else self._places(image)
        matches, more = self._by_content(places)
        if matches:
            return attrs.evolve(found, matches=matches, more=more)
        if definition is None and (definition := self._fitting(image)) is not None:
            places = [place(image, definition)]
        return self._stranger(found, places, definition, progress)

    def _doubts(self, file: Digest) -> Iterator[str]:
        """Why a file might belong to an entry all the same."""
        for unit, lost in self.index.troubled():
            what = "an entry" if lost == 1 else f"{lost} entries"
            yield f"{what} of {unit} cannot be read, and what only they name is not found; 'caldiff verify' says more"
        if self.index.vault.holds(file):
            yield "the vault keeps this very file, but no entry that can be read names it; 'caldiff verify' says more"

    # -------------------------------------------------------------------------------------------------------- matches

    def _by_file(self, file: Digest) -> tuple[tuple[Match, ...], int]:
        """Entries that name the very file, then others with an image of the same content."""
        found, more = self._asked("file", lambda: self.index.by_file(file), lambda entry: file in _files(entry))
        images = [m.entry.image for m in found if m.entry.file == file and m.entry.image is not None]
        contents = dict.fromkeys(image.content for image in images)
        stables = dict.fromkeys(image.stable for image in images if image.stable is not None)
        further, beyond = self._alike(contents, stables)
        known = {match.hash for match in found}
        return (*found, *(match for match in further if match.hash not in known)), more + beyond

    def _by_content(self, places: Sequence[Image]) -> tuple[tuple[Match, ...], int]:
        contents = dict.fromkeys(image.content for image in places)
        stables = dict.fromkeys(self._stables(places))
        return self._alike(contents, stables)

    def _alike(self, contents: Iterable[Digest], stables: Iterable[Digest]) -> tuple[tuple[Match, ...], int]:
        """Entries with an image of one of the content digests, then others with one of the stable ones."""
        found: dict[Digest, Match] = {}
        more = 0
        for digest in contents:
            same, beyond = self._asked("content", partial(self.index.by_content, digest), _has("content", digest))
            found.update((match.hash, match) for match in same)
            more += beyond
        for digest in stables:
            same, beyond = self._asked("stable", partial(self.index.by_stable, digest), _has("stable", digest))
            found = {match.hash: match for match in same} | found
            more += beyond
        return tuple(sorted(found.values(), key=lambda m: (m.how, m.unit, m.sequence))), more

    def _asked(
        self, how: How, ask: Callable[[], Sequence[Hit]], holds: Callable[[Entry], bool]
    ) -> tuple[tuple[Match, ...], int]:
        """The hits that the vault's own entries confirm. Where one is not, its unit is read anew and asked again."""
        found, beyond, stale = self._confirmed(ask(), holds)
        if stale:
            for unit in stale:
                self.index.forget(unit)
            self.index.update()
            found, beyond, _ = self._confirmed(ask(), holds)
        return tuple(self._match(hit, entry, how) for hit, entry in found), beyond

    def _confirmed(
        self, hits: Sequence[Hit], holds: Callable[[Entry], bool]
    ) -> tuple[list[tuple[Hit, Entry]], int, set[str]]:
        """Hits with the entries that confirm them; how many are left out; units with one that is not confirmed."""
        good: dict[Digest, tuple[Hit, Entry]] = {}  # an entry may have a file under two names
        stale: set[str] = set()
        for hit in hits[:_MOST]:
            entry = self.index.confirmed(hit)
            if entry is not None and holds(entry):
                good.setdefault(entry.hash, (hit, entry))
            else:
                stale.add(hit.unit)
        return list(good.values()), max(len(hits) - _MOST, 0), stale

    def _match(self, hit: Hit, entry: Entry, how: How) -> Match:
        refs = [ref for name in ("of", "parent", "baseline") if (ref := getattr(entry.body, name, None)) is not None]
        named = [one for ref in refs if (one := self.index.by_hash(entry.unit, ref)) and self.index.confirmed(one)]
        return Match(
            entry=entry,
            how=how,
            role=hit.role,
            name=hit.name or entry.draft.subjects[0].name,
            numbers={one.hash: one.sequence for one in named},
            latest=self.index.newest(entry.unit, "revision"),
        )

    # ---------------------------------------------------------------------------------------------- where an image lies

    def _places(self, image: Image) -> list[Image]:
        """The image; a raw binary, which does not say where it lies, at every address where a kept image starts."""
        if image.source is None or image.source.format != "binary":
            return [image]
        found = []
        for start in self.index.starts():
            with suppress(UsageError):  # it would reach beyond the highest address
                found.append(image.moved(start=start))
        return found or [image]

    def _stables(self, places: Sequence[Image]) -> Iterator[Digest]:
        """The stable digests that the image has by the definitions of kept images."""
        from caldiff.trace.facts import stable_digest  # noqa: PLC0415 - a file that is known is not read

        tried = set()
        for start, digest, known in self.index.volatile():
            regions = self._learned(digest) if known is None else known
            for image in places:
                lies_there = image.start == start or len(places) == 1
                if lies_there and (image.start, regions) not in tried:
                    tried.add((image.start, regions))
                    yield stable_digest(image, _volatile(regions))

    def _learned(self, definition: Digest) -> str:
        """The volatile regions of a recorded definition, kept in the index so that it is opened only once."""
        for hit in self.index.by_definition(definition):
            entry = self.index.confirmed(hit)
            fact = None if entry is None or entry.image is None else entry.image.definition
            if fact is not None and fact.digest == definition:
                with suppress(CaldiffError):  # what was kept of it is damaged
                    found = self._kept.definition(fact).regions
                    regions = json.dumps([(r.start, r.stop) for r in found if r.role == "volatile"])
                    self.index.keep_volatile(definition, regions)
                    return regions
                break
        return "[]"

    # ------------------------------------------------------------------------------------------------------- strangers

    @cached_property
    def _known(self) -> tuple[Definition, ...]:
        """The definitions of the catalogue that can be used."""
        return tuple(d for _, d in self.catalogue.definitions() if not isinstance(d, DefinitionError))

    @cached_property
    def _kept(self) -> Kept:
        """What the vault keeps. A definition that the catalogue has too need not be compiled again."""
        from caldiff.trace.kept import Kept  # noqa: PLC0415 - a file that is known needs none

        return Kept(self.index.vault, limits=self.limits, definitions=self._known)

    def _fitting(self, image: Image) -> Definition | None:
        """The only definition of the catalogue that fits."""
        found = fitting(self._known, image)
        return found[0] if len(found) == 1 else None

    def _stranger(
        self, found: Traced, places: Sequence[Image], definition: Definition | None, progress: Progress | None
    ) -> Traced:
        """The kept images that a stranger is nearest to."""
        from caldiff.table.calibration import Calibration  # noqa: PLC0415 - a file that is known needs none

        own = Calibration(label=found.label, image=places[0], definition=definition)
        if not self.nearest:
            return attrs.evolve(found, calibration=own)
        from caldiff.trace.nearest import nearest_to  # noqa: PLC0415 - brings numpy
        from caldiff.vault.alike import Alike  # noqa: PLC0415 - as above

        lost = Alike(self.index).fill(limits=self.limits, progress=progress)
        near = nearest_to(
            places,
            label=found.label,
            definition=definition,
            index=self.index,
            kept=self._kept,
            count=self.nearest,
        )
        what = "an image" if lost == 1 else f"{lost} images"
        said = f"{what} of the vault cannot be restored, and one may be nearer; 'caldiff verify' says more"
        return attrs.evolve(
            found,
            calibration=near[0].comparison.after if near else own,
            nearest=near,
            notes=(*found.notes, said) if lost else found.notes,
        )


def _digested(path: str, limits: Limits) -> tuple[Digest, bytes | None]:
    """The digest of a file, however large it is; the bytes as well where they cannot be read twice."""
    try:
        with open(path, "rb", buffering=0) as stream:  # noqa: PTH123 - a Path costs more than it gives
            if stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                return Digest(hex=file_digest(stream, "sha256").hexdigest()), None
            from caldiff.image.stream import gather  # noqa: PLC0415 - rarely needed

            data = gather(stream, name=path, limits=limits)
            return Digest.of(data), data
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"the file cannot be read: {reason[:1].lower()}{reason[1:]}", file=path) from error


def _files(entry: Entry) -> set[Digest]:
    """Every file that an entry names."""
    definition = entry.image.definition if entry.image is not None else None
    subjects = (*entry.draft.subjects, *(definition.files if definition else ()), *getattr(entry.body, "made_from", ()))
    return {subject.file for subject in subjects}


def _has(attribute: str, digest: Digest) -> Callable[[Entry], bool]:
    """Whether an entry's image has the digest."""
    return lambda entry: entry.image is not None and getattr(entry.image, attribute) == digest


def _volatile(regions: str) -> Definition:
    """What a stable digest takes of a definition."""
    from caldiff.definition.definition import Definition  # noqa: PLC0415 - as above
    from caldiff.definition.model import Frame, Region  # noqa: PLC0415 - as above

    named = [
        Region(name=f"volatile_{n}", start=start, size=stop - start, role="volatile")
        for n, (start, stop) in enumerate(json.loads(regions))
    ]
    return Definition.of(name="volatile", frame=Frame(start=0, size=1, byte_order="big"), regions=named)
