"""Enough people, none of whom made it, approved this very revision."""

from __future__ import annotations

from collections.abc import Iterator

from caldiff.gate.case import Case
from caldiff.gate.policy import Approvals
from caldiff.gate.rules.answering import answer, counted, not_asked
from caldiff.gate.verdict import Refusal, RuleOutcome
from caldiff.ledger.chain import Recorded
from caldiff.ledger.entry import Approval

__all__ = ["RULE", "approval"]

RULE = "approval"


def approval(case: Case) -> RuleOutcome:
    """Approvals are entries about the file's entry; people are told apart by name."""
    wanted = case.policy.approval
    if wanted is None:
        return not_asked(RULE)
    approvals = [one for one in case.chain.about(case.entry.hash) if isinstance(one.entry.body, Approval)]
    makers = _makers(case)
    people = {_same(name): name for one in approvals for name in _people(case, one, wanted)}
    others = sorted(name for same, name in people.items() if same not in makers)
    read = f"{counted(len(approvals), 'approval')}; people who count: {', '.join(others) or 'none'}"
    return answer(RULE, read, _refusals(wanted, makers, others, read))


def _refusals(wanted: Approvals, makers: frozenset[str], others: list[str], read: str) -> Iterator[Refusal]:
    signed = ", by a valid signature" if wanted.signed else ""
    people = f"{counted(wanted.people, 'person', 'people')} other than the author"
    if not makers:
        yield Refusal(
            rule=RULE,
            text="nobody can tell whether those who approved made it themselves",
            found="an entry without author and signature",
            wanted="an entry that names its author, or is signed with a trusted key",
        )
    if len(others) < wanted.people:
        yield Refusal(
            rule=RULE,
            text="approvals are missing",
            found=read,
            wanted=f"{people}, as {' or '.join(wanted.roles)}{signed}",
        )


def _same(name: str) -> str:
    """A name as it is told apart from others: its spelling in capitals and blanks does not count."""
    return " ".join(name.split()).casefold()


def _makers(case: Case) -> frozenset[str]:
    """Who made the revision: its author, and whoever signed it."""
    names = {case.entry.draft.author, *case.signers(case.recorded)}
    return frozenset(_same(name) for name in names if name.strip())


def _people(case: Case, recorded: Recorded, wanted: Approvals) -> frozenset[str]:
    """Who approves by an entry: those who signed it in a role that counts, or its author where that is enough."""
    if not case.counts(recorded):
        return frozenset()
    if wanted.signed:
        return case.signers(recorded, wanted.roles)
    body = recorded.entry.body
    author = recorded.entry.draft.author
    named = isinstance(body, Approval) and body.role in wanted.roles and author.strip()
    return frozenset({author}) if named else frozenset()
