"""Where a method gives the same constant over all of several images: one word in them makes up for the rest."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import cache

import numpy as np

from caldiff.checksum.agreements import Agreement, Kind
from caldiff.checksum.odds import bits_of, said_by_one, step_bits
from caldiff.checksum.prefixes import Prefixes, Searchable, Values, unit_of
from caldiff.checksum.search_space import Area, Places
from caldiff.crc import Crc, catalogue
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField, Sum, Xor
from caldiff.definition.model import ByteOrder

__all__ = ["compensations", "trials_of_constants", "tries_constants"]


def tries_constants(method: Searchable) -> bool:
    """Whether a constant of the method is looked for: of CRCs and sums that differ by a constant anyway, one is."""
    match method:
        case Crc():
            return _first_of_its_family()[_family(method)] == method
        case Sum():
            return method.complement == "none"
        case Xor():
            return method.start == 0
        case _:
            return False


@cache
def _first_of_its_family() -> dict[tuple[object, ...], Crc]:
    """The plainest catalogue CRC of each polynomial and direction."""
    plainest = sorted(catalogue().values(), key=lambda crc: (crc.final_xor, crc.start), reverse=True)
    return {_family(crc): crc for crc in plainest}


def _family(crc: Crc) -> tuple[object, ...]:
    return (crc.width, crc.polynomial, crc.reflect_in, crc.reflect_out)


def trials_of_constants(area: Area, method: Searchable) -> dict[Kind, float]:
    """How many :func:`compensations` tries: two constants that suggest themselves, or any that the images share."""
    return {"whole": 2.0, "prefix": 2.0 * area.ends(method)}


def compensations(area: Area, prefixes: Prefixes, places: Places, kinds: Collection[Kind]) -> Iterator[Agreement]:
    """The whole region where its constant is the same in all the images, else the shortest such prefix."""
    method = prefixes.method
    unit = unit_of(method)
    values = [prefixes.all(n) for n in range(len(area.data))]
    same = np.logical_and.reduce([values[0] == other for other in values])
    obvious = (values[0] == 0) | (values[0] == (1 << bits_of(method)) - 1)
    several = np.arange(same.size) * unit >= sorted(area.novel)[min(1, len(area.novel) - 1)]
    if len(area.novel) == 1:
        several[:] = False
    hits = np.flatnonzero(same & (several | obvious))
    hits = hits[hits * unit >= 2 * places.size]
    if not hits.size:
        return
    whole = area.size % unit == 0 and hits[-1] == area.size // unit
    kind: Kind = "whole" if whole else "prefix"
    number = int(hits[-1] if whole else hits[0])
    if kind not in kinds:
        return
    end = number * unit
    distinct = area.distinct(end)
    said = sum(_moved(method, values[0], values[n], number) for n in distinct[1:])
    word = _word(area, method, places, end)
    if obvious[number]:
        value = int.from_bytes(places.images[0].view(word.at, word.stop), word.byte_order)
        said += min(said_by_one(method, end), places.bits_of_value(value, word.byte_order))
    spans = (Span(start=area.region.start, stop=area.region.start + end),)
    checksum = Checksum(
        name="found",
        method=method,
        coverage=Coverage(spans=spans),
        fields=(word,),
        constant=int(values[0][number]),
    )
    yield Agreement(checksum=checksum, area=area, kind=kind, said=said, images=len(distinct))


def _moved(method: Searchable, first: Values, other: Values, number: int) -> float:
    """How far the images were apart, in bits, before the word brought them together again."""
    apart = np.flatnonzero(first[:number] != other[:number])
    if not apart.size:
        return 0
    sample = apart[:: -(-apart.size // 256)].tolist()
    return max(step_bits(method, int(first[n]), int(other[n])) for n in sample)


def _word(area: Area, method: Searchable, places: Places, end: int) -> StoredField:
    """The likeliest word: one that differs between all the images, at an edge; else the last one covered."""
    size = places.size
    order: ByteOrder = method.byte_order if isinstance(method, Sum | Xor) else "big"
    start = area.region.start
    offsets = np.arange(0, end - size + 1, size)
    kept = np.ones(offsets.size, bool)
    first = np.frombuffer(area.data[0][: offsets.size * size], np.uint8).reshape(-1, size)
    for n in area.distinct(end)[1:]:
        other = np.frombuffer(area.data[n][: offsets.size * size], np.uint8).reshape(-1, size)
        kept &= (first != other).any(axis=1)
    moving = offsets[kept] if kept.any() and not kept.all() else offsets[-1:]
    edge = np.minimum(moving, end - size - moving)
    return StoredField(at=start + int(moving[edge.argmin()]), size=size, byte_order=order)
