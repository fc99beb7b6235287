"""No value is too far from its neighbour."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.cells import step_refusals
from caldiff.gate.rules.answering import answer, not_asked
from caldiff.gate.rules.tables import changed_cells, matching, meant, unmatched
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "steps"]

RULE = "steps"


def steps(case: Case) -> RuleOutcome:
    """Between all cells, or at those that differ from the baseline."""
    wanted = case.policy.steps
    if not wanted:
        return not_asked(RULE)
    tables = [step.tables for step in wanted]
    refusals = [*unmatched(case, tables, RULE), *case.scanned(RULE), *_changed(case)]
    return answer(RULE, meant(case, tables), refusals)


def _changed(case: Case) -> Iterator[Refusal]:
    for step in case.policy.steps or ():
        if step.cells != "changed":
            continue
        for diff in matching(case.against_baseline, step.tables):
            where = changed_cells(diff)
            if where is not None and diff.after is not None:
                yield from step_refusals(diff.after, step, where)
            elif diff.state != "removed":
                text = f"table {diff.name} cannot be read"
                yield Refusal(rule=RULE, text=text, found=diff.reason, wanted="a table that can", table=diff.name)
