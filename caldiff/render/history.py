"""The chain of a unit as a readable list, and as JSON. Free of numpy."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from caldiff.canonical import Digest
from caldiff.ledger.entry import Entry
from caldiff.render.entries import alerts, baseline_of, checksum_words, deed
from caldiff.render.entries_document import entry_part
from caldiff.render.look import Look, clip, pad, plural, wrapped
from caldiff.render.verification import finding_lines, finding_part, level_lines, level_part

if TYPE_CHECKING:
    from caldiff.ledger.trust import SignatureState
    from caldiff.render.document import Json
    from caldiff.trace.history import History, Row

__all__ = ["history_document", "history_text"]

_KIND = 9
_AUTHOR = 18
_WIDE = 110
"""columns from which on who recorded an entry has a column of its own"""


def history_text(history: History, look: Look) -> str:
    """The head, how far it is proven, then every entry, the oldest first."""
    numbers = {row.entry.hash: row.entry.sequence for row in history.rows}
    entries = {row.entry.hash: row.entry for row in history.rows}
    out = [
        look.paint(
            f"{look.text(history.unit)}, {plural(len(history.rows), 'entry', 'entries')}, times in UTC", "strong"
        )
    ]
    out += level_lines(history.proof, look)
    out += finding_lines(history.proof.findings, look)
    width = max(2, len(str(len(history.rows))))
    for row in history.rows:
        out += ["", *_row(row, numbers, entries, look, width)]
    if history.rows:
        last = history.rows[-1].entry
        out += ["", f"head  {look.text(history.unit)}:{last.sequence}:{last.hash.hex}"]
        out += wrapped("kept elsewhere, it shows by --head that nothing was cut off later", look.width, indent=6)
    return "\n".join(out) + "\n"


def _row(row: Row, numbers: Mapping[Digest, int], entries: Mapping[Digest, Entry], look: Look, width: int) -> list[str]:
    """Number, time and kind, then what was recorded; what asks for attention comes below, behind a sign."""
    entry = row.entry
    wide = look.width >= _WIDE
    warned = list(alerts(entry, baseline_of(entry, entries)))
    time = f"{entry.draft.time[:10]} {entry.draft.time[11:16]}"
    lead = f"{'!' if warned else ' '} {entry.sequence:>{width}}  {time}  {pad(entry.kind, _KIND)}  "
    author = look.text(entry.draft.author)
    indent = 6 + width
    texts = [deed(entry, numbers), *_more(row)]
    lines = []
    if wide:
        lead += pad(clip(author, _AUTHOR, mark=look.glyph("…")), _AUTHOR) + "  "
        indent = len(lead)
    else:
        lines.append(look.paint(clip(lead + author, look.width, mark=look.glyph("…")).rstrip(), "strong"))
    for n, text in enumerate(texts):
        lines += wrapped(look.text(text), look.width, indent=indent, lead=lead if wide and not n else "")
    for label, text in warned:
        words = wrapped(look.text(f"{label}: {text}"), look.width, indent=indent, lead=" " * (indent - 2) + "!")
        lines += [look.paint(line, "alert") if not n else line for n, line in enumerate(words)]
    return lines


def _more(row: Row) -> list[str]:
    """The author's words, checksums, authorities, signatures, and what else there is to say."""
    entry = row.entry
    texts = [f'"{entry.draft.message}"'] if entry.draft.message else []
    if entry.image is not None and (checksums := checksum_words(entry.image)):
        texts.append(checksums)
    texts += [f"{tag} changed under the authority of {who}" for tag, who in getattr(entry.body, "authorities", ())]
    texts += _hanging(row)
    texts += [state.text for state in row.signatures]
    return [*texts, *row.remarks]


def _hanging(row: Row) -> list[str]:
    """The entries about an entry."""
    said = [("approved", row.approvals), ("delivered", row.deliveries), ("evidence", row.evidence)]
    parts = [f"{word} in {', '.join(map(str, numbers))}" for word, numbers in said if numbers]
    return [", ".join(parts)] if parts else []


# ---------------------------------------------------------------------------------------------------------------- JSON


def history_document(history: History) -> Json:
    """The same as a document."""
    from caldiff.render.document import document  # noqa: PLC0415 - text does without

    entries = {row.entry.hash: row.entry for row in history.rows}
    numbers = {digest: entry.sequence for digest, entry in entries.items()}
    last = history.rows[-1].entry if history.rows else None
    rows = []
    for row in history.rows:
        part = entry_part(row.entry, numbers, baseline_of(row.entry, entries))
        part |= {"approvals": list(row.approvals), "deliveries": list(row.deliveries), "evidence": list(row.evidence)}
        rows.append({**part, "signatures": [_signature(s) for s in row.signatures], "remarks": list(row.remarks)})
    return document(
        "history",
        {
            "unit": history.unit,
            "head": None if last is None else {"sequence": last.sequence, "hash": str(last.hash)},
            "sound": history.proof.sound,
            "levels": [level_part(level) for level in history.proof.levels],
            "findings": [finding_part(finding) for finding in history.proof.findings],
            "entries": rows,
        },
    )


def _signature(state: SignatureState) -> Json:
    return {
        "keyid": state.keyid,
        "name": state.name,
        "roles": list(state.roles),
        "state": state.state,
        "text": state.text,
    }
