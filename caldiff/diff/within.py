"""Two images read by one definition: only what the differing bytes touch is decoded."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from caldiff.definition.model import StoredAxis
from caldiff.diff.extents import Window
from caldiff.diff.fates import Claims, Explained
from caldiff.diff.model import AxisDiff, TableDiff
from caldiff.diff.reading import Reader, Reading, claim
from caldiff.diff.tables import AxisPairs, table_diff
from caldiff.table.model import AxisValues, Table

__all__ = ["Found", "Ranges", "within"]

Ranges = Sequence[tuple[int, int]]
"""address ranges ``[start, stop)`` that hold every differing byte, in order"""


@attrs.define(kw_only=True, eq=False, repr=False)
class Found:
    """What the definitions say about the difference of two images."""

    tables: list[TableDiff] = attrs.field(factory=list)
    axes: tuple[AxisDiff, ...] = ()
    explained: tuple[Explained, ...] = ()
    notes: list[str] = attrs.field(factory=list)


def within(before: Reader, after: Reader, parts: Sequence[Window], ranges: Ranges) -> Found:
    """Compare the tables that the ranges touch, and those that hang on an axis that moved."""
    definition = after.definition
    touched = definition.index.touching(ranges)
    claims, axes, found = Claims(parts), AxisPairs(), Found()
    names, own_reading = dict.fromkeys(touched.tables), frozenset(touched.axes)
    for name in touched.axes:
        was, now = before.axis(definition.axes[name]), after.axis(definition.axes[name])
        _claim(claims, was, now)
        if was.found is not None and now.found is not None:
            if not axes.moved(was.found, now.found):
                continue
            axes.hang(name, definition.index.tables_on(name))
        elif was.found is not None or now.found is not None:
            holder = before if was.found is not None else after
            found.notes.append(f"only {holder.side.label} holds axis '{name}' whole")
        names |= dict.fromkeys(definition.index.tables_on(name))
    for name in names:
        spec = definition.tables[name]
        first = before.table(spec)
        after.take_over(before, (a for a in spec.axes if a.shared and a.name not in own_reading))
        second = after.table(spec)
        _claim(claims, first, second)
        difference = table_diff(name, first, second, axes)
        if difference is not None:
            found.tables.append(difference)
    found.axes = axes.diffs()
    found.explained = (Explained(definition=definition, claims=claims),)
    return found


def _claim(
    claims: Claims, before: Reading[Table] | Reading[AxisValues], after: Reading[Table] | Reading[AxisValues]
) -> None:
    """Cells explain bytes where they were decoded on both sides, or on one where the other holds no byte of them."""
    if before.trouble or after.trouble:
        return
    if before.found is not None:
        claim(claims, before.found)
    if after.found is not None and not _at_the_same_place(before.found, after.found):
        claim(claims, after.found)


def _at_the_same_place(before: Table | AxisValues | None, after: Table | AxisValues) -> bool:
    """Whether the first has claimed the very bits of the second: only stored counts move cells."""
    if not isinstance(before, Table) or not isinstance(after, Table) or before.spec is not after.spec:
        return False
    return all(not isinstance(a, StoredAxis) or (a.shared and not a.count) for a in after.spec.axes)
