"""How far a vault was proven, as text and as JSON. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from caldiff.ledger.finding import Finding, LevelState, Proof, State
from caldiff.render.look import Ink, Look, pad, plural, wrapped

if TYPE_CHECKING:  # a history shows its state of proof without the rooms that prove
    from caldiff.render.document import Json
    from caldiff.trace.verification import UnitProof, Verification
    from caldiff.vault.repair import Repaired

__all__ = ["finding_lines", "finding_part", "level_lines", "level_part", "verification_document", "verification_text"]

_MOST = 200
"""findings of a unit that are listed; a vault that lost a disk would have thousands"""
_STATE = 13
_LEVEL = 12
_INKS: dict[State, Ink] = {"held": "plain", "failed": "alert", "not checked": "faint"}


def verification_text(
    found: Verification, look: Look, *, repaired: Sequence[Repaired] = (), answer: str, failed: bool
) -> str:
    """All that was found; ``answer`` is the sentence that it comes to, ``failed`` whether that is a bad one."""
    out = [look.paint(look.text(found.vault), "strong")]
    out += _repaired(repaired, look) if repaired else []
    for unit in found.units:
        out += ["", *_unit(unit, look)]
    if found.general:
        out += ["", look.paint("the vault as a whole", "strong"), *finding_lines(found.general, look)]
    out += [
        "",
        *_painted(wrapped(look.text(answer), look.width, indent=2 if failed else 0, lead="!" * failed), look, failed),
    ]
    return "\n".join(out) + "\n"


def _painted(lines: Iterable[str], look: Look, failed: bool) -> list[str]:
    return [look.paint(line, "alert" if failed else "strong") for line in lines]


def _unit(unit: UnitProof, look: Look) -> list[str]:
    title = f"{look.text(unit.unit)}, {plural(unit.entries, 'entry', 'entries')}"
    return [look.paint(title, "strong"), *level_lines(unit.proof, look), *finding_lines(unit.proof.findings, look)]


def level_lines(proof: Proof, look: Look) -> list[str]:
    """A line for each level: how it ended, and what was checked or why it was not."""
    return [line for level in proof.levels for line in _level(level, look)]


def _level(level: LevelState, look: Look) -> list[str]:
    lead = f"{'!' if level.state == 'failed' else ' '} {pad(level.state, _STATE)}{level.level}"
    lines = wrapped(look.text(level.reason), look.width, indent=2 + _STATE + _LEVEL, lead=lead)
    lines[0] = look.paint(lead, _INKS[level.state]) + lines[0][len(lead) :]
    return [line.rstrip() for line in lines]


def finding_lines(findings: Sequence[Finding], look: Look) -> list[str]:
    """Every finding with its place, faults first."""
    ordered = sorted(findings, key=lambda finding: not finding.fault)
    out = [line for finding in ordered[:_MOST] for line in _finding(finding, look)]
    left = len(ordered) - _MOST
    return [*out, f"  and {plural(left, 'finding')} more, all of them with --json"] if left > 0 else out


def _finding(finding: Finding, look: Look) -> list[str]:
    where = ", ".join(
        part
        for part in (
            finding.unit or "",
            "" if finding.sequence is None else f"entry {finding.sequence}",
            finding.file or "",
        )
        if part
    )
    text = f"{finding.level}: {f'{where}: ' if where else ''}{finding.text}"
    out = wrapped(look.text(text), look.width, indent=4, lead="  !" if finding.fault else "")
    for label, more in (("expected", finding.expected), ("got", finding.got), ("hint", finding.hint)):
        out += wrapped(look.text(f"{label}: {more}"), look.width, indent=6) if more else []
    return out


def _repaired(repaired: Sequence[Repaired], look: Look) -> list[str]:
    out = ["", look.paint(f"mended {plural(len(repaired), 'file')}", "strong")]
    for one in repaired:
        aside = f"; what was there is kept as {one.aside}" if one.aside else ""
        out += wrapped(look.text(f"{one.file}: {one.how}{aside}"), look.width, indent=4)
    return out


# ---------------------------------------------------------------------------------------------------------------- JSON


def verification_document(
    found: Verification, *, repaired: Sequence[Repaired] | None = None, answer: str, failed: bool
) -> Json:
    """The same as a document; ``repaired`` is None where nobody asked for it."""
    from caldiff.render.document import document  # noqa: PLC0415 - a history does without

    return document(
        "verification",
        {
            "vault": _sound(found.vault),
            "failed": failed,
            "answer": _sound(answer),
            "units": [
                {
                    "unit": unit.unit,
                    "entries": unit.entries,
                    "sound": unit.proof.sound,
                    "levels": [level_part(level) for level in unit.proof.levels],
                    "findings": [finding_part(finding) for finding in unit.proof.findings],
                }
                for unit in found.units
            ],
            "general": [finding_part(finding) for finding in found.general],
            "repaired": None
            if repaired is None
            else [{"file": _sound(one.file), "how": _sound(one.how), "aside": _sound(one.aside)} for one in repaired],
        },
    )


def level_part(level: LevelState) -> Json:
    """How one level ended."""
    return {"level": level.level, "state": level.state, "reason": level.reason}


def finding_part(finding: Finding) -> Json:
    """One finding. Names of files may hold what is not JSON text."""
    return {
        "level": finding.level,
        "fault": finding.fault,
        "text": _sound(finding.text),
        "unit": finding.unit,
        "sequence": finding.sequence,
        "file": _sound(finding.file),
        "expected": _sound(finding.expected),
        "got": _sound(finding.got),
        "hint": _sound(finding.hint),
    }


def _sound(text: str | None) -> str | None:
    return None if text is None else text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
