"""What is allowed in a definition and yet most likely wrong."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import Literal

import attrs

from caldiff.definition.checksums import Checksum
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    Axis,
    Bits,
    Cells,
    FixedAxis,
    Limits,
    Linear,
    Lookup,
    Names,
    Rational,
    Region,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.definition.number import shown_number
from caldiff.definition.overlap import Part, clashes
from caldiff.definition.scaling import raw_range, to_physical
from caldiff.errors import TableError

__all__ = ["Finding", "lint"]


@attrs.frozen(kw_only=True)
class Finding:
    """Something that most likely is wrong.

    Attributes:
        code: which check, such as ``overlap``; stable, for people who filter.
        severity: ``error`` where tables would be read or written wrongly, else ``warning``.
        subject: what it is about, such as ``table ignition_base``.
        text: what is the matter, one sentence without a full stop.
        address: where in the image, or None.
    """

    code: str
    severity: Literal["error", "warning"]
    subject: str
    text: str
    address: int | None = None


def lint(definition: Definition, *, stem: str | None = None) -> list[Finding]:
    """Everything suspicious in a definition; ``stem`` is its file's name without the ending, if it has a file."""
    tables, axes = list(definition.tables.values()), list(definition.axes.values())
    found: list[Finding] = []
    if stem is not None and stem != definition.name:
        text = f"the file is called {stem}, so extends and --definition find it by that name only"
        found.append(Finding(code="name-differs", severity="warning", subject=definition.name, text=text))
    parts = list(_parts(definition, tables, axes))
    found += _outside_image(definition, parts)
    found += _overlaps(parts)
    found += _regions(definition)
    found += _outside_calibration(definition, parts)
    found += _checksums(definition)
    found += _personal(definition, parts)
    for axis in axes:
        found += _axis(f"axis {axis.name}", axis)
    for table in tables:
        found += _table(table)
    found += _reach(tables, axes)
    found += _aliases(definition, tables)
    found += _unused(definition, tables, axes)
    return found


# ---------------------------------------------------------------------------------------------------------- places


def _cells_part(owner: str, cells: Cells) -> Part:
    start, stop = cells.hull
    return Part(owner=owner, start=start, stop=stop, cells=cells)


def _axis_parts(owner: str, axis: Axis) -> Iterator[Part]:
    if isinstance(axis, StoredAxis):
        yield _cells_part(owner, axis.cells)
        if axis.count is not None:
            yield Part(owner=f"the count of {owner}", start=axis.count.at, stop=axis.count.stop)


def _parts(definition: Definition, tables: Iterable[TableSpec], axes: Iterable[Axis]) -> Iterator[Part]:
    for table in tables:
        yield _cells_part(f"table {table.name}", table.cells)
        for axis in table.axes:
            if not axis.shared:
                yield from _axis_parts(f"axis {axis.name}", axis)
    for axis in axes:
        yield from _axis_parts(f"axis {axis.name}", axis)
    for checksum in definition.checksums.values():
        for stored in checksum.fields:
            yield Part(owner=f"checksum {checksum.name}", start=stored.at, stop=stored.stop)


def _outside_image(definition: Definition, parts: Iterable[Part]) -> Iterator[Finding]:
    frame = definition.frame
    spans = [(part.owner, part.start, part.stop) for part in parts]
    spans += [(f"identity {field.name}", field.at, field.stop) for field in definition.identity.values()]
    spans += [(f"region {region.name}", region.start, region.stop) for region in definition.regions]
    for number, fit in enumerate(definition.fits, 1):
        spans.append((f"condition {number} of fits", fit.at, fit.at + max(len(p.value) for p in fit.any_of)))
    for subject, start, stop in spans:
        if start < frame.start or stop > frame.stop:
            image = f"0x{frame.start:08X} to 0x{frame.stop - 1:08X}"
            text = f"0x{start:08X} to 0x{stop - 1:08X} is not inside the image ({image})"
            yield Finding(code="outside-image", severity="error", subject=subject, text=text, address=start)
    if not definition.fits:
        text = "there is no fits condition, so any image of this size is taken"
        yield Finding(code="no-fits", severity="warning", subject=definition.name, text=text)


def _overlaps(parts: Iterable[Part]) -> Iterator[Finding]:
    for clash in clashes(parts):
        axes = all("axis" in part.owner for part in (clash.first, clash.second))
        text = (
            "its own cells lie on one another: a stride is smaller than what it steps over"
            if clash.first is clash.second
            else f"shares bytes with {clash.first.owner}"
        )
        yield Finding(
            code="overlap",
            severity="warning" if axes and clash.first is not clash.second else "error",
            subject=clash.second.owner,
            text=text,
            address=clash.at,
        )


