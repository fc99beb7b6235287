"""Tables of two software versions, found again by name, and told to be unchanged by their bytes where that will do."""

from __future__ import annotations

from collections.abc import Iterator

import attrs

from caldiff.definition.definition import Definition
from caldiff.definition.model import Axis, Cells, FixedAxis, TableSpec
from caldiff.diff.reading import Reader
from caldiff.diff.tables import AxisPairs

__all__ = ["Pair", "counterpart", "pairs", "same_bytes"]

Pair = tuple[TableSpec | None, TableSpec | None]


def counterpart(old: Definition, new: Definition, name: str) -> str | None:
    """The name that a table of the old definition has in the new one, or None where it is gone.

    The same name; else the one table that is tied to it by an alias on either side. A table that the other definition
    has under its own name is never taken for another one, and where aliases lead to several tables they decide nothing.
    The other way round the answer is the same.
    """
    if name in new.tables:
        return name
    tied = _tied(old, new, name)
    if len(tied) == 1 and _tied(new, old, *tied) == {name}:
        return tied.pop()
    return None


def _tied(old: Definition, new: Definition, name: str) -> set[str]:
    """The tables that only the new definition has and that an alias ties to the old one's table."""
    tied = {new.index.alias(name)}
    tied.update(alias for alias in old.tables[name].aliases if old.index.alias(alias) == name and alias in new.tables)
    return {other for other in tied if other is not None and other not in old.tables}


def pairs(old: Definition, new: Definition) -> Iterator[Pair]:
    """Every table of both definitions once: ``(old, new)``, with None where there is no counterpart."""
    left = dict.fromkeys(new.tables)
    for name in old.tables:
        other = counterpart(old, new, name)
        if other is None:
            yield old.tables[name], None
        else:
            del left[other]
            yield old.tables[name], new.tables[other]
    for name in left:
        yield None, new.tables[name]


def same_bytes(before: Reader, after: Reader, ours: TableSpec, theirs: TableSpec, axes: AxisPairs) -> bool:
    """Whether layouts agree and the bytes are the same, axes included, so that nothing needs decoding.

    False says nothing: the tables are to be decoded and compared.
    """
    if ours.record or theirs.record or ours.kind != theirs.kind or ours.scaling != theirs.scaling:
        return False
    if not _alike(ours.cells, theirs.cells) or len(ours.axes) != len(theirs.axes):
        return False
    if not all(_same_axis(before, after, *pair, axes) for pair in zip(ours.axes, theirs.axes, strict=True)):
        return False
    return _equal(before, after, ours.cells.hull, theirs.cells.hull)


def _same_axis(before: Reader, after: Reader, ours: Axis, theirs: Axis, axes: AxisPairs) -> bool:
    if isinstance(ours, FixedAxis) or isinstance(theirs, FixedAxis):
        return ours == theirs
    if (ours.name, ours.shared, ours.quantity) != (theirs.name, theirs.shared, theirs.quantity):
        return False
    if ours.scaling != theirs.scaling:
        return False
    if ours.shared:
        was, now = before.axis(ours), after.axis(theirs)
        return was.found is not None and now.found is not None and not axes.moved(was.found, now.found)
    if ours.count or theirs.count or not _alike(ours.cells, theirs.cells):
        return False
    return _equal(before, after, ours.cells.hull, theirs.cells.hull)


def _alike(ours: Cells, theirs: Cells) -> bool:
    """Whether cells are laid out the same, wherever they are."""
    return attrs.evolve(ours, at=theirs.at) == theirs


def _equal(before: Reader, after: Reader, ours: tuple[int, int], theirs: tuple[int, int]) -> bool:
    """Whether both images hold the same bytes there."""
    first, second = before.side.image, after.side.image
    if not first.holds(*ours) or not second.holds(*theirs):
        return False
    return bytes(first.view(*ours)) == bytes(second.view(*theirs))
