"""Every axis that a table hangs on rises strictly."""

from __future__ import annotations

from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "axes"]

RULE = "axes"


def axes(case: Case) -> RuleOutcome:
    """Of all tables, shared or their own; stored counts keep to the room."""
    if not case.policy.axes:
        return not_asked(RULE)
    definition = case.definition
    if definition is None:
        text = "nothing says where the axes are"
        refusal = Refusal(rule=RULE, text=text, found="no definition", wanted="a definition with the axes")
        return answer(RULE, "no definition", [refusal])
    read = f"the axes of {counted(len(definition.tables), 'table')}"
    return answer(RULE, read, case.scanned(RULE))
