"""What came of exporting and importing a unit, as text and as JSON. Free of numpy."""

from __future__ import annotations

from typing import TYPE_CHECKING

from caldiff.canonical import Digest
from caldiff.render.document import Json, document, sound
from caldiff.render.look import harmless, plural

if TYPE_CHECKING:
    from caldiff.vault.bundle import Imported

__all__ = ["exported_document", "exported_text", "imported_document", "imported_text"]


def exported_text(unit: str, entries: int, size: int, digest: Digest, output: str) -> str:
    """Two lines."""
    return (
        f"{harmless(output)}: {plural(size, 'byte')}, sha256 {digest.hex}\n"
        f"{unit} with {plural(entries, 'entry', 'entries')} and every file; unpacked by any zip program it is a vault\n"
    )


def exported_document(unit: str, entries: int, size: int, digest: Digest, output: str) -> Json:
    """The same as a document."""
    body = {"unit": unit, "entries": entries, "size": size, "digest": str(digest), "output": sound(output)}
    return document("exported", body)


def imported_text(taken: Imported) -> str:
    """A line or two."""
    there = f"{taken.unit}: {plural(taken.entries, 'entry', 'entries')} verified"
    if taken.added or taken.files:
        said = f"{there}; {plural(taken.added, 'entry', 'entries')} and {plural(taken.files, 'file')} taken in\n"
    else:
        said = f"{there}; all of it was here already\n"
    more = f"this vault has {plural(taken.ahead, 'entry', 'entries')} more of it\n" if taken.ahead else ""
    return said + more


def imported_document(taken: Imported) -> Json:
    """The same as a document."""
    return document(
        "imported",
        {
            "unit": taken.unit,
            "entries": taken.entries,
            "added": taken.added,
            "files": taken.files,
            "ahead": taken.ahead,
        },
    )
