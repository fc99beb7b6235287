"""How a rule answers."""

from __future__ import annotations

from collections.abc import Iterable

from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["answer", "counted", "not_asked", "shortened"]

_MOST = 20
"""refusals told by one rule for one file, before the rest is only counted"""


def answer(rule: str, read: str, refusals: Iterable[Refusal] = ()) -> RuleOutcome:
    """Held where there is no reason not to; ``read`` says what was looked at."""
    found = tuple(refusals)
    return RuleOutcome(
        rule=rule, outcome="refused" if found else "held", read=read, refusals=shortened(rule, found) if found else ()
    )


def shortened(rule: str, refusals: tuple[Refusal, ...]) -> tuple[Refusal, ...]:
    """The first refusals, and one that counts the rest."""
    more = len(refusals) - _MOST
    if more <= 0:
        return refusals
    rest = Refusal(rule=rule, text=f"and {more} reasons more", found=f"{len(refusals)} in all", wanted="none")
    return (*refusals[:_MOST], rest)


def not_asked(rule: str) -> RuleOutcome:
    """The policy does not ask for it."""
    return RuleOutcome(rule=rule, outcome="not asked")


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 table``, ``2 tables``."""
    return f"{number} {one if number == 1 else many or one + 's'}"
