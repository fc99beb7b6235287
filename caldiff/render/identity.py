"""What files are, as text and as JSON: one in full, many as a table. Free of numpy."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Self

import attrs

from caldiff.definition.definition import Definition
from caldiff.render.document import Json, document, known_part, sound
from caldiff.render.files import FORMATS, size_words
from caldiff.render.head import field_words, known_lines, meaning_words, remark_words
from caldiff.render.look import Look, clip, pad, plural, width_of, wrapped
from caldiff.render.outline import Outline
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.identity import FieldValue
from caldiff.trace.identity import checksum_states, identity_of

if TYPE_CHECKING:  # most runs ask for no checksum
    from caldiff.checksum.state import State

__all__ = ["Identified", "Other", "identity_document", "identity_text"]

_HEADINGS = ("File", "Format", "Size", "Definition", "Checksums")
_NARROWEST = 12
_WIDEST = (40, 17, 16, 16, 15)
"""columns of text; what is wider is cut, and a name then stands on a line of its own"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Identified:
    """What is known of one file, its bytes let go.

    Attributes:
        fitting: names of the definitions that fit; ``definition`` is the only one.
        nearest: where none fits, the definition that some conditions hold for, and the ``failures`` of the others.
    """

    label: str
    image: Outline
    definition: Definition | None
    values: tuple[FieldValue, ...] = ()
    states: tuple[State, ...] = ()
    fitting: tuple[str, ...] = ()
    nearest: str | None = None
    failures: tuple[str, ...] = ()

    @classmethod
    def of(
        cls,
        calibration: Calibration,
        fitting: Sequence[str],
        nearest: str | None = None,
        failures: Sequence[str] = (),
    ) -> Self:
        """What is to be said of an image."""
        return cls(
            label=calibration.label,
            image=Outline.of(calibration.image),
            definition=calibration.definition,
            values=identity_of(calibration),
            states=checksum_states(calibration),
            fitting=tuple(fitting),
            nearest=nearest,
            failures=tuple(failures),
        )


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Other:
    """What lies in a folder and is no image, and why not."""

    label: str
    reason: str


# ---------------------------------------------------------------------------------------------------------------- text


def identity_text(found: Sequence[Identified], others: Sequence[Other], look: Look, view: View) -> str:
    """One file in full; several as a table, with what is to be said of each below its row."""
    if len(found) == 1 and not others:
        return "\n".join(_whole(found[0], look, view)) + "\n"
    out = _table(found, look, view) if found else []
    for group in _groups(found):
        out += ["", look.paint("The same content", "strong"), *_same(group, look)]
    if others:
        out += ["", look.paint("No image", "strong")] if found else [look.paint("No image", "strong")]
        for other in others:
            out += wrapped(look.text(f"{other.label}: {other.reason}"), look.width, indent=2)
    return "\n".join(out) + "\n"


def _whole(one: Identified, look: Look, view: View) -> list[str]:
    meaning = meaning_words(one.definition, one.values, view, _stranger(one), remarks=True)
    out = known_lines(one.label, one.image, meaning, look)
    out += wrapped(f"content sha256 {one.image.content.short}", look.width, indent=2)
    if one.states:
        out += wrapped(look.text(f"{_sign(one)}checksums: {_states(one)}"), look.width, indent=2)
    return [*out, *_nearest(one, look)]


def _stranger(one: Identified) -> str:
    if one.fitting:
        return f"! {len(one.fitting)} definitions fit: {', '.join(one.fitting)}; name the one to use by --definition"
    return "! no definition fits"


def _nearest(one: Identified, look: Look) -> list[str]:
    if one.nearest is None:
        return []
    out = wrapped(look.text(f"nearest is {one.nearest}, but:"), look.width, indent=2)
    for failure in one.failures:
        out += wrapped(look.text(failure), look.width, indent=4)
    return out


def _sign(one: Identified) -> str:
    return "! " if any(s.status in {"stale", "unreadable"} for s in one.states) else ""


def _tally(one: Identified) -> str:
    """The checksums in a word: how many of them hold, or do not."""
    states = Counter(state.status for state in one.states)
    bad = states["stale"] + states["unreadable"]
    if bad:
        return f"! {bad} of {len(one.states)} {'bad' if states['unreadable'] else 'stale'}"
    return f"{states['valid']} of {len(one.states)} valid" if one.states else "-"


