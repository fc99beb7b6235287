"""Which entry a file is, or what it is nearest to, as text and as JSON. Free of numpy where the file is known."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from caldiff.render.entries import deed
from caldiff.render.look import Look, clip, plural, wrapped
from caldiff.render.view import View

if TYPE_CHECKING:
    from caldiff.diff.model import Comparison
    from caldiff.ledger.entry import Entry
    from caldiff.render.document import Json
    from caldiff.trace.nearest import Near
    from caldiff.trace.tracing import Match, Traced

__all__ = ["traced_document", "traced_part", "traced_text"]

_HOW = {
    "file": "byte for byte",
    "content": "the same bytes at the same addresses, in another file",
    "stable": "the same but for volatile regions",
}
_TOLD = 8
"""entries that are told in full, of those that are matched alike"""
_TABLES = 12
"""tables that are listed of the nearest image"""


# ---------------------------------------------------------------------------------------------------------------- text


def traced_text(traced: Traced, look: Look, view: View) -> str:
    """What one file is, ending with a newline."""
    if traced.matches:
        lines = [look.paint(look.text(traced.label), "strong"), *_matches(traced, look)]
    else:
        lines = _stranger(traced, look, view)
    for note in traced.notes:
        lines += wrapped(look.text(note), look.width, indent=4, lead="  !")
    return "\n".join(lines) + "\n"


def _matches(traced: Traced, look: Look) -> Iterator[str]:
    """The entries of which it is a file, the first ones in full, then those that it only has a part in."""
    told = [match for match in traced.matches if match.role == "subject"]
    for match in told[:_TOLD]:
        yield from _match(match, look)
    if len(told) > _TOLD:
        rest = ", ".join(f"{match.unit} entry {match.sequence}" for match in told[_TOLD:])
        yield from wrapped(look.text(f"and of {rest}"), look.width, indent=2)
    parts: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for match in traced.matches:
        if match.role != "subject":
            parts[match.role, match.unit, match.name].append(match.sequence)
    for (role, unit, name), numbers in parts.items():
        entries = f"{'entry' if len(numbers) == 1 else 'entries'} {', '.join(map(str, numbers))}"
        what = (
            f"a file of the definition that the image of {entries} was read by"
            if role == "definition"
            else f"what {entries} was made from"
        )
        yield from wrapped(look.text(f"{unit}: {what}, {name}"), look.width, indent=2)
    if traced.more:
        yield from wrapped(f"and {plural(traced.more, 'further entry', 'further entries')}", look.width, indent=2)


def _match(match: Match, look: Look) -> Iterator[str]:
    entry = match.entry
    title = look.text(f"{match.unit} entry {match.sequence}, {_HOW[match.how]}")
    yield from (look.paint(line, "strong") for line in wrapped(title, look.width, indent=2))
    yield from wrapped(look.text(f"{_recorded(entry)}: {deed(entry, match.numbers)}"), look.width, indent=4)
    if entry.draft.message:
        yield from wrapped(look.text(f'"{entry.draft.message}"'), look.width, indent=4)
    if entry.kind == "revision" and match.latest is not None and match.latest > match.sequence:
        text = f"not the newest revision of this unit: that is entry {match.latest}"
        yield from wrapped(look.text(text), look.width, indent=4, lead="  !")


def _recorded(entry: Entry) -> str:
    """Kind, time and author."""
    time = f"{entry.draft.time[:10]} {entry.draft.time[11:16]}"
    return f"{entry.kind} of {time}{f' by {entry.draft.author}' if entry.draft.author else ''}"


def _stranger(traced: Traced, look: Look, view: View) -> list[str]:
    from caldiff.render.head import known_lines, meaning_words  # noqa: PLC0415 - what is known is told without
    from caldiff.trace.identity import identity_of  # noqa: PLC0415 - as above

    calibration = traced.calibration
    if calibration is None:
        lines = [look.paint(look.text(traced.label), "strong")]
    else:
        definition = calibration.definition
        meaning = meaning_words(definition, identity_of(calibration), view, "no definition fits")
        lines = known_lines(traced.label, calibration.image, meaning, look)
    said = "a stranger: no entry of this vault has this file, nor an image that holds the same"
    if traced.reason:
        said = f"a stranger: no entry of this vault has this file; it is compared with nothing: {traced.reason}"
    lines += [look.paint(line, "alert") for line in wrapped(look.text(said), look.width, indent=4, lead="  !")]
    if calibration is not None and not traced.nearest:
        lines += wrapped("no image of this vault is like it", look.width, indent=2)
    for n, near in enumerate(traced.nearest):
        lines += _nearest(near, look, view) if n == 0 else _farther(near, look)
    return lines


def _nearest(near: Near, look: Look, view: View) -> Iterator[str]:
    """The nearest image, and what differs, table by table."""
    from caldiff.render.comparison import details, summary  # noqa: PLC0415 - brings numpy

    name = f"{near.unit} entry {near.sequence}"
    yield ""
    title = f"Nearest is {name}: {plural(near.comparison.fates.total, 'byte differs', 'bytes differ')}"
    yield from (look.paint(line, "strong") for line in wrapped(look.text(title), look.width))
    yield from wrapped(look.text(f"{name}, {_kept(near)}"), look.width, indent=3, lead="A")
    yield from wrapped("this file", look.width, indent=3, lead="B")
    yield from summary(near.comparison, look, view)
    rows = details(near.comparison, look, View(stat=True))
    yield from (clip(row, look.width, mark=look.glyph("…")) for row in rows[: _TABLES + 1])
    if len(rows) > _TABLES + 1:
        yield f"and {plural(len(rows) - _TABLES - 1, 'further table')}"
    yield ""
    restore = look.text(f"caldiff restore {near.unit} {near.sequence} -o KEPT")
    yield from wrapped(f"'{restore}' and then 'caldiff KEPT FILE' show all of it", look.width)


def _farther(near: Near, look: Look) -> Iterator[str]:
    title = f"Then {near.unit} entry {near.sequence}: {_distance(near.comparison)}"
    yield ""
    yield from (look.paint(line, "strong") for line in wrapped(look.text(title), look.width))
    yield from wrapped(look.text(_kept(near)), look.width, indent=2)


def _kept(near: Near) -> str:
    names = ", ".join(subject.name for subject in near.entry.draft.subjects[:1])
    also = f"; {plural(near.others, 'other entry has', 'other entries have')} the same content" if near.others else ""
    return f"{_recorded(near.entry)}, {names}{also}"


def _distance(comparison: Comparison) -> str:
    """How far, in a few words."""
    parts = [f"{plural(comparison.fates.total, 'byte differs', 'bytes differ')}"]
    if comparison.tables:
        parts.append(plural(len(comparison.tables), "table"))
    if comparison.axes:
        parts.append(f"{plural(len(comparison.axes), 'axis', 'axes')} moved")
    if comparison.fates.unexplained:
        parts.append(f"{comparison.fates.unexplained:,} unexplained")
    return ", ".join(parts)


# ---------------------------------------------------------------------------------------------------------------- JSON


def traced_document(vault: str, parts: Sequence[Json]) -> Json:
    """What all files are, of :func:`traced_part` each; ``vault`` is the vault's id."""
    from caldiff.render.document import document  # noqa: PLC0415 - text does without

    return document("trace", {"vault": vault, "files": list(parts)})


