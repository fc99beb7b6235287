"""Every entry that the file descends from is signed by the people who should have signed it."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger.chain import Recorded

__all__ = ["RULE", "signatures"]

RULE = "signatures"


def signatures(case: Case) -> RuleOutcome:
    """Of the entry and all down to its baseline; other entries count in other rules only if signed as asked here."""
    if not case.policy.signatures:
        return not_asked(RULE)
    kinds = ", ".join(signed.kind for signed in case.policy.signatures)
    trust = case.bench.trust
    keys = "no trusted keys" if trust is None else f"{counted(len(trust.keys), 'trusted key')} of {trust.name}"
    read = f"{counted(len(case.lineage), 'entry', 'entries')} down to the baseline, with {keys}; asked of {kinds}"
    return answer(RULE, read, _refusals(case))


def _refusals(case: Case) -> Iterator[Refusal]:
    for recorded in case.lineage:
        wrong = [state.text for state in case.states(recorded) if state.state == "wrong"]
        if wrong:
            yield _refusal(recorded, "a signature is wrong", "; ".join(wrong), "signatures that are right")
        wanted = case.policy.signed(recorded.entry.kind)
        if wanted is None or case.counts(recorded):
            continue
        states = case.states(recorded)
        roles = " or ".join(wanted.roles)
        found = "; ".join(state.text for state in states) or "it is not signed"
        if case.bench.trust is None:
            found = f"there is no file of trusted keys, and {found}"
        who = counted(wanted.people, "person", "people")
        yield _refusal(recorded, "signatures are missing", found, f"signed by {who} as {roles}")


def _refusal(recorded: Recorded, text: str, found: str, wanted: str) -> Refusal:
    entry = recorded.entry
    return Refusal(
        rule=RULE,
        text=f"{text} on the {entry.kind}, entry {entry.sequence}",
        found=found,
        wanted=wanted,
        unit=entry.unit,
        sequence=entry.sequence,
    )
