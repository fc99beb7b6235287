"""What a stranger is nearest to among the images of a vault, and how far it is from each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress

import attrs

from caldiff.definition.definition import Definition
from caldiff.diff.compare import compare
from caldiff.diff.extents import windows
from caldiff.diff.model import Comparison
from caldiff.errors import CaldiffError
from caldiff.image.model import Image
from caldiff.ledger.entry import Entry
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits
from caldiff.trace.kept import Kept
from caldiff.value import Shown
from caldiff.vault.alike import Alike, Likeness
from caldiff.vault.index import Index

__all__ = ["Near", "nearest_to"]

_LOOKED_AT = 6
"""images that are restored and compared byte by byte, of those that are nearest by their blocks"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Near(Shown):
    """A kept image that a stranger is near to.

    Attributes:
        entry: the first that has the image; others: how many more have one of the same content.
        comparison: from the kept image to the stranger.
    """

    entry: Entry
    others: int
    comparison: Comparison

    @property
    def unit(self) -> str:
        """The unit of the entry."""
        return self.entry.unit

    @property
    def sequence(self) -> int:
        """The number of the entry."""
        return self.entry.sequence


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Candidate:
    """A kept image, the stranger where it is to be compared with it, and by how many bytes the two differ."""

    entry: Entry
    others: int
    image: Image
    bytes: int


def nearest_to(  # noqa: PLR0913 - one keyword a part
    places: Sequence[Image], *, label: str, definition: Definition | None, index: Index, kept: Kept, count: int
) -> tuple[Near, ...]:
    """The kept images that differ from the stranger in the fewest bytes, and the comparisons with it.

    Args:
        places: the stranger, wherever it may lie.
        label: what people call it.
        definition: the one that fits it; None: that of the kept image is tried.
        index: with sketches of all images.
        kept: the vault's images and definitions.
        count: at most so many.
    """
    alike = Alike(index)
    likely = [(one, image) for image in places for one in alike.nearest(image, _LOOKED_AT)]
    likely.sort(key=lambda pair: (pair[0].differing, -pair[0].same, pair[0].content.hex))
    best = {one.content: (one, image) for one, image in reversed(likely)}
    chosen = sorted(best.values(), key=lambda pair: (pair[0].differing, -pair[0].same, pair[0].content.hex))
    found = [c for one, image in chosen[:_LOOKED_AT] for c in _candidate(one, image, index, kept)]
    found.sort(key=lambda c: (c.bytes, c.entry.unit, c.entry.sequence))
    return tuple(_near(candidate, label, definition, kept) for candidate in found[:count])


def _candidate(one: Likeness, image: Image, index: Index, kept: Kept) -> Iterator[_Candidate]:
    """The image that the index speaks of, if the vault has it."""
    hits = index.by_content(one.content)
    for hit in hits:
        entry = index.confirmed(hit)
        if entry is None or entry.image is None or entry.image.content != one.content:
            continue
        with suppress(CaldiffError):  # damaged or lost: another entry may have the same in another file
            differing = _differing(kept.image(entry), image)
            yield _Candidate(entry=entry, others=len(hits) - 1, image=image, bytes=differing)
            return


def _differing(before: Image, after: Image) -> int:
    """How many bytes differ; one that only one image holds is one."""
    return sum(chunk.offsets.size for window in windows(before, after) for chunk in window.chunks())


def _near(found: _Candidate, label: str, definition: Definition | None, kept: Kept) -> Near:
    try:
        before = kept.calibration(found.entry, preferred=definition)
    except CaldiffError:  # the definition that it was recorded with cannot be opened any more
        before = Calibration(label="", image=kept.image(found.entry), definition=None)
    before = attrs.evolve(before, label=f"{found.entry.unit} entry {found.entry.sequence}")
    own = definition
    if own is None and before.definition is not None and fits(before.definition, found.image):
        own = before.definition
    after = Calibration(label=label, image=found.image, definition=own)
    return Near(entry=found.entry, others=found.others, comparison=compare(before, after))
