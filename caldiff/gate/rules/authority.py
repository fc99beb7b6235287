"""Which entry of a lineage answers for something that needs an authority, and does not name one."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from caldiff.diff.model import Comparison
from caldiff.gate.case import Case
from caldiff.ledger.chain import Recorded
from caldiff.ledger.entry import Revision

__all__ = ["Touched", "What", "unauthorised"]

What = tuple[str, int | None]
"""a table or what else, in words, and an address"""
Touched = Callable[[Comparison], dict[str, What]]
"""What a comparison touches that needs an authority, by the word that the authority is named for. May raise
CaldiffError."""


def unauthorised(case: Case, rule: str, touched: Touched) -> Iterator[tuple[Recorded, str, What]]:
    """What was touched on the way from the baseline without an authority: the entry, the word, what.

    The file's own entry answers for all that differs from its parent; those before it for what still differs from the
    baseline. Raises CaldiffError.
    """
    lasting = touched(case.against_baseline)
    steps = [(one, _step(case, one, rule, touched)) for one in case.lineage[:-1]]
    for recorded, own in steps:
        named = _authorities(recorded)
        for word, what in own.items():
            if (recorded is case.recorded or word in lasting) and not named.get(word, "").strip():
                yield recorded, word, what
    for word, what in lasting.items():
        if not any(word in own for _, own in steps):  # no step is to blame, so the file's own entry answers for it
            yield case.recorded, word, what


def _step(case: Case, recorded: Recorded, rule: str, touched: Touched) -> dict[str, What]:
    """What one step touched; noted, since every later revision asks for it again."""
    if recorded is case.recorded:
        comparison = case.step(recorded)
        return {} if comparison is None else touched(comparison)
    key = (rule, recorded.entry.hash, None if case.definition is None else case.definition.digest)
    if key not in case.bench.noted:
        comparison = case.step(recorded)
        case.bench.noted[key] = {} if comparison is None else touched(comparison)
    noted: dict[str, What] = case.bench.noted[key]
    return noted


def _authorities(recorded: Recorded) -> dict[str, str]:
    body = recorded.entry.body
    return dict(body.authorities) if isinstance(body, Revision) else {}
