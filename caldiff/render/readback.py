"""What was read out of a unit, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from caldiff.diff.model import Comparison
from caldiff.ledger.entry import Entry
from caldiff.render.comparison import details, selected, summary
from caldiff.render.document import Json, bytes_part, document, side, sound
from caldiff.render.entries import changes_words
from caldiff.render.extents import extent_lines
from caldiff.render.head import file_lines, labelled, rule
from caldiff.render.look import Look, clip, plural, wrapped
from caldiff.render.tables import table_lines
from caldiff.render.view import View
from caldiff.trace.facts import changes
from caldiff.trace.readback import Moved, ReadBack

if TYPE_CHECKING:
    from caldiff.ledger.chain import Recorded

__all__ = ["readback_document", "readback_text"]

_FOREIGN = 8
"""entries of other units that are listed"""


# ---------------------------------------------------------------------------------------------------------------- text


def readback_text(found: ReadBack, look: Look, view: View) -> str:
    """The whole answer, ending with a newline."""
    comparison = found.comparison
    lines = [*file_lines(comparison.after, look, view)]
    lines += wrapped(look.text(f"read out of {found.unit}; should be {_called(found.expected)}"), look.width, indent=2)
    lines.append("")
    for text, alert in _verdict(found):
        told = wrapped(look.text(text), look.width, indent=2 if alert else 0, lead="!" if alert else "")
        lines += [look.paint(line, "alert" if alert else "strong") for line in told]
    for note in found.notes:
        lines += labelled("note", look.text(note), look)
    if not found.sound:
        lines += _differences(found, look, view)
    for moved in found.moved if found.sound else ():
        lines += _moved(moved, comparison, look, view)
    return "\n".join(lines) + "\n"


def _called(entry: Entry) -> str:
    names = ", ".join(subject.name for subject in entry.draft.subjects[:1])
    return f"entry {entry.sequence} ({entry.kind} of {entry.draft.time[:10]}, {names})"


def _verdict(found: ReadBack) -> Iterator[tuple[str, bool]]:
    """In sentences; True for one that must not be overlooked."""
    should = f"entry {found.expected.sequence}"
    match found.verdict:
        case "equal":
            yield f"Equal to {should}: every byte at every address.", False
        case "volatile":
            count = sum(moved.bytes for moved in found.moved)
            text = f"Equal to {should} save for volatile regions, where {plural(count, 'byte')} moved."
            yield f"{text} The controller writes there itself.", False
        case "own":
            if found.own is not None:
                entry, how = found.own
                save = " save for volatile regions" if how == "stable" else ""
                yield f"Not {should} but {_called(entry)} of this very unit{save}.", True
        case "foreign":
            yield f"Not {should} but a file of another unit: {_whose(found)}.", True
        case "software":
            yield f"Not {should}: other software. {_software(found)}", True
        case "unknown":
            yield f"Not {should}: changes that nobody recorded. No entry of this vault has this image.", True


def _whose(found: ReadBack) -> str:
    if not found.foreign:
        words = {"vehicle": "it names another vehicle", "controller": "it names another controller"}
        return " and ".join(words[kind] for kind in found.comparison.otherness if kind in words) + (
            ", and no entry of this vault has it"
        )
    names = [
        f"{m.unit} entry {m.sequence} ({m.entry.kind}{', volatile regions aside' if m.how == 'stable' else ''})"
        for m in found.foreign[:_FOREIGN]
    ]
    more = f" and {len(found.foreign) - _FOREIGN} more" if len(found.foreign) > _FOREIGN else ""
    return ", ".join(names) + more


def _software(found: ReadBack) -> str:
    """What it says of its software, so that people see whether it is newer."""
    for diff in found.comparison.identity:
        if diff.kind == "software" and not diff.field.personal and diff.before and diff.after:
            return f'It says "{diff.after}", and should say "{diff.before}"; a workshop may have put newer stock in.'
    return "A workshop may have put newer stock in."


def _moved(moved: Moved, comparison: Comparison, look: Look, view: View) -> list[str]:
    """The volatile region: the runs that moved, and the tables there."""
    count = f"{plural(moved.bytes, 'byte')} moved, in {plural(len(moved.extents), 'run')}"
    out = [*rule(f"Volatile: {look.text(moved.region)}", look), count]
    out += extent_lines(comparison, look, view, extents=moved.extents)
    for diff in moved.tables:
        out += ["", *table_lines(diff, look, view)]
    if not moved.tables:
        out += wrapped("the definition has no table there", look.width, indent=4)
    return out


def _differences(found: ReadBack, look: Look, view: View) -> Iterator[str]:
    """From what it should be to what it is, by table; and how far the nearest kept image is."""
    yield ""
    should = f"entry {found.expected.sequence}"
    title = f"From {should} (A) to what was read (B)"
    yield look.paint(title, "strong")
    yield from summary(found.comparison, look, view)
    rows = details(found.comparison, look, view)
    yield from (clip(row, look.width, mark=look.glyph("…")) for row in rows) if view.stat else rows
    if found.nearest is not None:
        near = found.nearest
        text = (
            f"Nearest in this vault is {near.unit} {_called(near.entry)}: {changes_words(changes(near.comparison))}; "
            f"'caldiff trace FILE' shows them"
        )
        yield ""
        yield from wrapped(look.text(text), look.width)


# ---------------------------------------------------------------------------------------------------------------- JSON


def readback_document(found: ReadBack, view: View, *, vault: str, recorded: Recorded | None) -> Json:
    """The same as a document; ``vault``: its id; ``recorded``: the entry that was made of it, if any."""
    own = None
    if found.own is not None:
        own = {**_entry_part(found.own[0]), "how": found.own[1]}
    near = found.nearest
    return document(
        "readback",
        {
            "vault": vault,
            "unit": found.unit,
            "verdict": found.verdict,
            "sound": found.sound,
            "image": {**side(found.comparison.after, view), "label": sound(found.label)},
            "expected": _entry_part(found.expected),
            "own": own,
            "foreign": [{**_entry_part(m.entry), "how": m.how} for m in found.foreign],
            "moved": [_moved_part(moved) for moved in found.moved],
            "differences": _differences_part(found.comparison, view),
            "nearest": None
            if near is None
            else {**_entry_part(near.entry), "differences": _differences_part(near.comparison, view)},
            "recorded": None if recorded is None else _entry_part(recorded.entry),
            "notes": list(found.notes),
        },
    )


def _entry_part(entry: Entry) -> Json:
    return {
        "unit": entry.unit,
        "sequence": entry.sequence,
        "hash": str(entry.hash),
        "kind": entry.kind,
        "time": entry.draft.time,
        "name": sound(entry.draft.subjects[0].name) if entry.draft.subjects else "",
    }


def _moved_part(moved: Moved) -> Json:
    return {
        "region": moved.region,
        "bytes": moved.bytes,
        "runs": [{"start": extent.start, "stop": extent.stop} for extent in moved.extents],
        "tables": [{"name": t.name, "state": t.state, "changed": t.cells} for t in moved.tables],
    }


def _differences_part(comparison: Comparison, view: View) -> Json:
    fates = comparison.fates
    return {
        "identity_differs": list(comparison.otherness),
        "across": comparison.across,
        "bytes": bytes_part(fates),
        "tables": [{"name": t.name, "state": t.state, "changed": t.cells} for t in selected(comparison, view)],
        "axes": [axis.name for axis in comparison.axes],
        "notes": list(comparison.notes),
    }
