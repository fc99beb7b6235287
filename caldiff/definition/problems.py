"""What is wrong with a definition, before it is known in which file and line it stands."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any

import attrs

from caldiff.errors import CaldiffError

__all__ = ["MOST_KEPT", "Path", "Problem", "Wrong", "as_error", "intended", "seen"]

Path = tuple[str | int, ...]
"""the way to a value: keys and positions from the top of the file; an item of ``regions`` also by its name"""

_LONGEST_SHOWN = 40
MOST_KEPT = 10_000
"""problems of one kind after which nobody looks for more; fewer are shown"""


@attrs.frozen
class Problem:
    """One thing that is wrong. ``line`` and ``column`` are set where the YAML parser knew them, else the path tells."""

    reason: str
    expected: str | None = attrs.field(default=None, kw_only=True)
    got: str | None = attrs.field(default=None, kw_only=True)
    hint: str | None = attrs.field(default=None, kw_only=True)
    path: Path = attrs.field(default=(), kw_only=True)
    word: str | None = attrs.field(default=None, kw_only=True)
    """a word that was not known; ``words`` are those that it may have been meant to be"""
    words: Iterable[str] = attrs.field(default=(), kw_only=True, repr=False)
    at_key: bool = attrs.field(default=False, kw_only=True)
    """the key is wrong rather than its value"""
    whole: bool = attrs.field(default=False, kw_only=True)
    """it is the file that has the image which lacks something, whatever it inherits"""
    line: int | None = attrs.field(default=None, kw_only=True)
    column: int | None = attrs.field(default=None, kw_only=True)

    def under(self, *steps: str | int) -> Problem:
        """The same problem, its path seen from further out."""
        return attrs.evolve(self, path=(*steps, *self.path))


class Wrong(Exception):  # noqa: N818 - says what is wrong; it never leaves this room
    """Raised within this room only: the value just read has these problems.

    Made of the problems, or of the reason and the facts of a single one (see :class:`Problem`).
    """

    def __init__(self, reason: str | Iterable[Problem], **facts: Any) -> None:
        super().__init__(reason)
        self.problems = [Problem(reason, **facts)] if isinstance(reason, str) else list(reason)

    def under(self, *steps: str | int) -> list[Problem]:
        """The problems with their paths seen from further out."""
        return [p.under(*steps) for p in self.problems]


def as_error(problem: Problem, *, file: str, line: int | None, column: int | None) -> CaldiffError:
    """The problem as an error at a place of a file, with the word that was probably meant."""
    steps = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in problem.path)
    return CaldiffError(
        f"{steps.lstrip('.')}: {problem.reason}" if steps else problem.reason,
        file=file,
        line=line,
        column=column,
        expected=problem.expected,
        got=problem.got,
        hint=(intended(problem.word, problem.words) if problem.word else None) or problem.hint,
    )


def seen(value: object) -> str:
    """A value as a message shows it."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case dict() | list():
            return "a mapping" if isinstance(value, dict) else "a list"
        case str():
            text = f"{value[:_LONGEST_SHOWN]}..." if len(value) > _LONGEST_SHOWN else value
            return text if type(value) is not str else f'"{text}"'
        case int():
            return str(value) if abs(value) < 10**_LONGEST_SHOWN else "a very large number"
        case _:
            return type(value).__name__


def intended(word: str, words: Iterable[str]) -> str | None:
    """A hint with the word that was probably meant, if one comes near. Slow: it looks at all of them."""
    near = difflib.get_close_matches(word[:100], words, n=1)
    return f"did you mean {near[0]}?" if near else None
