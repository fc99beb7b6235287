"""What each file is, as text: format, size, addresses, identity and the definition that reads it. Free of numpy."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from caldiff.definition.definition import Definition
from caldiff.definition.model import IdentityField
from caldiff.image.model import Image
from caldiff.render.files import FORMATS, size_words
from caldiff.render.look import Look, pad, plural, width_of, wrapped
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.identity import FieldValue
from caldiff.trace.identity import identity_of

if TYPE_CHECKING:
    from caldiff.render.outline import Outline

__all__ = [
    "LABEL",
    "field_name",
    "field_words",
    "file_lines",
    "head_lines",
    "known_lines",
    "labelled",
    "letter",
    "meaning_words",
    "remark_words",
    "rule",
    "same_lines",
]

LABEL = 13
"""columns of the labels of a summary, its sign of alert included"""


def labelled(label: str, text: str, look: Look, *, alert: bool = False) -> list[str]:
    """Lines with a label in front: ``! identity   ...``; the sign stands before what asks for attention."""
    lead = f"{'!' if alert else ' '} {label}"
    lines = wrapped(text, look.width, indent=LABEL + 2, lead=lead)
    if alert:
        lines[0] = look.paint(lead, "alert") + lines[0][len(lead) :]
    return lines


def rule(title: str, look: Look, legend: str = "") -> list[str]:
    """An empty line, a title across the width, and what is to be known about what follows."""
    line = look.glyph("─")
    lines = ["", look.paint(f"{line * 3} {title} {line * max(look.width - width_of(title) - 5, 3)}", "strong")]
    return lines + [look.paint(text, "faint") for text in (wrapped(legend, look.width) if legend else [])]


def letter(index: int) -> str:
    """A for the first file, B for the second; numbers beyond Z."""
    return chr(ord("A") + index) if index < 26 else str(index + 1)  # noqa: PLR2004 - letters of the alphabet


def head_lines(calibrations: Sequence[Calibration], look: Look, view: View) -> list[str]:
    """What every file of a comparison is; what they all say of themselves is said once."""
    meanings = [meaning_words(c.definition, identity_of(c), view) for c in calibrations]
    shared = [text for text in meanings[0] if len(meanings) > 1 and all(text in other for other in meanings)]
    out: list[str] = []
    for n, (calibration, meaning) in enumerate(zip(calibrations, meanings, strict=True)):
        own = [text for text in meaning if text not in shared]
        out += known_lines(calibration.label, calibration.image, own, look, mark=letter(n))
    lead = "both" if len(calibrations) == 2 else "all"  # noqa: PLR2004 - a pair
    for n, text in enumerate(shared):
        out += wrapped(look.text(text), look.width, indent=6, lead="" if n else lead)
    return out


def file_lines(calibration: Calibration, look: Look, view: View) -> list[str]:
    """What one file is."""
    meaning = meaning_words(calibration.definition, identity_of(calibration), view, remarks=True)
    return known_lines(calibration.label, calibration.image, meaning, look)


def known_lines(label: str, image: Image | Outline, meaning: Sequence[str], look: Look, *, mark: str = "") -> list[str]:
    """Name, format and what the file says of itself, with a mark in front."""
    indent = len(mark) + 2 if mark else 0
    name = [pad(mark, indent) + look.text(label)]  # whatever the width: a path in two pieces is no path to copy
    out = [look.paint(line, "strong") for line in name]
    notes = image.source.notes if image.source else ()
    texts = [", ".join(_format(image)), *meaning]
    texts += [f"note: {note.text}" + (f" (line {note.line})" if note.line else "") for note in notes]
    return out + [line for text in texts for line in wrapped(look.text(text), look.width, indent=max(indent, 2))]


def meaning_words(
    definition: Definition | None,
    values: Sequence[FieldValue],
    view: View,
    stranger: str = "",
    *,
    remarks: bool = False,
) -> list[str]:
    """What a file says of itself by the definition that reads it, and what is wrong with that; or all ``remarks``."""
    if definition is None:
        return [stranger or "no definition fits: compared byte by byte only"]
    title = f": {definition.title}" if definition.title else ""
    fields = field_words(values, view)
    return [f"read by {definition.name}{title}", *([fields] if fields else []), *remark_words(values, whole=remarks)]


def field_words(values: Iterable[FieldValue], view: View) -> str:
    """What the fields hold."""
    return ", ".join(_fields(values, view))


def remark_words(values: Iterable[FieldValue], *, whole: bool = True) -> list[str]:
    """What is wrong with the fields; with ``whole`` also what is only worth knowing."""
    said = [(v, r) for v in values for r in (v.remarks if whole else v.faults)]
    return [f"{'!' if r.fault else 'note:'} {field_name(v.field)} {r.text}" for v, r in said]


def _format(image: Image | Outline) -> list[str]:
    """Format, size and place, digest."""
    source = image.source
    words = []
    if source:
        packed = {"gzip": " in gzip", "zip": f" in zip ({source.member})", None: ""}[source.container]
        words.append(f"{FORMATS[source.format]}{packed}")
    where = f"0x{image.start:08X} to 0x{max(image.stop - 1, 0):08X}"
    words.append(f"{size_words(image.size)} at {where}")
    if len(image.segments) > 1:
        words.append(plural(len(image.segments), "segment"))
    words.append(f"sha256 {(source.file if source else image.content).short}")
    return words


def _fields(values: Iterable[FieldValue], view: View) -> Iterable[str]:
    for value in values:
        if value.text is None:
            continue
        text = value.text if view.personal else value.shown
        yield f"{field_name(value.field)} {text or '(empty)'}"


def field_name(field: IdentityField) -> str:
    """What people call an identity field."""
    return field.title or field.name.replace("_", " ")


def same_lines(calibrations: Sequence[Calibration], look: Look, view: View, *, bytewise: bool) -> str:
    """The whole answer for files that are the same; ``bytewise``: the very same files, not only the same content."""
    words = "The same: every byte of the files." if bytewise else "The same: every byte at every address."
    lines = [*head_lines(calibrations, look, view), "", look.paint(words, "strong")]
    return "\n".join(lines) + "\n"