def traced_part(traced: Traced, view: View) -> Json:
    """What one file is."""
    from caldiff.render.document import side, sound  # noqa: PLC0415 - as above

    return {
        "label": sound(traced.label),
        "file": str(traced.file),
        "known": traced.known,
        "matches": [_match_part(match) for match in traced.matches],
        "more": traced.more,
        "image": None if traced.calibration is None else side(traced.calibration, view),
        "reason": traced.reason or None,
        "nearest": [_near_part(near) for near in traced.nearest],
        "notes": list(traced.notes),
    }


def _match_part(match: Match) -> Json:
    return {
        **_entry_part(match.entry),
        "how": match.how,
        "role": match.role,
        "name": match.name,
        "summary": deed(match.entry, match.numbers),
        "latest_revision": match.latest,
    }


def _entry_part(entry: Entry) -> Json:
    return {
        "unit": entry.unit,
        "sequence": entry.sequence,
        "hash": str(entry.hash),
        "kind": entry.kind,
        "time": entry.draft.time,
        "author": entry.draft.author,
        "message": entry.draft.message,
    }


def _near_part(near: Near) -> Json:
    from caldiff.render.document import bytes_part  # noqa: PLC0415 - as above

    comparison = near.comparison
    return {
        **_entry_part(near.entry),
        "others": near.others,
        "definition": None if comparison.before.definition is None else comparison.before.definition.name,
        "identity_differs": list(comparison.otherness),
        "across": comparison.across,
        "bytes": bytes_part(comparison.fates),
        "tables": [{"name": t.name, "state": t.state, "changed": t.cells} for t in comparison.tables],
        "axes": [axis.name for axis in comparison.axes],
        "notes": list(comparison.notes),
    }
