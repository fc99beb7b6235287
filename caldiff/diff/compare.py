"""Two images compared: bytes, then what the bytes are, then cells and axes. Cost follows the change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import attrs

from caldiff.definition.model import IdentityField
from caldiff.diff.across import across
from caldiff.diff.extents import Window, ranges_to_look_up, windows
from caldiff.diff.fates import settle
from caldiff.diff.model import ChecksumDiff, Comparison, FieldDiff
from caldiff.diff.reading import Reader
from caldiff.diff.within import Found, within
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration
from caldiff.table.identity import FieldValue, identify

__all__ = ["compare"]


def compare(before: Calibration, after: Calibration) -> Comparison:
    """Everything that differs between two images.

    With one definition on both sides, what the differing bytes touch is decoded and compared. With two, tables are
    found again by name or alias, each read by its own definition. Without, there are bytes only. Nothing in an image is
    an error here: what cannot be read is in the answer, as ``unreadable``.
    """
    parts = windows(before.image, after.image)
    ranges = ranges_to_look_up(parts)
    ours, theirs = before.definition, after.definition
    found = Found()
    if ours is not None and theirs is not None:
        readers = Reader(side=before, definition=ours), Reader(side=after, definition=theirs)
        found = (within if ours == theirs else across)(*readers, parts, ranges)
    naming = theirs or ours
    fates, extents, unexplained = settle(parts, found.explained, naming.regions if naming else ())
    return Comparison(
        before=before,
        after=after,
        identical=not ranges,
        across=len(found.explained) > 1,
        fates=fates,
        extents=extents,
        unexplained=unexplained,
        tables=tuple(sorted(found.tables, key=lambda t: t.name)),
        axes=found.axes,
        identity=tuple(_identity(before, after)) if found.explained else (),
        checksums=_checksums(before, after) if found.explained and ranges else (),
        notes=(*found.notes, *_notes(before, after, parts)),
    )


def _notes(before: Calibration, after: Calibration, parts: Sequence[Window]) -> Iterator[str]:
    """What people should know about how this was compared."""
    strangers = [side.label for side in (before, after) if side.definition is None]
    if strangers:
        yield f"no definition fits {' and '.join(dict.fromkeys(strangers))}: only bytes are compared, no tables"
    for side, presence in ((before, "before"), (after, "after")):
        alone = sum(w.size for w in parts if w.presence == presence)
        if alone:
            yield f"{alone} bytes are at addresses that only {side.label} holds"


def _checksums(before: Calibration, after: Calibration) -> tuple[ChecksumDiff, ...]:
    if not any(side.definition and side.definition.checksums for side in (before, after)):
        return ()
    from caldiff.diff.checksums import checksum_diffs  # noqa: PLC0415 - brings all methods of reckoning

    return checksum_diffs(before, after)


def _identity(before: Calibration, after: Calibration) -> Iterator[FieldDiff]:
    """The identity fields that read differently, or whose bytes differ, those of the second image first."""
    for ours, theirs in _pairs(_fields(before), _fields(after)):
        if ours is None or theirs is None:
            alone = theirs or ours
            if alone is not None and alone.text is not None:
                before_text, after_text = (value.text if value else None for value in (ours, theirs))
                yield FieldDiff(field=alone.field, before=before_text, after=after_text)
        elif ours.text != theirs.text or _rewritten(before.image, ours.field, after.image, theirs.field):
            field = theirs.field
            means = ours.field.means if field.means == "free" else field.means
            if (field.personal, field.means) != (ours.personal or theirs.personal, means):
                field = attrs.evolve(field, personal=ours.personal or theirs.personal, means=means)
            yield FieldDiff(field=field, before=ours.text, after=theirs.text)


def _pairs(
    was: dict[str, FieldValue], now: dict[str, FieldValue]
) -> Iterator[tuple[FieldValue | None, FieldValue | None]]:
    """The fields that say the same thing: of one name, else the only ones of one meaning; then those left alone."""
    left = {name: value for name, value in was.items() if name not in now}
    new = [value.field.means for name, value in now.items() if name not in was]
    for name, theirs in now.items():
        ours, means = was.get(name), theirs.field.means
        if ours is None and means != "free" and new.count(means) == 1:
            alike = [n for n, value in left.items() if value.field.means == means]
            ours = left.pop(alike[0]) if len(alike) == 1 else None
        yield ours, theirs
    for ours in left.values():
        yield ours, None


def _fields(side: Calibration) -> dict[str, FieldValue]:
    return {value.field.name: value for value in identify(side.image, side.definition)} if side.definition else {}


def _rewritten(before: Image, ours: IdentityField, after: Image, theirs: IdentityField) -> bool:
    """Whether a field that reads the same was stored with other bytes, such as other padding."""
    alike = (ours.kind, ours.size, ours.byte_order) == (theirs.kind, theirs.size, theirs.byte_order)
    return alike and _bytes(before, ours) != _bytes(after, theirs)


def _bytes(image: Image, place: IdentityField) -> bytes | None:
    return bytes(image.view(place.at, place.stop)) if image.holds(place.at, place.stop) else None
