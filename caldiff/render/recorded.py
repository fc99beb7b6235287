"""What was just recorded, as text and as JSON: its place in the chain, what changed, and what to beware of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from caldiff.canonical import Digest
from caldiff.ledger.entry import Entry
from caldiff.render.entries import Numbers, alerts, baseline_of, checksum_words, deed
from caldiff.render.entries_document import entry_part
from caldiff.render.look import Look, wrapped

if TYPE_CHECKING:
    from caldiff.ledger.chain import Recorded
    from caldiff.render.document import Json

__all__ = ["recorded_document", "recorded_text"]

_LABEL = 13
Alerts = Sequence[tuple[str, str]]
"""what to beware of: a word for it, and a sentence"""


def recorded_text(
    recorded: Recorded, entries: Mapping[Digest, Entry], numbers: Numbers, look: Look, *, more: Alerts = ()
) -> str:
    """A few lines; ``entries`` and ``numbers`` are of the whole chain, by hash. ``more``: alerts of the files."""
    entry = recorded.entry
    title = f"recorded as entry {entry.sequence} of {entry.unit}: {entry.kind}"
    out = [look.paint(line, "strong") for line in wrapped(look.text(title), look.width)]
    signed = ", ".join(signature.keyid for signature in recorded.envelope.signatures)
    said = [
        ("what", deed(entry, numbers)),
        ("checksums", checksum_words(entry.image).removeprefix("checksums: ") if entry.image else ""),
        ("signed", signed or "by nobody"),
    ]
    for label, text in said:
        out += wrapped(look.text(text), look.width, indent=_LABEL, lead=f"  {label}") if text else []
    out.append(f"  {'hash':<{_LABEL - 2}}{entry.hash.hex}")  # whatever the width: a hash in two pieces is none to copy
    for label, text in (*alerts(entry, baseline_of(entry, entries)), *more):
        lines = wrapped(look.text(text), look.width, indent=_LABEL + 2, lead=f"! {label}")
        out += [look.paint(lines[0], "alert"), *lines[1:]]
    return "\n".join(out) + "\n"


def recorded_document(
    recorded: Recorded, entries: Mapping[Digest, Entry], numbers: Numbers, *, more: Alerts = ()
) -> Json:
    """The same as a document."""
    from caldiff.render.document import document  # noqa: PLC0415 - text does without

    entry = recorded.entry
    part = entry_part(entry, numbers, baseline_of(entry, entries))
    part["alerts"] += [{"about": what, "text": text} for what, text in more]
    return document(
        "recorded",
        {
            "unit": entry.unit,
            "entry": part,
            "signed": [signature.keyid for signature in recorded.envelope.signatures],
        },
    )
