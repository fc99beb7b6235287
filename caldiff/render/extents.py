"""Unexplained bytes as text: where, how many, in which region, and what stood and stands there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from typing import Literal

import attrs

from caldiff.diff.model import Comparison, Extent
from caldiff.image.model import Image
from caldiff.render.look import Look, plural, wrapped
from caldiff.render.view import View

__all__ = ["Span", "extent_lines", "hexadecimal", "withheld_from"]

Span = tuple[int, int]
"""addresses ``[start, stop)``"""

_PLACES = 16
_BYTES = 16
"""shown without ``--all``"""
_NEAR = 8
"""runs as close as this are shown as one place"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class _Place:
    """Runs that lie close together, in one region."""

    first: Extent
    stop: int
    differ: int

    @property
    def start(self) -> int:
        return self.first.start


def withheld_from(comparison: Comparison, view: View) -> tuple[Span, ...]:
    """Where personal fields lie, by the definition of either side; nowhere if they are to be shown.

    They are declared, and so never unexplained, as long as both images are read by definitions; without one of these,
    or where the fields lie between two unexplained runs, their bytes would be shown.
    """
    if view.personal:
        return ()
    definitions = [s.definition for s in (comparison.before, comparison.after) if s.definition is not None]
    return tuple({(f.at, f.stop) for d in definitions for f in d.identity.values() if f.personal})


def hexadecimal(image: Image, start: int, stop: int, withheld: Iterable[Span], separator: str = "") -> str:
    """The bytes in lower case, each two digits; ``**`` for one that is withheld."""
    text = image.read(start, stop - start).hex(separator) if separator else image.read(start, stop - start).hex()
    step = 2 + len(separator)
    for low, high in withheld:
        first, last = max(low, start) - start, min(high, stop) - start
        if first < last:
            stars = separator.join(["**"] * (last - first))
            text = text[: first * step] + stars + text[last * step - len(separator) :]
    return text


def extent_lines(
    comparison: Comparison,
    look: Look,
    view: View,
    *,
    names: tuple[str, str] = ("A", "B"),
    extents: Sequence[Extent] | None = None,
) -> list[str]:
    """Some of the differing runs, by default the unexplained ones; bounded unless ``--all``."""
    extents = comparison.unexplained if extents is None else extents
    out: list[str] = []
    told = 0
    for place in islice(_places(extents), None if view.whole else _PLACES):
        told += place.differ
        out += _lines(place, comparison, look, view, names)
    rest = sum(extent.size for extent in extents) - told if len(extents) > _PLACES and not view.whole else 0
    if rest > 0:
        out += wrapped(f"{plural(rest, 'more byte')} not shown; --all shows them", look.width, indent=4)
    return out


def _places(extents: Iterable[Extent]) -> Iterator[_Place]:
    held: _Place | None = None
    for extent in extents:
        alike = held and (held.first.region, held.first.presence) == (extent.region, extent.presence)
        if held and alike and extent.start - held.stop <= _NEAR:
            held = _Place(first=held.first, stop=extent.stop, differ=held.differ + extent.size)
            continue
        if held:
            yield held
        held = _Place(first=extent, stop=extent.stop, differ=extent.size)
    if held:
        yield held


def _lines(place: _Place, comparison: Comparison, look: Look, view: View, names: tuple[str, str]) -> list[str]:
    size = place.stop - place.start
    count = plural(size, "byte") if place.differ == size else f"{place.differ:,} of {plural(size, 'byte')}"
    first = place.first
    where = f"in {first.region} ({first.role})" if first.region and first.role else "in no declared region"
    only = {"both": "", "before": f", only in {names[0]}", "after": f", only in {names[1]}"}[first.presence]
    lead = "  ! " if first.role == "code" else "    "
    head = wrapped(look.text(f"0x{place.start:08X}  {count} {where}{only}"), look.width, indent=4, lead=lead)
    return [
        *head,
        *_hex("before", comparison, place, look, view),
        *_hex("after", comparison, place, look, view),
    ]


def _hex(name: Literal["before", "after"], comparison: Comparison, place: _Place, look: Look, view: View) -> list[str]:
    """The bytes of one side, as many as are shown."""
    if place.first.presence not in {"both", name}:
        return []
    room = max((look.width - 20) // 3, 4)
    most = place.stop - place.start if view.whole else min(_BYTES, room)
    stop = min(place.stop, place.start + most)
    image = (comparison.before if name == "before" else comparison.after).image
    data = hexadecimal(image, place.start, stop, withheld_from(comparison, view), " ").upper()
    more = f" {look.glyph('…')}" if stop < place.stop else ""
    return wrapped(data + more, look.width, indent=16, lead=f"        {name}")