def _regions(definition: Definition) -> Iterator[Finding]:
    """A region inside another is meant, the inner one counts; two that cross, or two on one place, are not."""
    open_regions: list[Region] = []
    for region in sorted(definition.regions, key=lambda r: (r.start, -r.size)):
        open_regions = [other for other in open_regions if other.stop > region.start]
        for other in open_regions:
            if region.stop > other.stop or (region.start, region.stop) == (other.start, other.stop):
                yield Finding(
                    code="regions-overlap",
                    severity="error",
                    subject=f"region {region.name}",
                    text=f"overlaps region {other.name}, and neither lies inside the other",
                    address=region.start,
                )
        open_regions.append(region)


def _outside_calibration(definition: Definition, parts: Iterable[Part]) -> Iterator[Finding]:
    runs: list[tuple[int, int]] = []
    for region in sorted(definition.regions, key=lambda r: r.start):
        if region.role == "calibration":
            touches = bool(runs) and region.start <= runs[-1][1]
            start, stop = runs.pop() if touches else (region.start, region.stop)
            runs.append((start, max(stop, region.stop)))
    if not runs:
        text = "there is no region of role calibration, so changed bytes cannot be told from changed code"
        yield Finding(code="no-calibration", severity="warning", subject=definition.name, text=text)
        return
    starts = [start for start, _ in runs]
    for part in parts:
        place = bisect_right(starts, part.start) - 1
        if part.owner.startswith("checksum") or (place >= 0 and part.stop <= runs[place][1]):
            continue
        text = "lies outside every region of role calibration"
        yield Finding(code="outside-calibration", severity="warning", subject=part.owner, text=text, address=part.start)


def _checksums(definition: Definition) -> Iterator[Finding]:
    """What a checksum covers beyond the image, and what changes by itself; what makes no sense is refused before."""
    frame = definition.frame
    for checksum in definition.checksums.values():
        subject = f"checksum {checksum.name}"
        for span in checksum.declared:
            if span.start < frame.start or span.stop > frame.stop:
                text = f"covers 0x{span.start:08X} to 0x{span.stop - 1:08X}, which is not inside the image"
                yield Finding(code="outside-image", severity="error", subject=subject, text=text, address=span.start)
            for region in definition.regions:
                if region.role == "volatile" and span.start < region.stop and region.start < span.stop:
                    text = f"covers region {region.name}, to which the controller itself writes"
                    yield Finding(
                        code="covers-volatile", severity="warning", subject=subject, text=text, address=region.start
                    )
        if checksum.constant is not None and checksum.coverage.blocks is None:
            yield from _compensation(subject, checksum)


def _compensation(subject: str, checksum: Checksum) -> Iterator[Finding]:
    (word,) = checksum.fields
    if not any(span.start <= word.at and word.stop <= span.stop for span in checksum.declared):
        text = "has its compensation word outside what it covers, so that no value of it does anything"
        yield Finding(code="word-outside", severity="error", subject=subject, text=text, address=word.at)


def _personal(definition: Definition, parts: Iterable[Part]) -> Iterator[Finding]:
    """What identifies somebody is shortened wherever it is shown, but not as the cells of a table."""
    fields = [field for field in definition.identity.values() if field.personal]
    spans = [(part.owner, part.start, part.stop) for part in parts if fields and not part.owner.startswith("checksum")]
    for owner, start, stop in spans:
        for field in fields:
            if start < field.stop and field.at < stop:
                text = f"shares bytes with identity {field.name}, which identifies somebody, and shows them whole"
                yield Finding(code="shows-personal", severity="warning", subject=owner, text=text, address=field.at)


# ---------------------------------------------------------------------------------------------------------- counts


def _room(axis: Axis) -> int:
    return len(axis.points) if isinstance(axis, FixedAxis) else axis.cells.shape[0]


def _axis(subject: str, axis: Axis) -> Iterator[Finding]:
    count: StoredCount | None = getattr(axis, "count", None)
    if count is not None and _room(axis) > count.type.highest:
        text = f"has room for {_room(axis)} breakpoints, but its count is stored as {count.type.name}"
        yield Finding(code="count-mismatch", severity="error", subject=subject, text=text, address=count.at)


def _table(table: TableSpec) -> Iterator[Finding]:
    subject = f"table {table.name}"
    for axis in table.axes:
        if not axis.shared:
            yield from _axis(f"axis {axis.name}", axis)
    if not table.axes:
        return
    rooms = tuple(_room(axis) for axis in table.axes)
    if rooms != table.cells.shape:
        text = f"has {_times(table.cells.shape)} cells, but its axes {_times(rooms)} breakpoints"
        yield Finding(code="count-mismatch", severity="error", subject=subject, text=text, address=table.cells.at)


def _times(counts: Sequence[int]) -> str:
    return " x ".join(map(str, counts))


# ----------------------------------------------------------------------------------------------- reach of the types


