"""Trouble told to people: the one place where the facts of an error become a paragraph."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from caldiff.errors import CaldiffError, DefinitionError, ProblemsError
from caldiff.render.look import harmless

__all__ = ["paragraph", "tell", "warn"]

_PROBLEMS = 100
_BUG = "this is a fault of caldiff itself, and no answer about the files; please report it with what stands above"


_OPTIONS = {
    "the format binary": "--format binary",
    "size limit": "--limit",
    "span limit": "--limit",
    "raise the limits": "--limit",
    "name the one to use": "--definition NAME",
    "name a definition": "--definition, --definitions",
}
"""What a hint asks for, and the option that does it: the rooms that give hints know of no options."""


def tell(error: Exception) -> None:
    """Write the error to standard error."""
    if isinstance(error, CaldiffError):
        _write(paragraph(error))
        return
    if isinstance(error, MemoryError):
        _write("caldiff: there is not enough memory for this\n")
        return
    if isinstance(error, OSError) and error.strerror:
        place = f"{error.filename}: " if error.filename else ""
        _write(f"caldiff: {harmless(f'{place}{error.strerror}')}\n")
        return
    from traceback import format_exception  # noqa: PLC0415 - only for a bug

    text = "".join(format_exception(error))
    _write("\n".join(harmless(line) for line in text.splitlines()) + f"\ncaldiff: {_BUG}\n")


def warn(text: str) -> None:
    """Write a warning to standard error."""
    _write(f"caldiff: warning: {harmless(text)}\n")


def paragraph(error: CaldiffError) -> str:
    """An error as text: place and reason, what was expected and found, what to do next."""
    if isinstance(error, ProblemsError) and len(error.problems) > 1:
        problems = error.problems
        what = "the definition" if isinstance(error, DefinitionError) else harmless(error.file or "the file")
        lines = [f"caldiff: {len(problems)} problems in {what}"]
        for problem in problems[:_PROBLEMS]:
            lines += _lines(problem, "  ")
        if len(problems) > _PROBLEMS:
            lines.append(f"  and {len(problems) - _PROBLEMS} more")
    else:
        lines = list(_lines(error, "caldiff: "))
    return "\n".join(lines) + "\n"


def _lines(error: CaldiffError, lead: str) -> Iterator[str]:
    place = f"{error.place}: " if error.place else ""
    yield lead + harmless(f"{place}{error.reason}")
    indent = " " * len(lead)
    if error.expected:
        yield indent + harmless(f"expected: {error.expected}")
    if error.got:
        yield indent + harmless(f"got: {error.got}")
    if error.hint:
        options = dict.fromkeys(option for words, option in _OPTIONS.items() if words in error.hint)
        yield indent + harmless(f"hint: {error.hint}" + "".join(f" ({option})" for option in options))


def _write(text: str) -> None:
    """Whatever happens to standard error, the exit status must still be that of trouble."""
    stream = sys.stderr
    if stream is None:
        return
    try:
        encoding = stream.encoding or "ascii"
        stream.write(text.encode(encoding, "backslashreplace").decode(encoding))
        stream.flush()
    except (OSError, ValueError):
        return
