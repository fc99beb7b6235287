"""Results as JSON documents: what they share, and what each file is. Free of numpy.

Every document says what it is and in which version: ``{"caldiff": "comparison", "version": 1, ...}``. Addresses, sizes
and counts are integers; raw integers beyond 2**53 - 1 are decimal text (RFC 7493, section 2.2); physical values are the
nearest doubles, ``null`` where there is none. Bytes are hexadecimal text.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any

from caldiff.definition.definition import Definition
from caldiff.image.model import Image
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.identity import FieldValue
from caldiff.trace.identity import identity_of

if TYPE_CHECKING:
    from caldiff.diff.model import Fates
    from caldiff.render.outline import Outline

__all__ = [
    "Json",
    "bytes_part",
    "document",
    "image_part",
    "integer",
    "known_part",
    "number",
    "numbers",
    "printed",
    "same_document",
    "side",
    "sound",
]

Json = dict[str, Any]
_EXACT = 2**53 - 1


def document(kind: str, body: Json) -> Json:
    """A document of a kind, version 1 of all of them so far."""
    return {"caldiff": kind, "version": 1, **body}


def printed(value: Json) -> str:
    """The document as text, a line for each of its keys: ASCII, so that no terminal and no encoding can spoil it.

    json's own indentation would take ten times as long, since only its plain form is written in C.
    """
    lines = (f"{json.dumps(key)}: {json.dumps(item, allow_nan=False)}" for key, item in value.items())
    return "{\n" + ",\n".join(lines) + "\n}\n"


def integer(value: int) -> int | str:
    """An integer, as text where a double would not hold it."""
    return value if -_EXACT <= value <= _EXACT else str(value)


def number(value: float) -> float | int | str | None:
    """A raw or physical number; None for what is not finite."""
    if isinstance(value, int):
        return integer(value)
    return value if isfinite(value) else None


def numbers(values: Any) -> Any:
    """Nested lists of numbers."""
    return [numbers(v) for v in values] if isinstance(values, list) else number(values)


def side(calibration: Calibration, view: View) -> Json:
    """What one file is."""
    return known_part(calibration.label, calibration.image, calibration.definition, identity_of(calibration), view)


def known_part(
    label: str, image: Image | Outline, definition: Definition | None, values: Iterable[FieldValue], view: View
) -> Json:
    """What is known of one file."""
    found: Json | None = None
    if definition is not None:
        found = {"name": definition.name, "title": definition.title, "digest": str(definition.digest)}
    return {**image_part(label, image), "definition": found, "identity": [_field(value, view) for value in values]}


def _field(value: FieldValue, view: View) -> Json:
    return {
        "name": value.field.name,
        "title": value.field.title,
        "means": value.field.means,
        "shortened": value.personal and not view.personal,
        "text": value.text if view.personal else value.shown,
        "digest": value.digest(view.key),
        "remarks": [{"kind": r.kind, "text": r.text, "fault": r.fault} for r in value.remarks],
    }


def image_part(label: str, image: Image | Outline) -> Json:
    """Format, size, segments and digests of an image."""
    source = image.source
    return {
        "label": sound(label),
        "format": source.format if source else None,
        "container": source.container if source else None,
        "member": sound(source.member) if source and source.member else None,
        "size": image.size,
        "segments": [{"start": s.start, "stop": s.stop} for s in image.segments],
        "file": str(source.file) if source else None,
        "content": str(image.content),
        "notes": [{"text": n.text, "line": n.line} for n in source.notes] if source else [],
    }


def sound(name: str) -> str:
    """A file name without lone surrogates, which are not JSON text (RFC 8259, section 8.2)."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def bytes_part(fates: Fates) -> Json:
    """How many differing bytes met which fate."""
    return {
        "total": fates.total,
        "cell": fates.cell,
        "checksum": fates.checksum,
        "identity": fates.identity,
        "volatile": fates.volatile,
        "unexplained": fates.unexplained,
    }


def same_document(calibrations: Sequence[Calibration], view: View) -> Json:
    """The comparison, or the series, of files that are the very same."""
    sides = [side(c, view) for c in calibrations]
    if len(sides) != 2:  # noqa: PLR2004 - a pair
        steps = [same_body() for _ in sides[1:]]
        both = {"against_first": steps, "against_previous": steps}
        return document("series", {"identity_differs": [], "sides": sides, **both, "origins": {}})
    body = same_body()
    first = {key: body.pop(key) for key in ("identity_differs", "identity")}
    return document("comparison", {**first, "sides": sides, **body})


def same_body() -> Json:
    """What a comparison says of two files that are the same."""
    return {
        "identity_differs": [],
        "identity": [],
        "identical": True,
        "across": False,
        "bytes": {"total": 0, "cell": 0, "checksum": 0, "identity": 0, "volatile": 0, "unexplained": 0},
        "axes": [],
        "tables": [],
        "left_out": 0,
        "codes": [],
        "unexplained": {"runs": 0, "listed": []},
        "checksums": [],
        "notes": [],
    }
