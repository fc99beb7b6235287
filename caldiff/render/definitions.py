"""Definitions checked, compared and listed, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from caldiff.definition.compare import Change, DefinitionComparison
from caldiff.definition.definition import Definition
from caldiff.definition.lint import Finding
from caldiff.errors import CaldiffError
from caldiff.render.document import Json, document
from caldiff.render.look import Look, plural, wrapped

__all__ = [
    "Checked",
    "Listed",
    "changes_document",
    "changes_text",
    "check_document",
    "check_text",
    "list_document",
    "list_text",
]

_NAMES = 12


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Checked:
    """What was found in one file: problems, with which it cannot be used; or findings, with which it can."""

    path: str
    problems: tuple[CaldiffError, ...] = ()
    findings: tuple[Finding, ...] = ()
    family: bool = False
    tables: int = 0

    @property
    def sound(self) -> bool:
        """Nothing worse than a warning."""
        return not self.problems and all(f.severity == "warning" for f in self.findings)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Listed:
    """One file in the folders of definitions: what it defines, or why it cannot be used."""

    path: str
    definition: Definition | None
    error: CaldiffError | None


# ------------------------------------------------------------------------------------------------------------- check


def check_text(found: Sequence[Checked], look: Look) -> str:
    """Every file with what is wrong with it; a problem's line is not broken, so that editors find their way by it."""
    out: list[str] = []
    for one in found:
        for problem in one.problems:
            out += _problem(problem, look)
        for finding in one.findings:
            place = "" if finding.address is None else f" at 0x{finding.address:08X}"
            sign = "! " if finding.severity == "error" else ""
            text = f"{sign}{finding.severity}: {finding.subject}: {finding.text}{place} [{finding.code}]"
            out.append(look.text(f"{one.path}: {text}"))
        out.append(look.text(f"{one.path}: {_verdict(one)}"))
    return "\n".join(out) + "\n"


def _problem(problem: CaldiffError, look: Look) -> list[str]:
    place = f"{problem.place}: " if problem.place else ""
    out = [look.text(f"{place}! error: {problem.reason}")]
    for name, text in (("expected", problem.expected), ("got", problem.got), ("hint", problem.hint)):
        out += wrapped(look.text(f"{name}: {text}"), look.width, indent=4) if text else []
    return out


def _verdict(one: Checked) -> str:
    if one.problems:
        return f"{plural(len(one.problems), 'error')}, it cannot be used"
    errors = sum(f.severity == "error" for f in one.findings)
    warnings = len(one.findings) - errors
    counts = [plural(n, what) for n, what in ((errors, "error"), (warnings, "warning")) if n]
    what = "a family, checked by itself" if one.family else plural(one.tables, "table")
    return f"{what}; {', '.join(counts) or 'nothing wrong'}"


def check_document(found: Sequence[Checked]) -> Json:
    """Every file with what is wrong with it."""
    return document(
        "definition-check",
        {
            "files": [
                {
                    "path": one.path,
                    "sound": one.sound,
                    "family": one.family,
                    "problems": [_problem_part(p) for p in one.problems],
                    "findings": [attrs.asdict(f) for f in one.findings],
                }
                for one in found
            ]
        },
    )


def _problem_part(error: CaldiffError) -> Json:
    return {
        "file": error.file,
        "line": error.line,
        "column": error.column,
        "reason": error.reason,
        "expected": error.expected,
        "got": error.got,
        "hint": error.hint,
    }


# ----------------------------------------------------------------------------------------------------------- compare


def changes_text(found: DefinitionComparison, look: Look) -> str:
    """What changed, object by object."""
    if not found.changes:
        return look.text(f"The same meaning: {found.before} and {found.after}.") + "\n"
    head = f"{found.before} {'->' if not look.unicode else '→'} {found.after}: {plural(len(found.changes), 'change')}"
    out = [look.paint(head if look.unicode else look.text(head), "strong")]
    section = ""
    for change in found.changes:
        if change.section != section:
            section = change.section
            out += ["", look.paint(section, "strong")]
        out += _change(change, look)
    return "\n".join(out) + "\n"


_SIGNS = {"added": "+", "removed": "-", "moved": ">", "changed": "*"}


def _change(change: Change, look: Look) -> list[str]:
    out = wrapped(look.text(f"{change.name} {change.kind}"), look.width, indent=4, lead=f"  {_SIGNS[change.kind]}")
    for difference in change.differences:
        out += wrapped(look.text(difference.text), look.width, indent=6)
    if change.affects:
        names = ", ".join(change.affects[:_NAMES])
        more = len(change.affects) - _NAMES
        out += wrapped(look.text(f"used by {names}" + (f" and {more} more" if more > 0 else "")), look.width, indent=6)
    return out


def changes_document(found: DefinitionComparison) -> Json:
    """What changed, object by object."""
    return document(
        "definition-comparison",
        {
            "before": found.before,
            "after": found.after,
            "changes": [
                {
                    "kind": c.kind,
                    "section": c.section,
                    "name": c.name,
                    "differences": [
                        {"path": list(d.path), "before": d.before, "after": d.after} for d in c.differences
                    ],
                    "affects": list(c.affects),
                }
                for c in found.changes
            ],
        },
    )


# -------------------------------------------------------------------------------------------------------------- list


def list_text(listed: Sequence[Listed], folders: Sequence[str], look: Look) -> str:
    """The definitions, and the folders that were searched."""
    out: list[str] = []
    for one in listed:
        if one.definition is not None:
            out.append(look.paint(look.text(one.definition.name), "strong"))
            facts = f"{one.definition.title}; " if one.definition.title else ""
            out += wrapped(look.text(facts + plural(len(one.definition.tables), "table")), look.width, indent=2)
        else:
            out += wrapped(look.text(f"! cannot be used: {one.error}"), look.width, indent=2)
        out += wrapped(look.text(one.path), look.width, indent=2)
    if not listed:
        out.append("There is no definition.")
    out += ["", "Folders, in the order of searching:"]
    for folder in folders:
        out += wrapped(look.text(folder), look.width, indent=2)
    return "\n".join(out) + "\n"


def list_document(listed: Sequence[Listed], folders: Sequence[str]) -> Json:
    """The definitions, and the folders that were searched."""
    return document(
        "definition-list",
        {
            "folders": list(folders),
            "definitions": [
                {
                    "path": one.path,
                    "name": one.definition.name if one.definition else None,
                    "title": one.definition.title if one.definition else None,
                    "digest": str(one.definition.digest) if one.definition else None,
                    "tables": len(one.definition.tables) if one.definition else None,
                    "error": str(one.error) if one.error else None,
                }
                for one in listed
            ],
        },
    )
