"""Results as JSON documents: what they share, and what each file is. Free of numpy.

Every document says what it is and in which version: ``{"caldiff": "comparison", "version": 1, ...}``. Addresses, sizes
and counts are integers; raw integers beyond 2**53 - 1 are decimal text (RFC 7493, section 2.2); physical values are the
nearest doubles, ``null`` where there is none. Bytes are hexadecimal text.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import isfinite
from typing import Any

from caldiff.image.model import Image
from caldiff.render.view import View
from caldiff.table.calibration import Calibration
from caldiff.table.identity import identify

__all__ = ["Json", "document", "image_part", "integer", "number", "numbers", "printed", "same_document", "side"]

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
    definition = calibration.definition
    found: Json | None = None
    fields: list[Json] = []
    if definition is not None:
        found = {"name": definition.name, "title": definition.title, "digest": str(definition.digest)}
        for value in identify(calibration.image, definition):
            text = value.text if view.personal else value.shown
            fields.append(_field(value.field.name, value.field.title, value.personal, view, text=text))
    return {**image_part(calibration.label, calibration.image), "definition": found, "identity": fields}


def _field(name: str, title: str, personal: bool, view: View, **texts: str | None) -> Json:
    return {"name": name, "title": title, "shortened": personal and not view.personal, **texts}


def image_part(label: str, image: Image) -> Json:
    """Format, size, segments and digests of an image."""
    source = image.source
    return {
        "label": _sound(label),
        "format": source.format if source else None,
        "container": source.container if source else None,
        "member": _sound(source.member) if source and source.member else None,
        "size": image.size,
        "segments": [{"start": s.start, "stop": s.stop} for s in image.segments],
        "file": str(source.file) if source else None,
        "content": str(image.content),
        "notes": [{"text": n.text, "line": n.line} for n in source.notes] if source else [],
    }


def _sound(name: str) -> str:
    """A file name without lone surrogates, which are not JSON text (RFC 8259, section 8.2)."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def same_document(calibrations: Sequence[Calibration], view: View) -> Json:
    """The comparison, or the series, of files that are the very same."""
    sides = [side(c, view) for c in calibrations]
    if len(sides) != 2:  # noqa: PLR2004 - a pair
        steps = [same_body() for _ in sides[1:]]
        return document("series", {"sides": sides, "against_first": steps, "against_previous": steps, "origins": {}})
    return document("comparison", {"sides": sides, **same_body()})


def same_body() -> Json:
    """What a comparison says of two files that are the same."""
    return {
        "identical": True,
        "across": False,
        "bytes": {"total": 0, "cell": 0, "checksum": 0, "identity": 0, "volatile": 0, "unexplained": 0},
        "identity": [],
        "axes": [],
        "tables": [],
        "left_out": 0,
        "unexplained": {"runs": 0, "listed": []},
        "checksums": [],
        "notes": [],
    }
