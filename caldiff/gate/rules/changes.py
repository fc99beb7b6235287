"""No cell changed by more than the policy allows, against the parent and against the baseline."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import numpy as np

from caldiff.definition.number import shown_number
from caldiff.definition.scaling import to_physical
from caldiff.diff.model import Comparison, Surface, TableDiff
from caldiff.errors import TableError
from caldiff.gate.case import Case
from caldiff.gate.cells import misfit
from caldiff.gate.policy import Change, Most
from caldiff.gate.rules.answering import answer, not_asked
from caldiff.gate.rules.tables import matching, meant, unmatched
from caldiff.gate.sizes import Mask, Side, exceeding, is_number, percent
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.table.model import Table
from caldiff.table.scale import as_double

__all__ = ["RULE", "changes"]

RULE = "changes"


def changes(case: Case) -> RuleOutcome:
    """Cell by cell; where an axis moved, at the same operating points as well."""
    wanted = case.policy.changes
    if not wanted:
        return not_asked(RULE)
    tables = [change.tables for change in wanted]
    return answer(RULE, meant(case, tables), [*unmatched(case, tables, RULE), *_refusals(case, wanted)])


def _refusals(case: Case, wanted: tuple[Change, ...]) -> Iterator[Refusal]:
    for change in wanted:
        beside = case.against_parent
        if change.parent is not None and beside is not None:
            yield from _side(beside, change, change.parent, "parent")
        if change.baseline is not None:
            yield from _side(case.against_baseline, change, change.baseline, "baseline")


def _side(comparison: Comparison, change: Change, most: Most, side: str) -> Iterator[Refusal]:
    for diff in matching(comparison, change.tables):
        yield from _table(diff, change, most, side)


def _table(diff: TableDiff, change: Change, most: Most, side: str) -> Iterator[Refusal]:
    before, after = diff.before, diff.after
    if (
        before is None
        or after is None
        or diff.state in {"resized", "unreadable"}
        or before.raw.shape != after.raw.shape
    ):
        found = f"{diff.state}{': ' if diff.reason else ''}{diff.reason}"
        text = f"table {diff.name} cannot be compared with the {side} cell by cell"
        yield Refusal(rule=RULE, text=text, found=found, wanted="the same cells as before", table=diff.name)
        return
    if (wrong := misfit(after, change.tables, RULE) or misfit(before, change.tables, RULE)) is not None:
        yield wrong
        return
    if not (is_number(before) and is_number(after)):
        return
    if before.unit != after.unit:
        text = f"table {diff.name} is in another unit than in the {side}"
        yield Refusal(rule=RULE, text=text, found=after.unit, wanted=before.unit, table=diff.name)
        return
    everywhere = np.ones(after.raw.shape, np.bool_) if diff.changed is None else diff.changed
    where = tuple(slice(None) for _ in after.raw.shape)
    too_far = np.asarray(exceeding(Side.of(before, where), Side.of(after, where), most) & everywhere)
    if too_far.any():
        yield _cells((before, after), too_far, most, f"table {diff.name} changed too much against the {side}")
    if diff.surface is not None and _surface_exceeds(diff.surface, most):
        yield Refusal(
            rule=RULE,
            text=f"table {diff.name} changed too much against the {side} at the same operating point",
            found=f"{diff.surface.largest:.6g} {after.unit} at the point {list(diff.surface.at)}",
            wanted=_allowed(most, after.unit),
            address=after.at,
            table=diff.name,
        )


def _cells(sides: tuple[Table, Table], too_far: Mask, most: Most, text: str) -> Refusal:
    """The refusal, with the first of the cells."""
    before, after = sides
    count = int(np.count_nonzero(too_far))
    first = tuple(int(i) for i in np.argwhere(too_far)[0])
    place = f" at index {list(first)}" if first else ""
    return Refusal(
        rule=RULE,
        text=f"{count} {'cell' if count == 1 else 'cells'} of {text}",
        found=f"from {before.shown(first)} to {after.shown(first)} {after.unit}".rstrip()
        + _measured(before, after, first)
        + place
        + (", the first of them" if count > 1 else ""),
        wanted=_allowed(most, after.unit),
        address=int(after.addresses[first]),
        table=after.name,
    )


def _measured(before: Table, after: Table, index: tuple[int, ...]) -> str:
    """The change of one cell, exactly, as far as it can be told."""
    try:
        was, now = (to_physical(table.spec.scaling, table.raw[index].item()) for table in (before, after))
    except TableError:
        return ", which cannot be measured"
    share = percent(was, now)
    return f", by {_signed(now - was)}" + ("" if share is None else f" or {_signed(share)} %")


def _signed(value: Fraction) -> str:
    return ("+" if value > 0 else "") + shown_number(value)


def _allowed(most: Most, unit: str) -> str:
    parts = [] if most.absolute is None else [f"{shown_number(most.absolute)} {unit}".strip()]
    parts += [] if most.percent is None else [f"{shown_number(most.percent)} %"]
    return f"at most {' and '.join(parts)}"


def _surface_exceeds(surface: Surface, most: Most) -> bool:
    """Interpolated values are doubles, off by some last places; what is below that is let be."""
    with np.errstate(all="ignore"):
        change = np.abs(surface.after - surface.before)
        off = (np.abs(surface.after) + np.abs(surface.before)) * _OFF
        if not np.isfinite(change).all():
            return True
        if most.absolute is not None and (change - off > as_double(most.absolute)).any():
            return True
        if most.percent is None:
            return False
        return bool((change - off > np.abs(surface.before) * as_double(most.percent / 100)).any())


_OFF = 2.0**-40
"""of the size of an interpolated value"""
