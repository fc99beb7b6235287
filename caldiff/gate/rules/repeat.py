"""The baseline was read again, and came out the same, volatile regions aside."""

from __future__ import annotations

from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger.entry import Repeat

__all__ = ["RULE", "repeat"]

RULE = "repeat"


def repeat(case: Case) -> RuleOutcome:
    """So many repeat reads must agree with the baseline; reckoned from the bytes.

    Another one that differs is told, and refuses nothing: two reads of many thousand bytes do not agree by chance.
    """
    wanted = case.policy.repeat
    if wanted is None:
        return not_asked(RULE)
    baseline = case.baseline
    reads = [
        one
        for one in case.chain.recorded
        if isinstance(one.entry.body, Repeat) and one.entry.body.baseline == baseline.entry.hash
    ]
    agreeing = [one for one in reads if case.confirms(one, baseline)]
    counting = [one for one in agreeing if case.counts(one)]
    differing = len(reads) - len(agreeing)
    read = f"{counted(len(reads), 'repeat read')}, {len(agreeing)} agree, {differing} differ"
    if len(counting) < len(agreeing):
        read += f", {len(agreeing) - len(counting)} not signed as asked"
    if len(counting) >= wanted.least:
        return answer(RULE, read)
    refusal = Refusal(
        rule=RULE,
        text="the baseline is not confirmed by a repeat read",
        found=read,
        wanted=f"{counted(wanted.least, 'repeat read')} equal to the baseline, volatile regions aside",
        unit=baseline.entry.unit,
        sequence=baseline.entry.sequence,
    )
    return answer(RULE, read, [refusal])
