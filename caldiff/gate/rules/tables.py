"""What rules about tables share: which tables are meant, and which of their cells differ from the baseline."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from caldiff.diff.model import Comparison, TableDiff
from caldiff.gate.case import Case
from caldiff.gate.policy import Tables
from caldiff.gate.rules.answering import counted
from caldiff.gate.sizes import Mask
from caldiff.gate.verdict import Refusal

__all__ = ["changed_cells", "matching", "meant", "unmatched"]


def meant(case: Case, tables: Iterable[Tables]) -> str:
    """What the patterns mean in this image's definition, in words."""
    definition = case.definition
    if definition is None:
        return "no definition"
    matched = case.bench.scans.matched
    return ", ".join(f"{t.pattern} ({counted(len(matched.names(definition, t)), 'table')})" for t in tables)


def unmatched(case: Case, tables: Iterable[Tables], rule: str) -> Iterator[Refusal]:
    """A refusal for each pattern that must match and does not, or cannot since there is no definition."""
    for one in tables:
        definition = case.definition
        if definition is None:
            yield Refusal(
                rule=rule,
                text=f"tables {one.pattern} cannot be found",
                found="no definition",
                wanted="a definition with such tables",
            )
        elif not one.optional and not case.bench.scans.matched.names(definition, one):
            yield Refusal(
                rule=rule,
                text=f"no table is called {one.pattern}",
                found=f"{len(definition.tables)} tables in definition {definition.name}, none of them",
                wanted="such a table, or optional: true in the policy",
            )


def matching(comparison: Comparison, tables: Tables) -> Iterator[TableDiff]:
    """The tables that differ and are meant, by their specification on either side."""
    for diff in comparison.tables:
        specs = [side.spec for side in (diff.after, diff.before) if side is not None]
        for calibration in (comparison.after, comparison.before):
            found = None if calibration.definition is None else calibration.definition.find_table(diff.name)
            specs += [] if found is None else [found]
        if any(tables.match(spec) for spec in specs):
            yield diff


def changed_cells(diff: TableDiff) -> Mask | None:
    """True per cell of the table after that differs; all where they cannot be matched; None where it cannot be read.

    Where an axis moved, every cell stands at another operating point.
    """
    if diff.after is None:
        return None
    if diff.changed is None or diff.moved or diff.changed.shape != diff.after.raw.shape:
        return np.ones(diff.after.raw.shape, np.bool_)
    return diff.changed
