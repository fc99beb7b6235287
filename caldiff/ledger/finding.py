"""What a verification found, and how far it went. Every room that verifies speaks in these."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, get_args

import attrs

from caldiff.value import Value

__all__ = ["LEVELS", "Finding", "Level", "LevelState", "Proof", "State", "proof_of"]

Level = Literal["links", "bytes", "meaning", "signatures", "head"]
"""What a verification can go into, in this order: the chain by itself; every object there with its digest; changes
reckoned again with the recorded definition; who signed; and nothing missing that somebody outside had pinned."""
LEVELS: tuple[Level, ...] = get_args(Level)

State = Literal["held", "failed", "not checked"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Finding(Value):
    """Something that a verification has to say.

    Attributes:
        level: that it belongs to.
        text: one sentence without a full stop, in plain words.
        fault: the level has failed; else only a remark, such as recovery data that is not written yet.
        unit, sequence: the entry that it is about, where it is about one.
        file: path inside the vault, with slashes, where it is about a file.
        expected, got: what should have been there and what was, as text.
        hint: what to do next, one sentence.
    """

    level: Level
    text: str
    fault: bool = True
    unit: str | None = None
    sequence: int | None = None
    file: str | None = None
    expected: str | None = None
    got: str | None = None
    hint: str | None = None


@attrs.frozen(kw_only=True, eq=False, repr=False)
class LevelState(Value):
    """How one level ended. ``reason`` says why it was not checked, or what was checked (such as ``12 entries``)."""

    level: Level
    state: State
    reason: str = ""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Proof(Value):
    """All levels, in their order, and everything found."""

    levels: tuple[LevelState, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def sound(self) -> bool:
        """No level failed. One that was not checked proves nothing: ask :meth:`held` for what you need."""
        return all(level.state != "failed" for level in self.levels)

    def held(self, level: Level) -> bool:
        """Whether the level was checked and holds."""
        return any(one.level == level and one.state == "held" for one in self.levels)


def proof_of(checked: dict[Level, str], unchecked: dict[Level, str], findings: Iterable[Finding]) -> Proof:
    """The proof from what was checked (level to what that was), what was not (level to why), and what was found."""
    found = tuple(findings)
    failed = {finding.level for finding in found if finding.fault}
    levels = []
    for level in LEVELS:
        if level in failed:
            levels.append(LevelState(level=level, state="failed", reason=checked.get(level, "")))
        elif level in checked:
            levels.append(LevelState(level=level, state="held", reason=checked[level]))
        else:
            levels.append(LevelState(level=level, state="not checked", reason=unchecked.get(level, "not asked for")))
    return Proof(levels=tuple(levels), findings=found)
