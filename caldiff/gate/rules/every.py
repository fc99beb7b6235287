"""All rules, in the order in which they are asked and told."""

from __future__ import annotations

from collections.abc import Callable

from caldiff.gate.case import Case
from caldiff.gate.rules.approval import approval
from caldiff.gate.rules.axes import axes
from caldiff.gate.rules.changes import changes
from caldiff.gate.rules.checksums import checksums
from caldiff.gate.rules.codes import codes
from caldiff.gate.rules.definition import definition
from caldiff.gate.rules.evidence import evidence
from caldiff.gate.rules.identity import identity
from caldiff.gate.rules.limits import limits
from caldiff.gate.rules.proof import proof
from caldiff.gate.rules.protected import protected
from caldiff.gate.rules.repeat import repeat
from caldiff.gate.rules.signatures import signatures
from caldiff.gate.rules.steps import steps
from caldiff.gate.rules.traceability import traceability
from caldiff.gate.rules.unexplained import unexplained
from caldiff.gate.verdict import RuleOutcome

__all__ = ["RULES", "Rule"]

Rule = Callable[[Case], RuleOutcome]

RULES: dict[str, Rule] = {
    "traceability": traceability,
    "proof": proof,
    "definition": definition,
    "signatures": signatures,
    "repeat": repeat,
    "checksums": checksums,
    "unexplained": unexplained,
    "protected": protected,
    "codes": codes,
    "limits": limits,
    "changes": changes,
    "steps": steps,
    "axes": axes,
    "identity": identity,
    "evidence": evidence,
    "approval": approval,
}
