"""Two images of different software versions: tables compared by name, each read by its own definition.

Addresses mean other things on either side, so that bytes say little here: two of them at one address are explained only
when both definitions explain them, each in its own image.
"""

from __future__ import annotations

from collections.abc import Sequence

from caldiff.definition.model import TableSpec
from caldiff.diff.extents import Window
from caldiff.diff.fates import Claims, Explained
from caldiff.diff.model import TableDiff
from caldiff.diff.pairing import pairs, same_bytes
from caldiff.diff.reading import Reader, claim
from caldiff.diff.tables import AxisPairs, table_diff
from caldiff.diff.within import Found, Ranges

__all__ = ["across"]


def across(before: Reader, after: Reader, parts: Sequence[Window], ranges: Ranges) -> Found:
    """Compare every table that either definition has."""
    axes, found = AxisPairs(), Found()
    _shared_axes(before, after, axes)
    for ours, theirs in pairs(before.definition, after.definition):
        difference = _table(before, after, ours, theirs, axes)
        if difference is not None:
            found.tables.append(difference)
    found.axes = axes.diffs()
    found.explained = tuple(_explained(reader, parts, ranges) for reader in (before, after))
    old, new = before.definition.name, after.definition.name
    found.notes.append(
        f"two software versions: tables are compared by name, {before.side.label} read by {old} and "
        f"{after.side.label} by {new}"
    )
    if ranges:
        found.notes.append(
            "things move between software versions: bytes are compared by address for information only, and count as "
            "explained only where both definitions explain what stands there"
        )
    return found


def _shared_axes(before: Reader, after: Reader, axes: AxisPairs) -> None:
    """Compare the shared axes that both definitions have, whether a table hangs on them or not."""
    for name, theirs in after.definition.axes.items():
        if name in before.definition.axes:
            was, now = before.axis(before.definition.axes[name]), after.axis(theirs)
            if was.found is not None and now.found is not None:
                axes.moved(was.found, now.found)


def _table(
    before: Reader, after: Reader, ours: TableSpec | None, theirs: TableSpec | None, axes: AxisPairs
) -> TableDiff | None:
    """Compare one pair of tables; one of them may be missing."""
    if ours is not None and theirs is not None:
        if same_bytes(before, after, ours, theirs, axes):
            return None
        return table_diff(theirs.name, before.table(ours), after.table(theirs), axes)
    if theirs is not None:
        now = after.table(theirs)
        return TableDiff(name=theirs.name, state="added", before=None, after=now.found, reason=now.trouble)
    if ours is not None:
        was = before.table(ours)
        return TableDiff(name=ours.name, state="removed", before=was.found, after=None, reason=was.trouble)
    return None


def _explained(reader: Reader, parts: Sequence[Window], ranges: Ranges) -> Explained:
    """What one definition explains in its own image."""
    claims, definition = Claims(parts), reader.definition
    touched = definition.index.touching(ranges)
    for axis in (reader.axis(definition.axes[name]) for name in touched.axes):
        if axis.found is not None:
            claim(claims, axis.found)
    for table in (reader.table(definition.tables[name]) for name in touched.tables):
        if table.found is not None:
            claim(claims, table.found)
    return Explained(definition=definition, claims=claims)
