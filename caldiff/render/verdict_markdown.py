"""A verdict as Markdown, for a comment below a pull request.

Foreign text stands in code spans and fenced blocks only, where nothing in it is a link, a mention, HTML or markup.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import TypeVar

from caldiff.gate.verdict import FileVerdict, Verdict
from caldiff.render.look import Look, clip
from caldiff.render.verdict_text import reason_lines
from caldiff.render.verdict_words import Passed, caution, entry_words, headline, judged, reasons, tame

__all__ = ["verdict_markdown"]

T = TypeVar("T")

_ROOM = 15_000
"""characters of each of the three parts; a comment takes 65,536 on a well-known host (from memory)"""
_LINES = 60
"""of the reasons of one file"""
_LONGEST = 200
"""characters of one code span"""
_LOOK = Look(width=100)


def verdict_markdown(verdict: Verdict, passed: Sequence[Passed]) -> str:
    """The answer, a table of the files, the reasons of those that are refused; cut where it gets too long, and said."""
    files = sorted(judged(verdict), key=lambda file: file.accepted)  # the refused ones first, as the table may be cut
    refused = [file for file in files if not file.accepted]
    rest = [f"- {_code(one.path)} was not judged, for it is no image: {_code(one.reason)}" for one in passed]
    rest += [f"- {_code(note)}" for note in verdict.notes]
    out = [
        "## Calibration gate",
        "",
        f"**{headline(verdict)}**",
        "",
        f"Policy {_code(verdict.policy)} (`{verdict.policy_digest.short}`), vault {_code(verdict.vault)}.",
        "",
        "| File | Verdict | Entry | Reasons |",
        "|---|---|---|---|",
        *_capped(files, _row),
        "",
        *_capped(refused, _details),
        *(["### Notes", "", *_capped(rest, str), ""] if rest else []),
        *(f"*{text}*" for text in caution(verdict)),
    ]
    return "\n".join(out) + "\n"


def _row(file: FileVerdict) -> str:
    word = "accepted" if file.accepted else "**refused**"
    entry = entry_words(file.unit, file.sequence)
    return f"| {_code(file.path)} | {word} | {_code(entry) if entry else 'none'} | {len(reasons(file))} |"


def _details(file: FileVerdict) -> str:
    """Heading and reasons of a refused file."""
    lines = list(islice(reason_lines(reasons(file), _LOOK), _LINES + 1))
    if len(lines) > _LINES:
        lines[_LINES:] = ["... and more: see the log of the run"]
    text = "\n".join(lines)
    fence = "`" * max(3, _run(text) + 1)
    return f"### {_code(file.path)}\n\n{fence}text\n{text}\n{fence}\n"


def _capped(items: Sequence[T], show: Callable[[T], str]) -> Iterator[str]:
    """As many as there is room for, and how many there was none for."""
    left = _ROOM
    for n, item in enumerate(items):
        text = show(item)
        left -= len(text)
        if left < 0 and n:
            yield f"\n... and {len(items) - n} more: see the log of the run\n"
            return
        yield text


def _code(foreign: str) -> str:
    """A code span in which nothing is markup; a pipe, which ends the cell of a table even there, is shown escaped."""
    text = clip(tame(foreign).replace("|", r"\x7c"), _LONGEST, mark="…")
    fence = "`" * (_run(text) + 1)
    pad = " " if not text.strip() or text[0] in "` " or text[-1] in "` " else ""
    return f"{fence}{pad}{text}{pad}{fence}" if text else "(nothing)"


def _run(text: str) -> int:
    """The longest run of backticks."""
    return max(map(len, re.findall("`+", text)), default=0)
