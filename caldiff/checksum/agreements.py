"""Where a method's result over a region, or a prefix of it, stands in all of several images."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Literal

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.checksum.methods import reckon
from caldiff.checksum.odds import said_by_one, said_by_others
from caldiff.checksum.prefixes import Prefixes, Searchable, Values, unit_of
from caldiff.checksum.search_space import Addresses, Area, Places
from caldiff.checksum.state import state_of
from caldiff.crc import Crc, combine_crcs, reckon_crc
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField, Sum, Xor
from caldiff.definition.model import ByteOrder

__all__ = ["Agreement", "Kind", "agreements", "trials"]

Kind = Literal["whole", "prefix", "anywhere"]
Indices = npt.NDArray[np.intp]

_SHORTEST = 16
"""bytes of a prefix: less than that is no region"""
_SURVIVORS = 1000
"""agreements of one method over one area that are looked at further"""
_INSIDE = 1024
"""places inside an area where its own checksum may rest"""


@attrs.frozen(kw_only=True, eq=False)
class Agreement:
    """A checksum that holds in all the images.

    Attributes:
        kind: ``whole``: a whole region, or all but its last words, stored in a likely place; ``prefix``: stored right
            behind what it covers; ``anywhere``.
        said: bits that the agreement says, see :mod:`caldiff.checksum.odds`.
        images: how many of them differ in what is covered.
    """

    checksum: Checksum
    area: Area
    kind: Kind
    said: float
    images: int


def trials(area: Area, method: Searchable, places: Places) -> dict[Kind, float]:
    """How many agreements :func:`agreements` tries, by kind."""
    orders, ends = len(_orders(places)), area.ends(method)
    inside = 3 * _inside(area, places).size if isinstance(method, Crc | Sum | Xor) else 0
    return {
        "whole": orders * (3.0 * places.likely.size + inside),
        "prefix": orders * float(ends),
        "anywhere": orders * float(ends) * places.all.size,
    }


def agreements(area: Area, prefixes: Prefixes, places: Places, kinds: Collection[Kind]) -> Iterator[Agreement]:
    """All agreements of the kinds, those over prefixes of at least 16 bytes."""
    yield from _after_prefixes(area, prefixes, places, kinds)
    if "whole" in kinds:
        yield from _around_itself(area, prefixes, places)


def _orders(places: Places) -> tuple[ByteOrder, ...]:
    return ("big", "little") if places.size > 1 else ("big",)


# ------------------------------------------------------------------------------------------- behind, or somewhere else


def _after_prefixes(area: Area, prefixes: Prefixes, places: Places, kinds: Collection[Kind]) -> Iterator[Agreement]:
    unit = unit_of(prefixes.method)
    last = area.size // unit
    closing = {area.size - n * places.size for n in range(3)}
    closing_numbers = [end // unit for end in closing if end % unit == 0 and end >= _SHORTEST]
    only = set(kinds) == {"whole"}
    numbers = np.array(sorted(closing_numbers)) if only else np.arange(-(-_SHORTEST // unit), last + 1)
    if not numbers.size:
        return
    values = prefixes.at(0, numbers)
    for order in _orders(places):
        found = [_meet(values, places.words(0, order, places.likely if only else places.all), only, places)]
        if not only:
            found.append(_behind(area, values, numbers, unit, order, places))
        at, addresses = (np.concatenate(parts) for parts in zip(*found, strict=True))
        kept = numbers[at]
        yield from _surviving(area, prefixes, places, kinds, (order, kept, addresses))


def _meet(values: Values, words: Values, only_likely: bool, places: Places) -> tuple[Indices, Addresses]:
    """All pairs of a value and a place that holds it: index of the value, address."""
    addresses = places.likely if only_likely else places.all
    low = np.uint64(0xFFFF)
    seen = np.zeros(1 << 16, bool)
    seen[words & low] = True
    at = np.flatnonzero(seen[values & low])  # a look-up thins out the values before they are searched for
    order = np.argsort(words, kind="stable")
    ordered = words[order]
    first = np.searchsorted(ordered, values[at], "left")
    count = np.searchsorted(ordered, values[at], "right") - first
    starts = np.repeat(first - (np.cumsum(count) - count), count)
    return np.repeat(at, count), addresses[order[starts + np.arange(starts.size)]]


def _behind(  # noqa: PLR0913, PLR0917 - one call, each a fact of the area
    area: Area, values: Values, numbers: Indices, unit: int, order: ByteOrder, places: Places
) -> tuple[Indices, Addresses]:
    """Values that stand right behind what they cover."""
    addresses = area.region.start + numbers.astype(np.int64) * unit
    at = np.flatnonzero(places.held(addresses))
    hits = at[places.words(0, order, addresses[at]) == values[at]]
    return hits, addresses[hits]


def _surviving(
    area: Area,
    prefixes: Prefixes,
    places: Places,
    kinds: Collection[Kind],
    pairs: tuple[ByteOrder, Indices, Addresses],
) -> Iterator[Agreement]:
    """The pairs that hold in every image, once each."""
    order, numbers, addresses = pairs
    ends = numbers * unit_of(prefixes.method)
    start = area.region.start
    outside = (addresses >= start + ends) | (addresses + places.size <= start)
    ends, numbers, addresses = ends[outside], numbers[outside], addresses[outside]
    for image in range(1, len(area.data)):
        held = prefixes.at(image, numbers) == _words_at(places, image, order, addresses)
        ends, numbers, addresses = ends[held], numbers[held], addresses[held]
    closing = {area.size - n * places.size for n in range(3)}
    likely = set(places.likely.tolist())
    pairs_left = sorted(set(zip(ends.tolist(), addresses.tolist(), strict=True)), reverse=True)[:_SURVIVORS]
    for end, address in pairs_left:
        kind: Kind = (
            "whole" if end in closing and address in likely else "prefix" if address == start + end else "anywhere"
        )
        if kind in kinds:
            spans = (Span(start=start, stop=start + end),)
            yield _agreement(area, prefixes.method, Coverage(spans=spans), places, (address, order, kind))


def _words_at(places: Places, image: int, order: ByteOrder, addresses: Addresses) -> Values:
    """``places.words`` for addresses in any order."""
    ordered, back = np.unique(addresses, return_inverse=True)
    return places.words(image, order, ordered)[back]


def _agreement(
    area: Area, method: Searchable, coverage: Coverage, places: Places, where: tuple[int, ByteOrder, Kind]
) -> Agreement:
    at, order, kind = where
    end = coverage.spans[0].stop - area.region.start
    distinct = area.distinct(end)
    unit = unit_of(method)
    values = [reckon(method, area.data[n][: end // unit * unit]) for n in distinct]
    stored = int(places.words(0, order, np.array([at]))[0])
    said = min(said_by_one(method, end), places.bits_of_value(stored, order)) + said_by_others(method, values)
    field = StoredField(at=at, size=places.size, byte_order=order)
    checksum = Checksum(name="found", method=method, coverage=coverage, fields=(field,))
    return Agreement(checksum=checksum, area=area, kind=kind, said=said, images=len(distinct))


# -------------------------------------------------------------------------------------------- inside what it covers


def _inside(area: Area, places: Places) -> Addresses:
    """The places inside the area; only those that differ where what is covered does, for so does its checksum then."""
    several = len(area.distinct(area.size)) > 1
    for among in (places.differing,) if several else (places.all, places.likely):
        kept = among[(among >= area.region.start) & (among + places.size <= area.region.stop)]
        if kept.size <= _INSIDE:
            return kept
    return kept[:: -(-kept.size // _INSIDE)]


def _around_itself(area: Area, prefixes: Prefixes, places: Places) -> Iterator[Agreement]:
    """A region whose checksum rests inside it and counts as passed over, erased or zero."""
    method = prefixes.method
    if not isinstance(method, Crc | Sum | Xor):
        return
    size, start = places.size, area.region.start
    unit = unit_of(method)
    addresses = _inside(area, places)
    addresses = addresses[(addresses - start) % unit == 0]
    if area.size % unit or size % unit or not addresses.size:
        return
    numbers = (addresses - start) // unit
    before, behind = (prefixes.at(0, numbers + n) for n in (0, size // unit))
    owns: tuple[Literal["skip"] | int, ...] = ("skip", 0xFF, 0x00) if isinstance(method, Crc) else ("skip", 0xFF)
    for own in owns:
        values = _replaced(area, method, own, size, (addresses - start, before, behind))
        for order in _orders(places):
            hits = addresses[values == places.words(0, order, addresses)]
            if hits.size > max(1, addresses.size // 2):
                continue  # any word makes up for the rest where the whole comes out at nothing: see the constants
            for at in hits.tolist():
                if own == "skip" and at + size == area.region.stop:
                    continue  # the same as the prefix before it
                coverage = Coverage(spans=(Span(start=start, stop=area.region.stop),), own=own)
                found = _agreement(area, method, coverage, places, (at, order, "whole"))
                if all(state_of(image, found.checksum).status == "valid" for image in places.images):
                    yield found


def _replaced(
    area: Area,
    method: Crc | Sum | Xor,
    own: Literal["skip"] | int,
    size: int,
    around: tuple[Addresses, Values, Values],
) -> Values:
    """The value over the first image's area for every place, the bytes there left out or replaced.

    All three kinds are linear: what the bytes contribute is taken out, what stands in for them is put in.
    """
    offsets, before, behind = around
    filled = b"" if own == "skip" else bytes([own]) * size
    total = reckon(method, area.data[0])
    if isinstance(method, Crc):
        fill = reckon_crc(method, filled)
        return np.array(
            [
                total
                ^ combine_crcs(method, combine_crcs(method, b, fill, len(filled)) if filled else b, 0, rest)
                ^ combine_crcs(method, a, 0, rest)
                for b, a, rest in zip(
                    before.tolist(), behind.tolist(), (area.size - size - offsets).tolist(), strict=True
                )
            ],
            np.uint64,
        )
    fill, nothing = reckon(method, filled), reckon(method, b"")
    if isinstance(method, Xor):
        return before ^ behind ^ np.uint64(total ^ fill ^ nothing)
    constant = np.uint64((total + fill - nothing) % (1 << method.bits))
    return (constant + before - behind) & np.uint64((1 << method.bits) - 1)
