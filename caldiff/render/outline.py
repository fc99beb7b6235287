"""What is to be said of an image once its bytes are let go: many files are told of, one is held at a time."""

from __future__ import annotations

from typing import Self

import attrs

from caldiff.canonical import Digest
from caldiff.image.model import Image, Source

__all__ = ["Outline", "Span"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Span:
    """Addresses ``[start, stop)``."""

    start: int
    stop: int


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Outline:
    """An image without its bytes; what it shares with :class:`Image` is called the same."""

    source: Source | None
    start: int
    stop: int
    size: int
    segments: tuple[Span, ...]
    content: Digest

    @classmethod
    def of(cls, image: Image) -> Self:
        """What is to be said of an image."""
        spans = tuple(Span(start=s.start, stop=s.stop) for s in image.segments)
        return cls(
            source=image.source,
            start=image.start,
            stop=image.stop,
            size=image.size,
            segments=spans,
            content=image.content,
        )
