"""What every way of showing a verdict says in the same words; a refusal without a reason gets one here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import attrs

from caldiff.gate.verdict import FileVerdict, Refusal, Verdict
from caldiff.render.look import harmless, plural
from caldiff.value import Value

__all__ = [
    "CAUTION",
    "Passed",
    "caution",
    "entry_words",
    "facts",
    "headline",
    "judged",
    "one_line",
    "reasons",
    "tally",
    "tame",
]

CAUTION = (
    "Accepted means traced and within this policy, not safe: verify on your own bench, mind the emissions and vehicle "
    "law of the place, have licensed people decide."
)
_UNPROVEN = Refusal(
    rule="gate",
    text="nothing was proven of this file",
    found="no rule that held",
    wanted="an entry of the vault that it traces to, and rules that hold",
)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Passed(Value):
    """What lies in a folder that was named and was not judged, and why it need not be."""

    path: str
    reason: str


def caution(verdict: Verdict) -> tuple[str, ...]:
    """What an acceptance does not mean, where there is one."""
    return (CAUTION,) if any(file.accepted for file in verdict.files) else ()


def tally(file: FileVerdict) -> str:
    """How the rules came out, in words."""
    counts = Counter(rule.outcome for rule in file.rules)
    told = [plural(counts["held"], "rule") + " held"]
    if counts["refused"]:
        told.append(f"{counts['refused']:,} refused")
    if counts["not asked"]:
        told.append(f"{counts['not asked']:,} not asked")
    return ", ".join(told)


def judged(verdict: Verdict) -> Sequence[FileVerdict]:
    """The files of the verdict. Where there is none, one that says so: no way of showing it can come out as nothing."""
    return verdict.files or (FileVerdict(path="(no file)"),)


def reasons(file: FileVerdict) -> tuple[Refusal, ...]:
    """Why the file is refused: at least one reason where it is, none where it is not."""
    if file.accepted:
        return ()
    bare = (r for r in file.rules if r.outcome == "refused" and not r.refusals)
    found = (*file.refusals, *(Refusal(rule=r.rule, text="it does not hold", found=r.read) for r in bare))
    return found or (_UNPROVEN,)


def headline(verdict: Verdict) -> str:
    """The whole answer in one line."""
    files = judged(verdict)
    if verdict.accepted:
        return f"accepted: {plural(len(files), 'file')}"
    refused = [file for file in files if not file.accepted]
    count = sum(len(reasons(file)) for file in refused)
    return f"refused: {len(refused):,} of {plural(len(files), 'file')}, {plural(count, 'reason')}"


def entry_words(unit: str | None, sequence: int | None) -> str:
    """An entry, or a unit; empty where there is neither."""
    if unit is None:
        return "" if sequence is None else f"entry {sequence}"
    return unit if sequence is None else f"entry {sequence} of {unit}"


def facts(refusal: Refusal) -> Iterator[tuple[str, str]]:
    """What is known beside the reason, as label and text: the place, what was found, what would satisfy the rule."""
    address = "" if refusal.address is None else f"0x{refusal.address:08X}"
    table = "" if refusal.table is None else f"table {refusal.table}"
    place = ", ".join(p for p in (table, address, entry_words(refusal.unit, refusal.sequence)) if p)
    for label, text in (("at", place), ("found", refusal.found), ("wanted", refusal.wanted)):
        if text:
            yield label, text


def one_line(refusal: Refusal) -> str:
    """A refusal with its facts, for where there is one line only."""
    return "; ".join((refusal.text, *(f"{label}: {text}" for label, text in facts(refusal))))


def tame(foreign: str) -> str:
    r"""Harmless text that no CI runner takes for a command.

    Runners read every line that a job prints, and act on ``::name::`` at its beginning or ``##name[`` anywhere (common
    practice, no source). So two colons, and two number signs, come out as ``:\x3a`` and ``#\x23``.
    """
    return harmless(foreign).replace("::", r":\x3a").replace("##", r"#\x23")
