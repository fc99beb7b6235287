"""A verdict as text for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from caldiff.gate.verdict import FileVerdict, Refusal, Verdict
from caldiff.render.look import Look, pad, plural, wrapped
from caldiff.render.verdict_words import Passed, caution, entry_words, facts, headline, judged, reasons, tally, tame

__all__ = ["reason_lines", "verdict_text"]

_COLUMN = 11
"""of outcomes"""


def verdict_text(verdict: Verdict, passed: Sequence[Passed], look: Look, *, explain: bool = False) -> str:
    """The answer, then every file with its reasons; with ``explain`` every rule and what it read."""
    sign = "" if verdict.accepted else "! "
    out = [look.paint(sign + headline(verdict), "strong" if verdict.accepted else "alert")]
    out += _filled(f"policy {verdict.policy} ({verdict.policy_digest.short}), vault {verdict.vault}", look)
    for file in judged(verdict):
        out += ["", *_file(file, look, explain=explain)]
    if passed:
        out += ["", look.paint("Not judged, for it is no image", "strong")]
        for one in passed:
            out += _filled(f"{one.path}: {one.reason}", look, indent=2)
    if verdict.notes:
        out += ["", look.paint("Notes", "strong")]
        for note in verdict.notes:
            out += _filled(note, look, indent=2)
    for text in caution(verdict):
        out += ["", *wrapped(text, look.width)]
    return "\n".join(out) + "\n"


def _filled(text: str, look: Look, *, indent: int = 0, lead: str = "") -> list[str]:
    return wrapped(look.text(tame(text)), look.width, indent=indent, lead=lead)


def _file(file: FileVerdict, look: Look, *, explain: bool) -> Iterator[str]:
    sign = "" if file.accepted else "! "
    yield look.paint(sign + look.text(tame(file.path)), "strong")  # in one piece: a path in two is no path to copy
    entry = entry_words(file.unit, file.sequence)
    traced = f"traced to {entry}" if entry else "traced to no entry"
    word = "accepted" if file.accepted else f"refused, {plural(len(reasons(file)), 'reason')}"
    yield from _filled(f"{word}; {traced}; {tally(file)}", look, indent=2)
    yield from _rules(file, look) if explain else reason_lines(reasons(file), look, indent=2)


def reason_lines(refusals: Iterable[Refusal], look: Look, *, indent: int = 0) -> Iterator[str]:
    """Every reason, with its facts below it."""
    for refusal in refusals:
        yield from _filled(f"{refusal.rule}: {refusal.text}", look, indent=indent + 2, lead=" " * indent + "!")
        for label, text in facts(refusal):
            yield from _filled(text, look, indent=indent + 12, lead=f"{' ' * (indent + 4)}{label}:")


def _rules(file: FileVerdict, look: Look) -> Iterator[str]:
    """Every rule, how it came out and what it read, with the reasons below it."""
    left = list(reasons(file))
    for rule in file.rules:
        sign = "!" if rule.outcome == "refused" else " "
        text = rule.rule if not rule.read else f"{rule.rule}: {rule.read}"
        yield from _filled(text, look, indent=4 + _COLUMN, lead=f"  {sign} {pad(rule.outcome, _COLUMN)}")
        yield from reason_lines((one for one in left if one.rule == rule.rule), look, indent=4)
        left = [one for one in left if one.rule != rule.rule]
    yield from reason_lines(left, look, indent=2)
