"""Finding how an image's checksums are reckoned, where nobody knows.

Every region, and every prefix of one, is reckoned by every method; a result that stands somewhere in the image is an
agreement. What agrees in all images of a family, though they differ, is a candidate.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

import attrs

from caldiff.checksum.agreements import Agreement, Kind, agreements, trials
from caldiff.checksum.compensation import compensations, trials_of_constants, tries_constants
from caldiff.checksum.odds import bits_of, expected
from caldiff.checksum.prefixes import Prefixes, Searchable
from caldiff.checksum.search_space import Area, Places, field_size, methods, shared_spans
from caldiff.checksum.state import state_of
from caldiff.crc import Crc
from caldiff.definition.checksum_faults import faults
from caldiff.definition.checksums import Checksum, StoredField
from caldiff.definition.model import Region
from caldiff.errors import UsageError
from caldiff.image.model import Image

__all__ = ["Candidate", "Found", "find"]

_KINDS: tuple[Kind, ...] = ("whole", "prefix", "anywhere")
_SHORTEST = 16
_SURE = 0.01
"""agreements by chance to be expected of what is called sure"""

_WORD = 8
_VALUE_FIRST = 8
"""bits that a compensation word must be surer by than a plain value that explains the same"""


@attrs.frozen(kw_only=True)
class Candidate:
    """A checksum that holds in all the images, and what speaks for it.

    Attributes:
        checksum: as a definition would have it, named after the candidate's rank.
        region: what it covers is this region or the beginning of it.
        kind: ``whole``: the whole region, or all but its last words, stored in a likely place; ``prefix``: stored right
            behind what it covers; ``anywhere``.
        images: how many images differ in what is covered.
        said: bits that the agreement says.
        tried: agreements of that width and of that kind, or a likelier one, that were tried.
        others: other lengths that the images do not tell from this one.
    """

    checksum: Checksum
    region: Region
    kind: Kind
    images: int
    said: float
    tried: float
    others: int = 0

    @property
    def chance(self) -> float:
        """How many agreements as good as this one were to be expected by chance."""
        return expected(self.tried, self.said)

    @property
    def sure(self) -> bool:
        """Chance would bring such a one in less than one search of a hundred."""
        return self.chance < _SURE


@attrs.frozen(kw_only=True)
class Found:
    """What a search found, the surest first.

    Attributes:
        tried: agreements tried, all together.
        finished: the search was not stopped before its end.
        notes: what was not searched, in words.
    """

    candidates: tuple[Candidate, ...]
    tried: float
    finished: bool
    notes: tuple[str, ...] = ()


def find(
    images: Sequence[Image],
    regions: Iterable[Region],
    *,
    go_on: Callable[[int, int], bool] | None = None,
    most: int = 20,
) -> Found:
    """Search for checksums that hold in all the images, which are of one family.

    Args:
        images: one, or better several that differ.
        regions: what may be covered, or the beginning of which may; a region for checksums is a likely place too.
        go_on: called now and then with the work done and the work there is; False ends the search.
        most: candidates given.

    Raises:
        UsageError: no images, no regions that all images hold, or no address that they share.
    """
    if not images:
        raise UsageError("there is no image to search")
    images, regions = tuple(images), tuple(regions)
    spans = shared_spans(images)
    kept = [r for r in regions if r.size >= _SHORTEST and all(i.holds(r.start, r.stop) for i in images)]
    if not kept:
        raise UsageError("no region of 16 bytes and more is in all the images")
    search = _Search(
        areas=tuple(Area.of(r, images) for r in kept),
        places={size: Places.of(images, spans, regions, size) for size in (1, 2, 4, 8)},
    )
    agreed, finished = search.run(go_on or (lambda done, total: done <= total))
    candidates = _ranked(agreed, search.tried)
    sure = [c for c in candidates if all(state_of(i, c.checksum).status == "valid" for i in images)]
    return Found(
        candidates=tuple(_named(_with_complements(c, images), n) for n, c in enumerate(sure[:most], 1)),
        tried=sum(tried["anywhere"] for tried in search.tried.values()),
        finished=finished,
        notes=_notes(images, [r for r in regions if r not in kept]),
    )


def _notes(images: Sequence[Image], left_out: Sequence[Region]) -> tuple[str, ...]:
    notes = []
    if len(images) > 1 and len({image.content for image in images}) == 1:
        notes.append("all the images hold the same: several that differ tell chance from truth")
    if left_out:
        notes.append(f"not in all the images, or shorter than 16 bytes: {', '.join(r.name for r in left_out)}")
    return tuple(notes)


# ------------------------------------------------------------------------------------------------------------- search


@attrs.frozen(kw_only=True, eq=False)
class _Search:
    areas: tuple[Area, ...]
    places: Mapping[int, Places]
    tried: dict[int, dict[Kind, float]] = attrs.field(init=False)
    """agreements tried of a kind or a likelier one, by width"""

    def __attrs_post_init__(self) -> None:
        counts: dict[int, dict[Kind, float]] = defaultdict(lambda: dict.fromkeys(_KINDS, 0.0))
        for area in self.areas:
            for method in methods():
                for number in self._trials(area, method):
                    for kind, count in number.items():
                        counts[bits_of(method)][kind] += count
        for by_kind in counts.values():
            by_kind["prefix"] += by_kind["whole"]
            by_kind["anywhere"] += by_kind["prefix"]
        object.__setattr__(self, "tried", dict(counts))

    def _trials(self, area: Area, method: Searchable) -> Iterator[dict[Kind, float]]:
        yield trials(area, method, self.places[field_size(method)])
        if tries_constants(method):
            yield trials_of_constants(area, method)

    def run(self, go_on: Callable[[int, int], bool]) -> tuple[list[Agreement], bool]:
        """All agreements that chance does not explain, and whether the search came to its end."""
        found: list[Agreement] = []
        total = sum(area.size for area in self.areas) * len(methods())
        done = 0
        for area in self.areas:
            for method in methods():
                if not go_on(done, total):
                    return found, False
                found += self._of(area, method)
                done += area.size
        go_on(total, total)
        return found, True

    def _of(self, area: Area, method: Searchable) -> Iterator[Agreement]:
        tried, places = self.tried[bits_of(method)], self.places[field_size(method)]
        at_best = bits_of(method) * len(area.distinct(area.size))
        kinds = [kind for kind in _KINDS if expected(tried[kind], at_best) < 1]
        if not kinds:
            return
        prefixes = Prefixes(method=method, data=area.data)
        found = list(agreements(area, prefixes, places, kinds))
        if tries_constants(method):
            found += compensations(area, prefixes, places, kinds)
        yield from (a for a in found if expected(tried[a.kind], a.said) < 1)


# ------------------------------------------------------------------------------------------------------------- ranking


def _ranked(found: Iterable[Agreement], tried: Mapping[int, Mapping[Kind, float]]) -> list[Candidate]:
    """The surest first; what says the same as a surer one is left out or laid to it."""
    candidates = [
        Candidate(
            checksum=a.checksum,
            region=a.area.region,
            kind=a.kind,
            images=a.images,
            said=a.said,
            tried=tried[bits_of(a.checksum.method)][a.kind],  # type: ignore[arg-type] # only searchable methods agree
        )
        for a in found
    ]
    candidates.sort(key=_sureness)
    kept: list[Candidate] = []
    for candidate in candidates:
        twin = next((n for n, k in enumerate(kept) if _same_scheme(k.checksum, candidate.checksum)), None)
        copy = next((n for n, k in enumerate(kept) if _a_copy(k.checksum, candidate.checksum)), None)
        if twin is not None:
            one = kept[twin]
            kept[twin] = attrs.evolve(one, others=one.others + (one.checksum != candidate.checksum))
        elif copy is not None and candidate.sure:
            one = kept[copy]
            fields = (*one.checksum.fields, *candidate.checksum.fields)
            kept[copy] = attrs.evolve(one, checksum=attrs.evolve(one.checksum, fields=fields))
        elif not any(_explains(k.checksum, candidate.checksum) for k in kept):
            kept.append(candidate)
    return kept


def _sureness(candidate: Candidate) -> tuple[int, int, int]:
    """Chance to the nearest power of two, then the likelier kind, then the longer range."""
    checksum = candidate.checksum
    scale = round(candidate.said) - round(candidate.tried).bit_length() - _VALUE_FIRST * (checksum.constant is not None)
    span = checksum.coverage.spans[0]
    return (-scale, _KINDS.index(candidate.kind), -span.size)


def _same_scheme(kept: Checksum, other: Checksum) -> bool:
    """The same method and field, over another length or with its own bytes counted otherwise."""
    ours, its = kept.coverage.spans[0], other.coverage.spans[0]
    return (kept.method, kept.constant, ours.start) == (other.method, other.constant, its.start) and (
        other.fields[0] in kept.fields
    )


def _a_copy(kept: Checksum, other: Checksum) -> bool:
    """The same value, stored a second time."""
    outside = all(f.stop <= s.start or s.stop <= f.at for s in other.coverage.spans for f in other.fields)
    alike = (kept.method, kept.coverage) == (other.method, other.coverage)
    return outside and alike and kept.constant is other.constant is None


def _explains(kept: Checksum, other: Checksum) -> bool:
    """A surer candidate says the same already: one over the same bytes, or a constant that an ordinary value brings."""
    fields = [*kept.fields, *_neighbours(kept)]
    same_place = any(f.at < o.stop and o.at < f.stop for f in fields for o in other.fields)
    if other.constant is not None:
        return same_place or _family(kept) == _family(other)
    ours, its = kept.coverage.spans[0], other.coverage.spans[0]
    return same_place and ours.start == its.start and abs(ours.stop - its.stop) <= _WORD


def _family(checksum: Checksum) -> tuple[object, ...]:
    method, start = checksum.method, checksum.coverage.spans[0].start
    if isinstance(method, Crc):
        return (method.width, method.polynomial, method.reflect_in, start)
    return (type(method), getattr(method, "word", None), getattr(method, "byte_order", None), start)


def _neighbours(checksum: Checksum) -> list[StoredField]:
    """The words on either side of a field, where a complement may stand."""
    return [attrs.evolve(f, at=f.at + step) for f in checksum.fields for step in (-f.size, f.size)]


def _with_complements(candidate: Candidate, images: Sequence[Image]) -> Candidate:
    """The complement beside a value is a field of the same checksum."""
    checksum = candidate.checksum
    if checksum.constant is None:
        for field in _neighbours(checksum):
            longer = attrs.evolve(checksum, fields=(*checksum.fields, attrs.evolve(field, inverted=True)))
            if field.at >= 0 and not faults(longer) and all(state_of(i, longer).status == "valid" for i in images):
                checksum = longer
    return attrs.evolve(candidate, checksum=checksum)


def _named(candidate: Candidate, rank: int) -> Candidate:
    return attrs.evolve(candidate, checksum=attrs.evolve(candidate.checksum, name=f"found_{rank}"))
