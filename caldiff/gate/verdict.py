"""``Verdict``: may these files go out, and why not. A refusal is an answer, never an exception."""

from __future__ import annotations

from typing import Literal

import attrs

from caldiff.canonical import Digest
from caldiff.value import Shown, Value

__all__ = ["FileVerdict", "Outcome", "Refusal", "RuleOutcome", "Verdict"]

Outcome = Literal["held", "refused", "not asked"]
"""``not asked``: the policy does not ask for it. What cannot be told is refused."""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Refusal(Value):
    """One reason not to let a file out.

    Attributes:
        rule: its name in the policy, such as ``unexplained``.
        text: what is wrong, one sentence without a full stop.
        found: what was found, as text.
        wanted: what would satisfy the rule, as text.
        address, table: where, if it is about a place in the image.
        unit, sequence: the entry, if it is about one.
    """

    rule: str
    text: str
    found: str = ""
    wanted: str = ""
    address: int | None = None
    table: str | None = None
    unit: str | None = None
    sequence: int | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class RuleOutcome(Value):
    """How one rule came out for one file. ``read`` is what it looked at, in words, for ``--explain``."""

    rule: str
    outcome: Outcome
    read: str = ""
    refusals: tuple[Refusal, ...] = ()


@attrs.frozen(kw_only=True, eq=False, repr=False)
class FileVerdict(Value):
    """The answer for one file.

    Attributes:
        path: as it was given. file: the digest of its bytes; None where it could not be read.
        unit, sequence: the entry that it was traced to; None where it was to none.
        rules: every rule, in the policy's order.
    """

    path: str
    file: Digest | None = None
    unit: str | None = None
    sequence: int | None = None
    rules: tuple[RuleOutcome, ...] = ()

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """All reasons, in the order of the rules."""
        return tuple(refusal for rule in self.rules for refusal in rule.refusals)

    @property
    def accepted(self) -> bool:
        """It may go out: it was traced, rules were asked, and none was refused."""
        return self.unit is not None and bool(self.rules) and all(r.outcome != "refused" for r in self.rules)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Verdict(Shown):
    """The answer for all files. ``policy`` and ``policy_digest`` name what was asked; ``vault`` where was looked."""

    policy: str
    policy_digest: Digest
    vault: str
    files: tuple[FileVerdict, ...]
    notes: tuple[str, ...] = ()

    @property
    def accepted(self) -> bool:
        """Every file may go out, and there was at least one."""
        return bool(self.files) and all(file.accepted for file in self.files)

    @property
    def refusals(self) -> tuple[tuple[FileVerdict, Refusal], ...]:
        """Every reason with its file."""
        return tuple((file, refusal) for file in self.files for refusal in file.refusals)

    def __repr__(self) -> str:
        word = "accepted" if self.accepted else "refused"
        return f"<Verdict: {word}, {len(self.files)} files, {len(self.refusals)} reasons>"
