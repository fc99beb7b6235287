"""What happened to one table, and to the axes that tables hang on."""

from __future__ import annotations

import attrs

from caldiff.diff.cells import Flags, axis_changed, grid, match, nature
from caldiff.diff.model import AxisDiff, Surface, TableDiff
from caldiff.diff.operating import NoSurface, same_points
from caldiff.diff.reading import Reading
from caldiff.table.model import AxisValues, Table

__all__ = ["AxisPairs", "table_diff"]


@attrs.define(kw_only=True, eq=False, repr=False)
class AxisPairs:
    """Pairs of axes that tables hung on before and hang on after, each compared once."""

    _pairs: dict[tuple[str, bool, str, bool], _AxisPair] = attrs.field(factory=dict, init=False)

    def moved(self, before: AxisValues, after: AxisValues, *, table: str | None = None) -> bool:
        """Whether the breakpoints differ; the table that asks hangs on them."""
        if before is after:
            return False
        key = before.spec.name, before.spec.shared, after.spec.name, after.spec.shared
        if key not in self._pairs:
            self._pairs[key] = _AxisPair(before=before, after=after, changed=axis_changed(before, after))
        if table is not None:
            self._pairs[key].tables.add(table)
        return bool(self._pairs[key].changed.any())

    def hang(self, axis: str, tables: tuple[str, ...]) -> None:
        """Tables that hang on a shared axis of that name before and after."""
        self._pairs[axis, True, axis, True].tables.update(tables)

    def diffs(self) -> tuple[AxisDiff, ...]:
        """The axes that moved, by name."""
        moved = [p for p in self._pairs.values() if p.changed.any()]
        moved.sort(key=lambda p: (p.after.spec.name, p.before.spec.name))
        return tuple(
            AxisDiff(
                name=p.after.spec.name,
                before=p.before,
                after=p.after,
                changed=p.changed,
                tables=tuple(sorted(p.tables)),
            )
            for p in moved
        )


@attrs.define(kw_only=True, eq=False, repr=False)
class _AxisPair:
    before: AxisValues
    after: AxisValues
    changed: Flags
    tables: set[str] = attrs.field(factory=set)


def table_diff(name: str, before: Reading[Table], after: Reading[Table], axes: AxisPairs) -> TableDiff | None:
    """Compare a table that both definitions have; None where nothing is to be said about it."""
    if before.trouble or after.trouble:
        reason = "; ".join(t for t in (before.trouble, after.trouble) if t)
        return TableDiff(name=name, state="unreadable", before=before.found, after=after.found, reason=reason)
    if before.found is not None and after.found is not None:
        return _both(name, before.found, after.found, axes)
    if before.found is not None:
        reason = "the second image holds no byte of it"
        return TableDiff(name=name, state="removed", before=before.found, after=None, reason=reason)
    if after.found is not None:
        reason = "the first image holds no byte of it"
        return TableDiff(name=name, state="added", before=None, after=after.found, reason=reason)
    return None


def _both(name: str, before: Table, after: Table, axes: AxisPairs) -> TableDiff | None:
    """Compare a table that both images hold."""
    alike = len(before.axes) == len(after.axes)
    pairs = list(zip(before.axes, after.axes, strict=True)) if alike else []
    moved = tuple(theirs.spec.name for ours, theirs in pairs if axes.moved(ours, theirs, table=name))
    matched = match(before, after)
    state = matched.state or ("axis" if moved else None)
    if state is None:
        return None
    surface, why_not = _surface(before, after) if moved else (None, "")
    return TableDiff(
        name=name,
        state=state,
        before=before,
        after=after,
        changed=matched.changed,
        moved=moved,
        surface=surface,
        reason="; ".join(r for r in (matched.reason, why_not) if r),
    )


def _surface(before: Table, after: Table) -> tuple[Surface | None, str]:
    """Both surfaces at the same operating points, or why there are none (nothing to say where cells are no numbers)."""
    if nature(before) != "numbers" or nature(after) != "numbers":
        return None, ""
    units = [(t.unit, *(axis.unit for axis in t.axes)) for t in (before, after)]
    if units[0] != units[1]:
        return None, "not compared at the same operating points: the units differ"
    try:
        return same_points(grid(before), grid(after)), ""
    except NoSurface as error:
        return None, f"not compared at the same operating points: {error}"