def _states(one: Identified) -> str:
    """How many checksums are in which state, the valid ones first, the others by name."""
    named: dict[str, list[str]] = defaultdict(list)
    for state in sorted(one.states, key=lambda s: s.status != "valid"):
        named[state.status].append(state.name)
    return ", ".join(
        f"{len(who)} {status}" + (f" ({', '.join(who)})" if status != "valid" else "") for status, who in named.items()
    )


def _table(found: Sequence[Identified], look: Look, view: View) -> list[str]:
    """A row for each file, and below it what has no column; lines of text where the terminal is too narrow for rows."""
    rows = [[look.text(cell) for cell in _row(one)] for one in found]
    widths = [
        min(max(map(width_of, column)), most)
        for column, most in zip(zip(_HEADINGS, *rows, strict=True), _WIDEST, strict=True)
    ]
    room = look.width - sum(widths[1:]) - 2 * (len(widths) - 1)
    narrow = room < min(widths[0], _NARROWEST)
    widths[0] = min(widths[0], room)
    out = [] if narrow else [look.paint(_line(_HEADINGS, widths, look), "strong")]
    for one, row in zip(found, rows, strict=True):
        if narrow or width_of(row[0]) > widths[0]:
            out.append(row[0])  # whatever the width: a path in two pieces is no path to copy
            row[0] = ""
        text = f"{', '.join(row[1:-1])}, checksums {row[-1]}"
        out += wrapped(text, look.width, indent=2) if narrow else [_line(row, widths, look)]
        out += wrapped(look.text(_facts(one, view)), look.width, indent=2)
        for text in _remarks(one):
            out += wrapped(look.text(text), look.width, indent=2)
    return out


def _facts(one: Identified, view: View) -> str:
    """Digests and identity fields."""
    file = f"file {one.image.source.file.short}, " if one.image.source else ""
    fields = field_words(one.values, view)
    return f"{file}content {one.image.content.short}{'; ' if fields else ''}{fields}"


def _row(one: Identified) -> tuple[str, ...]:
    source = one.image.source
    format_ = "-" if source is None else FORMATS[source.format]
    packed = f" ({source.container})" if source and source.container else ""
    fits = one.fitting[0] if len(one.fitting) == 1 else f"! {len(one.fitting)} fit" if one.fitting else "! none fits"
    return (one.label, f"{format_}{packed}", size_words(one.image.size), fits, _tally(one))


def _line(cells: Sequence[str], widths: Sequence[int], look: Look) -> str:
    mark = look.glyph("…")
    parts = [
        pad(clip(cell, width, mark=mark), width, right=n == _HEADINGS.index("Size"))
        for n, (cell, width) in enumerate(zip(cells, widths, strict=True))
    ]
    return "  ".join(parts).rstrip()


def _remarks(one: Identified) -> list[str]:
    """What asks for attention; notes are left to the file alone."""
    out = remark_words(one.values, whole=False)
    if len(one.fitting) > 1:
        out.append(_stranger(one))
    elif one.nearest is not None:
        out.append(f"nearest is {one.nearest}, with {plural(len(one.failures), 'condition')} not met")
    if _sign(one):
        out.append(f"! checksums: {_states(one)}")
    return out


def _groups(found: Iterable[Identified]) -> list[list[Identified]]:
    """Files of the same content, two and more."""
    by_content: dict[str, list[Identified]] = defaultdict(list)
    for one in found:
        by_content[one.image.content.hex].append(one)
    return [group for group in by_content.values() if len(group) > 1]


def _same(group: Sequence[Identified], look: Look) -> list[str]:
    """The files of a group; the very same files are told from those that only hold the same."""
    files = Counter(one.image.source.file.hex for one in group if one.image.source)
    what = "the very same file" if len(files) == 1 else f"{len(files)} different files"
    names = ", ".join(look.text(one.label) for one in group)
    return wrapped(f"{names} ({what})", look.width, indent=2)


# ---------------------------------------------------------------------------------------------------------------- JSON


def identity_document(found: Sequence[Identified], others: Sequence[Other], view: View) -> Json:
    """Every file that could be read, which of them hold the same, and what else lay in folders."""
    return document(
        "identity",
        {
            "files": [_entry(one, view) for one in found],
            "same_content": [[sound(one.label) for one in group] for group in _groups(found)],
            "others": [{"label": sound(other.label), "reason": sound(other.reason)} for other in others],
        },
    )


def _entry(one: Identified, view: View) -> Json:
    return {
        **known_part(one.label, one.image, one.definition, one.values, view),
        "fitting": list(one.fitting),
        "nearest": one.nearest,
        "failures": list(one.failures),
        "checksums": [{"name": state.name, "status": state.status} for state in one.states],
    }
