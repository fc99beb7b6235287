"""The unit's chain is proven as far as the policy wants it, and nothing that was looked at has failed."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "proof"]

RULE = "proof"
_TOLD = 3
"""faults told by level"""


def proof(case: Case) -> RuleOutcome:
    """Always asked."""
    states = ", ".join(f"{one.level} {one.state}" for one in case.proof.levels)
    return answer(RULE, f"{states}; wanted {', '.join(case.policy.proof)}", _refusals(case))


def _refusals(case: Case) -> Iterator[Refusal]:
    told = {one.level: one for one in case.proof.levels}
    for level in case.policy.proof:
        if level not in told or told[level].state == "not checked":
            reason = told[level].reason if level in told else ""
            yield Refusal(
                rule=RULE,
                text=f"{level} were not checked" if level != "head" else "the head was not checked",
                found=reason or "nothing to check it with",
                wanted=_WANTED[level],
            )
    for state in told.values():
        if state.state == "failed":
            yield from _failed(case, state.level)


_WANTED = {
    "links": "a chain whose every entry names the one before it",
    "bytes": "every file that the chain names, with its digest",
    "meaning": "changes that come out the same when they are reckoned again",
    "signatures": "a file of trusted keys, and signatures that are right",
    "head": "a head or a checkpoint that was kept outside the vault",
}


def _failed(case: Case, level: str) -> Iterator[Refusal]:
    faults = [finding for finding in case.proof.findings if finding.fault and finding.level == level]
    for fault in faults[:_TOLD]:
        yield Refusal(
            rule=RULE,
            text=fault.text,
            found=fault.got or fault.file or "",
            wanted=fault.expected or _WANTED[level],
            unit=fault.unit,
            sequence=fault.sequence,
        )
    if not faults or len(faults) > _TOLD:
        more = len(faults) - _TOLD
        text = f"and {more} faults more in {level}" if faults else f"{level} did not hold"
        yield Refusal(rule=RULE, text=text, wanted=_WANTED[level])
