"""Questions to differing bytes, against a look at every address."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from caldiff.diff.compare import compare
from caldiff.diff.model import Extent
from caldiff.gate.extents import Span, first_inside, less, outside
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

spans = st.lists(st.tuples(st.integers(0, 24), st.integers(0, 6)).map(lambda p: (p[0], p[0] + p[1])), max_size=4)
addresses = st.frozensets(st.integers(0, 30), max_size=12)


def inside(found: list[Span] | tuple[Span, ...]) -> set[int]:
    return {at for start, stop in found for at in range(start, stop)}


def runs(found: frozenset[int]) -> list[Extent]:
    """Runs without a gap."""
    starts = sorted(at for at in found if at - 1 not in found)
    stops = sorted(at + 1 for at in found if at + 1 not in found)
    return [Extent(start=start, stop=stop) for start, stop in zip(starts, stops, strict=True)]


@given(spans, spans)
def test_what_is_left(some: list[Span], taken: list[Span]) -> None:
    assert inside(less(some, taken)) == inside(some) - inside(taken)


@given(addresses, spans)
def test_the_first_one_inside(found: frozenset[int], some: list[Span]) -> None:
    assert first_inside(runs(found), some) == min(found & inside(some), default=None)


@given(addresses, spans)
def test_those_outside(found: frozenset[int], some: list[Span]) -> None:
    left = outside(runs(found), some)
    assert inside(left) == found - inside(some)
    assert list(left) == sorted(left)


@given(addresses, spans)
def test_the_extents_of_a_comparison(found: frozenset[int], some: list[Span]) -> None:
    other = bytes(1 if at in found else 0 for at in range(31))
    sides = [Calibration(label=x, image=Image.of(d), definition=None) for x, d in (("a", bytes(31)), ("b", other))]
    extents = compare(*sides).extents
    assert first_inside(extents, some) == min(found & inside(some), default=None)
    assert inside(outside(extents, some)) == found - inside(some)
