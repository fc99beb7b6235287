"""What the cells and axes of one table must keep."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from caldiff.definition.model import Limits, Linear
from caldiff.definition.number import shown_number
from caldiff.gate.policy import HUGE, Limit, Most, Step, Tables
from caldiff.gate.sizes import Mask, Side, exceeding, is_number
from caldiff.gate.verdict import Refusal
from caldiff.table.model import Table
from caldiff.table.scale import beyond

__all__ = ["AXES", "axis_refusals", "limit_refusals", "misfit", "some_cells", "step_refusals"]

AXES = "axes"
_AXIS_PROBLEMS = {"axis-not-rising", "count-beyond-room", "not-a-number"}


def misfit(table: Table, tables: Tables, rule: str) -> Refusal | None:
    """The refusal of a table that the numbers of a policy cannot be asked of: no numbers, or in another unit."""
    if not is_number(table):
        if tables.words == "passed over":
            return None
        return Refusal(
            rule=rule,
            text=f"table {table.name} holds no numbers, so nothing can be measured",
            found=f"a table of kind {table.spec.kind}" if table.spec.kind != "value" else "named values or flags",
            wanted="tables of numbers: except this one, or write words: passed over",
            table=table.name,
        )
    if tables.unit is not None and table.unit != tables.unit:
        return Refusal(
            rule=rule,
            text=f"table {table.name} is in another unit than the policy's numbers",
            found=table.unit or "no unit",
            wanted=tables.unit,
            table=table.name,
        )
    return None


def limit_refusals(table: Table, limit: Limit, where: Mask | None = None) -> Iterator[Refusal]:
    """Cells beyond the limits, of all or of those ``where`` it is True."""
    wrong = misfit(table, limit.tables, "limits")
    if wrong is not None:
        yield wrong
    if wrong is not None or not is_number(table):
        return
    asked = [] if limit.bounds is None else [(limit.bounds, "the policy's limits")]
    own = table.spec.effective_limits
    if limit.defined and own is not None:
        asked.append((own, "the definition's limits"))
    physical = None
    if not isinstance(table.spec.scaling.conversion, Linear) or table.spec.cells.type.kind == "f":
        physical = table.physical
        text = f"of table {table.name} without a value"
        yield from some_cells(table, _where(~np.isfinite(physical), where), "limits", text, "a number")
    for limits, whose in asked:
        outside = beyond(table.spec.scaling, limits, table.raw, table.spec.cells.type, physical)
        if outside is not None:
            text = f"of table {table.name} beyond {whose}"
            wanted = f"{_bounds(limits)} {table.unit}"
            yield from some_cells(table, _where(outside, where), "limits", text, wanted)


def _where(mask: Mask, where: Mask | None) -> Mask:
    return np.asarray(mask if where is None else mask & where)


def _bounds(limits: Limits) -> str:
    if limits.low == -HUGE:
        return f"at most {shown_number(limits.high)}"
    if limits.high == HUGE:
        return f"at least {shown_number(limits.low)}"
    return f"{shown_number(limits.low)} to {shown_number(limits.high)}"


def step_refusals(table: Table, step: Step, where: Mask | None = None) -> Iterator[Refusal]:
    """Steps between neighbours that are too large, of all or of those at a cell ``where`` it is True."""
    wrong = misfit(table, step.tables, "steps")
    if wrong is not None:
        yield wrong
    if wrong is not None or not is_number(table):
        return
    rank = table.raw.ndim
    for letter, dimension in zip("xyz", range(rank - 1, -1, -1), strict=False):
        if step.along not in {"any", letter} or table.raw.shape[dimension] < 2:  # noqa: PLR2004 - a pair
            continue
        lower, upper = (_all_but(rank, dimension, cut) for cut in (slice(None, -1), slice(1, None)))
        mask = exceeding(Side.of(table, lower), Side.of(table, upper), Most(absolute=step.most))
        if where is not None:
            mask = np.asarray(mask & (where[lower] | where[upper]))
        at = np.zeros(table.raw.shape, np.bool_)
        at[upper] = mask
        text = f"of table {table.name} too large a step away from its neighbour along {letter}"
        yield from some_cells(table, at, "steps", text, f"steps of at most {shown_number(step.most)} {table.unit}")


def _all_but(rank: int, dimension: int, cut: slice) -> tuple[slice, ...]:
    return tuple(cut if d == dimension else slice(None) for d in range(rank))


def some_cells(table: Table, mask: Mask, rule: str, text: str, wanted: str) -> Iterator[Refusal]:
    """One refusal for all cells of the mask, with the value and the address of the first; none where there is none."""
    count = int(np.count_nonzero(mask))
    if not count:
        return
    first = tuple(int(i) for i in np.argwhere(mask)[0])
    place = f" at index {list(first)}" if first else ""
    yield Refusal(
        rule=rule,
        text=f"{count} {'cell' if count == 1 else 'cells'} {text}",
        found=f"{table.shown(first)} {table.unit}".strip() + place + (", the first of them" if count > 1 else ""),
        wanted=wanted.strip(),
        address=int(table.addresses[first]),
        table=table.name,
    )


def axis_refusals(table: Table) -> Iterator[Refusal]:
    """Axes of a table that do not rise strictly, or whose stored count is beyond the room."""
    for axis in table.axes:
        for problem in axis.problems:
            if problem.kind in _AXIS_PROBLEMS:
                yield Refusal(
                    rule=AXES,
                    text=f"axis {axis.name} cannot be used",
                    found=problem.text,
                    wanted="breakpoints that rise strictly, as many as there is room for",
                    address=problem.address,
                    table=table.name,
                )
