"""Every value keeps to the policy's physical limits, and to the definition's."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.cells import limit_refusals
from caldiff.gate.rules.answering import answer, not_asked
from caldiff.gate.rules.tables import changed_cells, matching, meant, unmatched
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "limits"]

RULE = "limits"


def limits(case: Case) -> RuleOutcome:
    """Of all cells, or of those that differ from the baseline."""
    wanted = case.policy.limits
    if not wanted:
        return not_asked(RULE)
    tables = [limit.tables for limit in wanted]
    refusals = [*unmatched(case, tables, RULE), *case.scanned(RULE), *_changed(case)]
    return answer(RULE, meant(case, tables), refusals)


def _changed(case: Case) -> Iterator[Refusal]:
    for limit in case.policy.limits or ():
        if limit.cells != "changed":
            continue
        for diff in matching(case.against_baseline, limit.tables):
            where = changed_cells(diff)
            if where is not None and diff.after is not None:
                yield from limit_refusals(diff.after, limit, where)
            elif diff.state != "removed":
                text = f"table {diff.name} cannot be read"
                yield Refusal(rule=RULE, text=text, found=diff.reason, wanted="a table that can", table=diff.name)
