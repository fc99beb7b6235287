"""Cell by cell: which cells of two decoded tables differ, in what, and by how much."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.definition import scaling as exact
from caldiff.definition.model import Bits, ElementType, FixedAxis, Linear, Names, Scaling, StoredAxis
from caldiff.diff.model import Statistics, TableState
from caldiff.diff.operating import Grid, NoSurface
from caldiff.errors import CaldiffError
from caldiff.table.model import AxisValues, Floats, Raw, Table
from caldiff.table.scale import to_physical

__all__ = ["Flags", "Match", "axis_changed", "differing", "grid", "match", "nature", "statistics"]

Flags = npt.NDArray[np.bool_]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Match:
    """Two tables laid on one another.

    Attributes:
        state: ``resized`` or ``redefined`` where they are not of one kind, ``changed`` where cells differ, else None.
        changed: True per cell that differs; None where cells cannot be matched one to one.
        reason: of ``resized`` and ``redefined``, in words; also of other storage or scaling beside changed cells.
    """

    state: TableState | None
    changed: Flags | None
    reason: str = ""


def differing(before: Raw, after: Raw) -> Flags:
    """True per element with another raw value, floats by their bits. Same shape and type, any byte order."""
    if before.dtype.kind == "f":
        before, after = (a.astype(a.dtype.newbyteorder("=")).view(f"u{a.dtype.itemsize}") for a in (before, after))
    return np.asarray(before != after)


def match(before: Table, after: Table) -> Match:
    """Compare two tables: by raw value where both store alike, else by exact physical value."""
    ours, theirs = before.spec, after.spec
    if ours is theirs or ours == theirs:
        return _cells(before, after, [])
    natures = nature(before), nature(after)
    if natures[0] != natures[1]:
        return Match(state="redefined", changed=None, reason=f"was {natures[0]}, is {natures[1]}")
    if before.raw.ndim != after.raw.ndim:
        return Match(state="redefined", changed=None, reason=f"was a {ours.kind}, is a {theirs.kind}")
    remarks = [f"was a {ours.kind}, is a {theirs.kind}"] if ours.kind != theirs.kind else []
    remarks += _on_other_axes(before, after)
    if ours.scaling.unit != theirs.scaling.unit:
        reason = (
            f"the unit was {_quoted(ours.scaling.unit)}, is {_quoted(theirs.scaling.unit)}: no numbers are compared"
        )
        return Match(state="redefined", changed=None, reason="; ".join([*remarks, reason]))
    return _cells(before, after, remarks)


def nature(table: Table) -> str:
    """What kind of thing a cell is, in words."""
    if table.spec.kind == "text":
        return "text"
    match table.spec.scaling.conversion:
        case Bits():
            return "flags"
        case Names():
            return "named values"
        case _:
            return "numbers"


def _quoted(unit: str) -> str:
    return f"'{unit}'" if unit else "none"


def _on_other_axes(before: Table, after: Table) -> list[str]:
    """Where the axes stand for something else than before."""
    found = []
    for ours, theirs in zip(before.axes, after.axes, strict=False):
        for what in ("quantity", "unit"):
            was, now = _axis_fact(ours, what), _axis_fact(theirs, what)
            if was != now and (what == "unit" or (was and now)):
                found.append(f"the {what} of axis '{theirs.spec.name}' was {_quoted(was)}, is {_quoted(now)}")
    return found


def _axis_fact(axis: AxisValues, what: str) -> str:
    if what == "quantity":
        return axis.spec.quantity
    return axis.spec.scaling.unit if isinstance(axis.spec, StoredAxis) else axis.spec.unit


def _cells(before: Table, after: Table, remarks: list[str]) -> Match:
    """Compare the cells of tables whose numbers mean the same thing; ``remarks`` are what was redefined so far."""
    if before.raw.shape != after.raw.shape:
        reason = f"was {_shape(before)}, is {_shape(after)}"
        return Match(state="resized", changed=None, reason="; ".join([reason, *remarks]))
    ours, theirs = before.spec, after.spec
    if ours is not theirs:
        if ours.cells.type != theirs.cells.type:
            remarks.append(f"was stored as {ours.cells.type.name}, is {theirs.cells.type.name}")
        if ours.scaling.conversion != theirs.scaling.conversion:
            remarks.append("the scaling changed")
    if nature(after) in {"numbers", "named values"}:
        changed = _unlike(
            _Stored(raw=before.raw, element=ours.cells.type, scaling=ours.scaling),
            _Stored(raw=after.raw, element=theirs.cells.type, scaling=theirs.scaling),
        )
    else:
        changed = np.asarray(before.raw != after.raw)
    changed.flags.writeable = False
    # With other storage or scaling, equal raw numbers say that the table was not rewritten, only reread.
    reread = bool(remarks) and not (before.raw != after.raw).any()
    state: TableState | None = "changed" if changed.any() and not reread else "redefined" if remarks else None
    return Match(state=state, changed=changed, reason="; ".join(remarks))


def _shape(table: Table) -> str:
    return " x ".join(str(n) for n in table.raw.shape) + " cells" if table.raw.shape else "one cell"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Stored:
    """Raw numbers and what they mean."""

    raw: Raw
    element: ElementType
    scaling: Scaling


def _unlike(before: _Stored, after: _Stored) -> Flags:
    """True per number that differs: raw where stored and scaled alike, else exactly, as physical values."""
    alike = before.scaling is after.scaling or before.scaling.conversion == after.scaling.conversion
    if alike and before.element == after.element:
        return differing(before.raw, after.raw)
    ours, theirs = (to_physical(side.scaling, side.raw, side.element) for side in (before, after))
    changed = np.asarray((ours != theirs) & ~(np.isnan(ours) & np.isnan(theirs)))
    # Doubles that differ come from values that differ; equal ones may still hide a difference below their precision.
    known: dict[tuple[Any, Any], bool] = {}
    for place in np.argwhere(~changed & np.isfinite(ours)).tolist():
        at = tuple(place)
        pair = (before.raw[at].item(), after.raw[at].item())
        if pair not in known:
            known[pair] = _exactly(before.scaling, pair[0]) != _exactly(after.scaling, pair[1])
        changed[at] = known[pair]
    return changed


def _exactly(scaling: Scaling, raw: float) -> Fraction | None:
    if isinstance(scaling.conversion, Names):
        return Fraction(raw)
    try:
        return exact.to_physical(scaling, raw)
    except (CaldiffError, ArithmeticError):
        return None


def axis_changed(before: AxisValues, after: AxisValues) -> Flags:
    """True per breakpoint that differs, over the longer of two axes; what only one of them has differs."""
    size = max(before.physical.size, after.physical.size)
    common = min(before.physical.size, after.physical.size)
    changed = np.ones(size, np.bool_)
    ours, theirs = _breakpoints(before, common), _breakpoints(after, common)
    if ours and theirs:
        changed[:common] = _unlike(ours, theirs)
    else:
        pairs = zip(_points(before), _points(after), strict=False)
        changed[:common] = [first != second for first, second in pairs]
    changed.flags.writeable = False
    return changed


def _breakpoints(axis: AxisValues, count: int) -> _Stored | None:
    """The first breakpoints of a stored axis; None for a fixed one."""
    if not isinstance(axis.spec, StoredAxis) or axis.raw is None:
        return None
    return _Stored(raw=axis.raw[:count], element=axis.spec.cells.type, scaling=axis.spec.scaling)


def _points(axis: AxisValues) -> list[Fraction | None]:
    """The exact breakpoints of any axis."""
    if not isinstance(axis.spec, StoredAxis) or axis.raw is None:
        return list(axis.spec.points) if isinstance(axis.spec, FixedAxis) else []
    return [_exactly(axis.spec.scaling, raw) for raw in axis.raw.tolist()]


def statistics(before: Table, after: Table, changed: Flags) -> Statistics | None:
    """Numbers over the changed cells; None where differences mean nothing or none is finite."""
    if nature(before) != "numbers" or nature(after) != "numbers":
        return None
    was = before.physical[changed]
    with np.errstate(all="ignore"):  # what is not finite is left out
        steps = after.physical[changed] - was
        if not math.isfinite(steps.sum()):
            finite = np.isfinite(steps)
            steps, was = steps[finite], was[finite]
        if not steps.size:
            return None
        least_percent, greatest_percent = _percent(steps, was)
    return Statistics(
        cells=changed.size,
        changed=int(np.count_nonzero(changed)),
        raised=int(np.count_nonzero(steps > 0)),
        lowered=int(np.count_nonzero(steps < 0)),
        least=float(steps.min()),
        greatest=float(steps.max()),
        mean=float((steps / steps.size).sum()),
        least_percent=least_percent,
        greatest_percent=greatest_percent,
    )


def _percent(steps: Floats, was: Floats) -> tuple[float, float] | tuple[None, None]:
    """The lowest and the highest step relative to the size of the value before, where that is not 0."""
    percent = steps / np.abs(was) * 100.0
    if not math.isfinite(percent.sum()):
        percent = percent[np.isfinite(percent)]
    return (float(percent.min()), float(percent.max())) if percent.size else (None, None)


def grid(table: Table) -> Grid:
    """The table as a surface over its axes.

    Raises:
        NoSurface: its cells are no numbers.
    """
    if nature(table) != "numbers":
        raise NoSurface(f"the cells are {nature(table)}, not numbers")
    return Grid(points=tuple(axis.physical for axis in table.axes), values=table.physical, rounding=_half_steps(table))


def _half_steps(table: Table) -> Floats:
    """Half the physical step to the next raw value: one number, or the larger of both neighbours for every cell."""
    scaling, element = table.spec.scaling, table.spec.cells.type
    if element.kind != "f" and isinstance(scaling.conversion, Linear):
        return np.array(abs(float(scaling.conversion.factor)) / 2)
    raw = table.raw.astype(table.raw.dtype.newbyteorder("="))
    with np.errstate(all="ignore"):  # what is not a number has no step, and no surface either
        if element.kind == "f":
            neighbours = [np.nextafter(raw, raw.dtype.type(end)) for end in (-np.inf, np.inf)]
        else:
            neighbours = [np.where(raw > element.lowest, raw - 1, raw), np.where(raw < element.highest, raw + 1, raw)]
        steps = [np.abs(to_physical(scaling, n.astype(raw.dtype), element) - table.physical) for n in neighbours]
    return np.asarray(np.maximum(*(np.where(np.isfinite(s), s, 0.0) for s in steps)) / 2)
