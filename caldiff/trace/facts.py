"""What an entry records of an image, and of its changes against another. Pure: reckoned again, it must be the same."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal

import attrs

from caldiff.canonical import Digest
from caldiff.errors import UsageError
from caldiff.image.model import Image, Segment
from caldiff.ledger.entry import Changes, ChecksumFact, DefinitionFact, IdentityFact, ImageFacts, Subject
from caldiff.table.identity import identify
from caldiff.trace.identity import checksum_states

if TYPE_CHECKING:  # what is known of one image needs no arrays
    from caldiff.definition.definition import Definition
    from caldiff.diff.model import Comparison, TableDiff
    from caldiff.table.calibration import Calibration
    from caldiff.table.personal import Key

__all__ = ["changes", "finding_of", "image_facts", "stable_digest"]


# ------------------------------------------------------------------------------------------------- what an image is


def image_facts(calibration: Calibration, *, files: tuple[Subject, ...] | None, key: Key | None) -> ImageFacts:
    """What a file was when it was recorded.

    Args:
        calibration: read from a file.
        files: those that the definition came from, as they are kept; None where there is none.
        key: what personal identity is matched by; None: by nothing.

    Raises:
        UsageError: the image was made in memory, so there is no file.
    """
    image, definition = calibration.image, calibration.definition
    source = image.source
    if source is None:
        raise UsageError("an image that came from no file cannot be recorded", hint="write it into a file first")
    facts = ImageFacts(
        format=source.format,
        container=source.container,
        size=source.size,
        start=image.start,
        content=image.content,
    )
    if definition is None:
        return facts
    return attrs.evolve(
        facts,
        stable=stable_digest(image, definition),
        definition=DefinitionFact(name=definition.name, digest=definition.digest, files=files or ()),
        identity=tuple(
            IdentityFact(
                name=value.field.name,
                means=value.field.means,
                text=value.shown,
                personal=value.personal,
                match=value.digest(key),
            )
            for value in identify(image, definition)
        ),
        checksums=tuple(ChecksumFact(name=state.name, status=state.status) for state in checksum_states(calibration)),
    )


def stable_digest(image: Image, definition: Definition) -> Digest:
    """The content digest of the image without the definition's volatile regions: what the controller itself writes.

    It equals ``image.content`` where there is no such region.
    """
    volatile = sorted((r.start, r.stop) for r in definition.regions if r.role == "volatile")
    parts = [part for segment in image.segments for part in _without(segment, volatile)]
    return image.content if len(parts) == len(image.segments) and not volatile else Image(segments=tuple(parts)).content


def _without(segment: Segment, ranges: list[tuple[int, int]]) -> Iterator[Segment]:
    """What is left of a segment when some ranges, which rise and may overlap, are taken out."""
    at = segment.start
    for start, stop in ranges:
        if at < min(start, segment.stop):
            yield _part(segment, at, min(start, segment.stop))
        at = max(at, stop)
    if at < segment.stop:
        yield _part(segment, at, segment.stop)


def _part(segment: Segment, start: int, stop: int) -> Segment:
    return Segment(start=start, data=segment.data[start - segment.start : stop - segment.start])


# ---------------------------------------------------------------------------------------------------- what it changed


def changes(comparison: Comparison) -> Changes:
    """All that the second image changed against the first, as counts, with the digest of every raw change."""
    from caldiff.trace.raw import bytes_by_region, raw_changes_digest  # noqa: PLC0415 - brings numpy

    fates, tables = comparison.fates, comparison.tables
    held = bytes_by_region(comparison.extents)
    names = {table.name for table in tables} | {name for axis in comparison.axes for name in axis.tables}
    return Changes(
        raw=raw_changes_digest(comparison.before.image, comparison.after.image),
        cell=fates.cell,
        checksum=fates.checksum,
        identity=fates.identity,
        volatile=fates.volatile,
        unexplained=fates.unexplained,
        code=sum(count for (_, role), count in held.items() if role == "code"),
        tables=tuple(sorted((table.name, table.cells) for table in tables)),
        axes=tuple(sorted(axis.name for axis in comparison.axes)),
        tags=tuple(sorted({tag for tags in map(_tags_of_diff, tables) for tag in tags} | _tags(comparison, names))),
        regions=tuple(sorted({region for region, _ in held if region})),
        replaced=comparison.across,
    )


def _tags_of_diff(table: TableDiff) -> Iterator[str]:
    """The tags of a table on either side, which may call it by different names."""
    for side in (table.before, table.after):
        yield from side.spec.tags if side is not None else ()


def _tags(comparison: Comparison, names: set[str]) -> set[str]:
    """The tags of tables by their name on either side: of those, too, that could not be decoded."""
    definitions = (side.definition for side in (comparison.before, comparison.after) if side.definition is not None)
    return {tag for d in definitions for name in names if name in d.tables for tag in d.tables[name].tags}


def finding_of(comparison: Comparison) -> Literal["equal", "volatile", "other"]:
    """What a readback found, by the comparison of what should have been in the unit with it."""
    if comparison.identical:
        return "equal"
    return "volatile" if comparison.only_volatile else "other"
