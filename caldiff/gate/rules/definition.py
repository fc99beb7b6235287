"""The definition that the entry was recorded with is known: it decides what is protected and what is explained."""

from __future__ import annotations

from caldiff.errors import CaldiffError
from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome

__all__ = ["RULE", "definition"]

RULE = "definition"


def definition(case: Case) -> RuleOutcome:
    """One of the places that the policy lists must know it."""
    wanted = case.policy.definition
    if wanted is None:
        return not_asked(RULE)
    ours = case.definition
    if ours is None:
        refusal = Refusal(
            rule=RULE,
            text="the image was recorded without a definition",
            found="none",
            wanted="a definition that fits it, when it is recorded",
        )
        return answer(RULE, "no definition", [refusal])
    places = []
    if "catalogue" in wanted.known and ours.digest in case.bench.known:
        places.append("the catalogue")
    if "baseline" in wanted.known and _of_baseline(case) == ours.digest:
        places.append("the baseline")
    read = f"{ours.name}, {ours.digest.short}"
    if places:
        return answer(RULE, f"{read}, known from {' and '.join(places)}")
    refusal = Refusal(
        rule=RULE,
        text="the definition that the image was recorded with is not a known one",
        found=read,
        wanted=f"the same definition in {' or '.join(f'the {place}' for place in wanted.known)}",
    )
    return answer(RULE, read, [refusal])


def _of_baseline(case: Case) -> object:
    try:
        facts = case.baseline.entry.image
    except CaldiffError:
        return None
    return facts.definition.digest if facts is not None and facts.definition is not None else None
