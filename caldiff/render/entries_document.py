"""An entry of a unit's chain as JSON: the same in a history and for what was just recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from caldiff.canonical import Digest
from caldiff.ledger.entry import Changes, Entry, ImageFacts, Subject
from caldiff.render.entries import Numbers, alerts, deed

if TYPE_CHECKING:
    from caldiff.render.document import Json

__all__ = ["entry_part"]


def entry_part(entry: Entry, numbers: Numbers, baseline: Entry | None) -> Json:
    """All of an entry. Other entries are told by their number; keys that its kind has no use for are null."""
    body: Any = entry.body

    def number(name: str) -> int | None:
        digest: Digest | None = getattr(body, name, None)
        return None if digest is None else numbers.get(digest)

    def changes(*names: str) -> Json | None:
        found = next((value for name in names if (value := getattr(body, name, None)) is not None), None)
        return None if found is None else _changes(found)

    return {
        "sequence": entry.sequence,
        "hash": str(entry.hash),
        "previous": None if entry.previous is None else str(entry.previous),
        "kind": entry.kind,
        "time": entry.draft.time,
        "author": entry.draft.author,
        "message": entry.draft.message,
        "summary": deed(entry, numbers),
        "files": [_subject(subject) for subject in entry.draft.subjects],
        "of": number("of"),
        "parent": number("parent"),
        "baseline": number("baseline"),
        "image": None if entry.image is None else _image(entry.image),
        "changes": changes("against_parent", "changes"),
        "against_baseline": changes("against_baseline"),
        "authorities": dict(getattr(body, "authorities", ())),
        "made_from": [_subject(subject) for subject in getattr(body, "made_from", ())],
        "to": getattr(body, "to", None),
        "finding": getattr(body, "finding", None),
        "confirms": getattr(body, "confirms", None),
        "sort": getattr(body, "sort", None),
        "facts": dict(getattr(body, "facts", ())),
        "role": getattr(body, "role", None),
        "alerts": [{"about": label, "text": text} for label, text in alerts(entry, baseline)],
    }


def _subject(subject: Subject) -> Json:
    return {"name": subject.name, "digest": str(subject.file)}


def _image(image: ImageFacts) -> Json:
    definition = image.definition
    return {
        "format": image.format,
        "container": image.container,
        "size": image.size,
        "start": image.start,
        "content": str(image.content),
        "stable": None if image.stable is None else str(image.stable),
        "definition": None if definition is None else {"name": definition.name, "digest": str(definition.digest)},
        "identity": [
            {
                "name": fact.name,
                "means": fact.means,
                "text": fact.text,
                "shortened": fact.personal,
                "digest": fact.match,
            }
            for fact in image.identity
        ],
        "checksums": [{"name": fact.name, "status": fact.status} for fact in image.checksums],
    }


def _changes(changes: Changes) -> Json:
    return {
        "raw": str(changes.raw),
        "bytes": {
            "total": changes.bytes,
            "cell": changes.cell,
            "checksum": changes.checksum,
            "identity": changes.identity,
            "volatile": changes.volatile,
            "unexplained": changes.unexplained,
        },
        "code": changes.code,
        "cells": changes.cells,
        "tables": dict(changes.tables),
        "axes": list(changes.axes),
        "tags": list(changes.tags),
        "regions": list(changes.regions),
        "replaced": changes.replaced,
    }
