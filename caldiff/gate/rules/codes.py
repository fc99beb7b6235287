"""A trouble code is switched off only under an authority that the entry names for it."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.diff.codes import listed_codes, switched_codes
from caldiff.diff.model import Comparison
from caldiff.gate.case import Case
from caldiff.gate.policy import Codes
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.rules.authority import What, unauthorised
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger.chain import Recorded

__all__ = ["RULE", "codes"]

RULE = "codes"


def codes(case: Case) -> RuleOutcome:
    """Each step that switched a code off, which is off still, must name the authority for that code."""
    wanted = case.policy.codes
    if wanted is None:
        return not_asked(RULE)
    listed = _listed(case)
    read = f"{counted(len(listed), 'code')} that the definition lists" if listed else "the definition lists no codes"
    blamed = (_refusal(*one) for one in unauthorised(case, RULE, _switched_off))
    return answer(RULE, read, [*_blind(case, wanted, listed), *blamed])


def _listed(case: Case) -> frozenset[str]:
    """The codes of the definition, looked for once in all its tables."""
    if case.definition is None:
        return frozenset()
    key = (RULE, case.definition.digest)
    if key not in case.bench.noted:
        case.bench.noted[key] = listed_codes(case.bench.scans.matched.specs(case.definition))
    noted: frozenset[str] = case.bench.noted[key]
    return noted


def _blind(case: Case, wanted: Codes, listed: frozenset[str]) -> Iterator[Refusal]:
    """Where the definition cannot tell what switches codes off."""
    if case.definition is None:
        text = "nothing says which bytes switch trouble codes off"
        yield Refusal(rule=RULE, text=text, found="no definition", wanted="a definition with codes")
    elif not listed and wanted.unlisted == "refused":
        text = "no table is known to switch trouble codes off"
        yield Refusal(rule=RULE, text=text, found=f"definition {case.definition.name}", wanted="tables with codes")


def _switched_off(comparison: Comparison) -> dict[str, What]:
    """By code, what switches it off, or may do so."""
    return {
        one.code: (f"{', '.join(one.flags)} of table {one.table}" if one.flags else f"table {one.table}", one.address)
        for one in switched_codes(comparison)
        if one.state != "on"
    }


def _refusal(recorded: Recorded, code: str, what: What) -> Refusal:
    text, address = what
    entry = recorded.entry
    return Refusal(
        rule=RULE,
        text=f"{code} was switched off without an authority",
        found=f"{text}, and entry {entry.sequence} names no authority for {code}",
        wanted=f"an authority for {code}, named when the revision is recorded; or {code} as it was",
        address=address,
        table=text.rpartition("table ")[2],
        unit=entry.unit,
        sequence=entry.sequence,
    )
