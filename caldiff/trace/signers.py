"""Who signed the entries of a chain, and what that is worth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from caldiff.ledger.finding import Finding

if TYPE_CHECKING:
    from caldiff.ledger.chain import Chain
    from caldiff.ledger.trust import SignatureState, Trust

__all__ = ["States", "signature_findings", "signature_states"]

States = tuple["SignatureState", ...]
"""of one entry"""
_TOLD = 8
"""numbers of entries that are told"""


def signature_states(chain: Chain, trust: Trust | None) -> tuple[States, ...]:
    """What the signatures on every entry are worth, entry by entry.

    Raises:
        SignatureError: a trusted key cannot be read.
    """
    from caldiff.ledger.trust import signatures  # noqa: PLC0415 - most chains are asked without

    return tuple(signatures(one.envelope, one.entry.draft.time, trust) for one in chain.recorded)


def signature_findings(chain: Chain, states: Sequence[States]) -> tuple[str, tuple[Finding, ...]]:
    """How many entries are signed by trusted keys, in words, empty where none is; and what there is to say.

    Faults: a signature that is wrong, or of a time when its key did not hold. Remarks: entries without a signature that
    counts. Where none has one, nothing is said: the level is not checked then.
    """
    valid = sum(any(state.state == "valid" for state in signed) for signed in states)
    words = f"{valid} of {len(states)} entries are signed by trusted keys" if valid else ""
    return words, (*_faults(chain, states), *(_remarks(chain, states) if valid else ()))


def _faults(chain: Chain, states: Sequence[States]) -> Iterator[Finding]:
    for entry, signed in zip(chain.entries, states, strict=True):
        for state in signed:
            if state.state not in {"valid", "unknown key"}:
                yield Finding(level="signatures", text=state.text, unit=chain.unit, sequence=entry.sequence)


def _remarks(chain: Chain, states: Sequence[States]) -> Iterator[Finding]:
    """Once for all entries that are not signed, and once for each key that nobody trusts."""
    groups: dict[str, list[int]] = {}
    for entry, signed in zip(chain.entries, states, strict=True):
        if not signed:
            groups.setdefault("not signed", []).append(entry.sequence)
        for state in signed:
            if state.state == "unknown key":
                groups.setdefault(state.text, []).append(entry.sequence)
    for text, numbers in groups.items():
        told = ", ".join(map(str, numbers[:_TOLD])) + (
            f" and {len(numbers) - _TOLD} more" if len(numbers) > _TOLD else ""
        )
        which = f"entry {told} is" if len(numbers) == 1 else f"entries {told} are"
        yield Finding(level="signatures", text=f"{which} {text}", fault=False, unit=chain.unit)