def _reach(tables: Iterable[TableSpec], axes: Iterable[Axis]) -> Iterator[Finding]:
    """Once for every scaling on every type, named after the first that has it; limits of a table each time."""
    seen: set[tuple[int, str, int | None]] = set()
    for subject, cells, scaling, limits in _scaled(tables, axes):
        if cells.type.kind == "f":
            continue
        low, high = raw_range(cells.type, cells.mask)
        if limits is not None:
            yield from _limits(subject, scaling, limits, low, high)
        key = (id(scaling), cells.type.name, cells.mask)
        if key not in seen:
            seen.add(key)
            yield from _conversion(subject, scaling, low, high)


def _scaled(tables: Iterable[TableSpec], axes: Iterable[Axis]) -> Iterator[tuple[str, Cells, Scaling, Limits | None]]:
    for table in tables:
        yield f"table {table.name}", table.cells, table.scaling, table.limits
        for axis in table.axes:
            if isinstance(axis, StoredAxis) and not axis.shared:
                yield f"axis {axis.name}", axis.cells, axis.scaling, None
    for axis in axes:
        if isinstance(axis, StoredAxis):
            yield f"axis {axis.name}", axis.cells, axis.scaling, None


def _physical_reach(scaling: Scaling, low: int, high: int) -> tuple[Fraction, Fraction] | None:
    """The least and the greatest physical value of raw values from ``low`` to ``high``; None where not monotone."""
    match scaling.conversion:
        case Linear():
            ends = [to_physical(scaling, low), to_physical(scaling, high)]
        case Lookup(points=points):
            ends = [to_physical(scaling, raw) for raw in (low, high, *(x for x, _ in points)) if low <= raw <= high]
        case _:
            return None
    return min(ends), max(ends)


def _limits(subject: str, scaling: Scaling, limits: Limits, low: int, high: int) -> Iterator[Finding]:
    reach = _physical_reach(scaling, low, high)
    if reach is None or reach[0] <= limits.low <= limits.high <= reach[1]:
        return
    nothing = limits.high < reach[0] or limits.low > reach[1]
    written, held = (f"{shown_number(a)} to {shown_number(b)}" for a, b in ((limits.low, limits.high), reach))
    yield Finding(
        code="limits-beyond-type",
        severity="error" if nothing else "warning",
        subject=subject,
        text=f"has limits of {written}, but can hold {'only ' if nothing else ''}{held}",
    )


def _conversion(subject: str, scaling: Scaling, low: int, high: int) -> Iterator[Finding]:
    raws: Iterable[int]
    what = f"scaling {scaling.name}" if scaling.name else "its scaling"
    match scaling.conversion:
        case Lookup(points=points):
            raws = [raw for raw, _ in points]
        case Names(names=names):
            raws = names
        case Bits(fields=fields):
            # A word is looked at without a sign.
            low, high = 0, high - low
            raws = [field.mask for field in fields]
        case Rational(gives="raw"):
            yield from _solvable(subject, scaling, what, low, high)
            return
        case _:
            return
    beyond = [raw for raw in raws if not low <= raw <= high]
    if beyond:
        text = f"{what} speaks of raw {beyond[0]}, which its type cannot hold ({low} to {high})"
        yield Finding(code="scaling-beyond-type", severity="warning", subject=subject, text=text)


def _solvable(subject: str, scaling: Scaling, what: str, low: int, high: int) -> Iterator[Finding]:
    for raw in sorted({low, low + 1, (low + high) // 2, high - 1, high}):
        try:
            to_physical(scaling, raw)
        except TableError as error:
            text = f"{what} cannot be read at raw {raw}: {error.reason}"
            yield Finding(code="scaling-unsolved", severity="warning", subject=subject, text=text)
            return


# ----------------------------------------------------------------------------------------------------------- names


def _aliases(definition: Definition, tables: Iterable[TableSpec]) -> Iterator[Finding]:
    claims = Counter(alias for table in tables for alias in table.aliases)
    for table in tables:
        for alias in table.aliases:
            if alias in definition.tables:
                text = f"the alias {alias} is a table's own name, so it never leads here"
            elif claims[alias] > 1:
                text = f"the alias {alias} is claimed by {claims[alias]} tables, so it leads to none"
            else:
                continue
            yield Finding(code="unreachable-alias", severity="warning", subject=f"table {table.name}", text=text)


def _unused(definition: Definition, tables: Sequence[TableSpec], axes: Sequence[Axis]) -> Iterator[Finding]:
    hung = [axis for table in tables for axis in table.axes]
    used_axes = {axis.name for axis in hung if axis.shared}
    scaled = [axis.scaling.name for axis in (*hung, *axes) if isinstance(axis, StoredAxis)]
    used_scalings = {*scaled, *(table.scaling.name for table in tables)}
    for kind, names, used in (("scaling", definition.scalings, used_scalings), ("axis", definition.axes, used_axes)):
        for name in names:
            if name not in used:
                yield Finding(
                    code=f"unused-{kind}", severity="warning", subject=f"{kind} {name}", text="is used nowhere"
                )
