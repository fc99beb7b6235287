"""What a reader of one format hands back."""

from __future__ import annotations

import attrs

from caldiff.image.model import Note, RecordShape, Segment

__all__ = ["Parsed"]


@attrs.frozen(kw_only=True)
class Parsed:
    """What a reader made of a file's content."""

    segments: tuple[Segment, ...]
    shape: RecordShape | None = None
    notes: tuple[Note, ...] = ()
