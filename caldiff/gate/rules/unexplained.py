"""No byte differs that nothing explains, but in ranges that the policy lists with a reason."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.extents import outside
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "unexplained"]

RULE = "unexplained"


def unexplained(case: Case) -> RuleOutcome:
    """Against the parent and against the baseline."""
    if case.policy.unexplained is None:
        return not_asked(RULE)
    counts = [f"{counted(c.fates.unexplained, 'byte')} against the {side}" for side, c in case.comparisons]
    ranges = [f"0x{r.start:08X} to 0x{r.stop - 1:08X} ({r.reason})" for r in case.policy.unexplained]
    read = ", ".join(counts) + (f"; let be: {', '.join(ranges)}" if ranges else "")
    return answer(RULE, read, _refusals(case))


def _refusals(case: Case) -> Iterator[Refusal]:
    allowed = [(r.start, r.stop) for r in case.policy.unexplained or ()]
    for side, comparison in case.comparisons:
        left = outside(comparison.unexplained, allowed)
        if not left:
            continue
        count = sum(stop - start for start, stop in left)
        start, stop = left[0]
        where = f"0x{start:08X}" if stop - start == 1 else f"0x{start:08X} to 0x{stop - 1:08X}"
        more = f", and {counted(len(left) - 1, 'more run')}" if len(left) > 1 else ""
        yield Refusal(
            rule=RULE,
            text=f"{_differ(count)} from the {side}, and nothing explains {'it' if count == 1 else 'them'}",
            found=where + more,
            wanted="a definition that says what they are, or the range in the policy with a reason",
            address=start,
        )


def _differ(count: int) -> str:
    return "1 byte differs" if count == 1 else f"{count} bytes differ"
