"""Places on an axis: by hand on the edges, against NumPy's search, and shares against SciPy's interpolation."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from caldiff.evidence.locate import Grid, Locator

Floats = npt.NDArray[np.float64]


def test_places_reckoned_by_hand() -> None:
    found = Locator(np.array([0.0, 10.0, 30.0])).locate(np.array([-5, 0, 4.9, 5, 10, 19.9, 20, 30, 99.0]))
    assert found.nearest.tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 2]
    assert found.left.tolist() == [0, 0, 0, 0, 1, 1, 1, 1, 1]
    np.testing.assert_allclose(found.share, [0, 0, 0.49, 0.5, 0, 0.495, 0.5, 1, 1], rtol=1e-12)
    np.testing.assert_allclose(found.share + found.rest, 1)


def test_a_midpoint_belongs_to_the_higher_breakpoint_and_the_double_below_it_to_the_lower() -> None:
    # The midpoint of 0.1 and 0.3 as doubles is one of the doubles around 0.2; its neighbours decide by themselves.
    middle = (0.1 + 0.3) / 2
    found = Locator(np.array([0.1, 0.3])).locate(np.array([np.nextafter(middle, 0), middle, np.nextafter(middle, 1)]))
    assert found.nearest.tolist() == [0, 1, 1]


def test_a_falling_axis_is_the_rising_one_turned_round() -> None:
    found = Locator(np.array([30.0, 10.0, 0.0])).locate(np.array([-5, 4.9, 5, 15, 20, 99.0]))
    assert found.nearest.tolist() == [2, 2, 1, 1, 0, 0]
    assert found.left.tolist() == [1, 1, 1, 0, 0, 0]
    np.testing.assert_allclose(found.share, [1, 0.51, 0.5, 0.75, 0.5, 0], rtol=1e-12)


def test_one_breakpoint_takes_everything() -> None:
    found = Locator(np.array([7.0])).locate(np.array([-1e9, 7, np.inf]))
    assert (found.nearest.tolist(), found.left.tolist(), found.share.tolist()) == ([0] * 3, [0] * 3, [0.0] * 3)


@pytest.mark.parametrize("points", [[], [1, 1], [1, 3, 2], [1, np.nan], [-np.inf, 0], [-1.7e308, 1.7e308]])
def test_what_gives_no_value_one_place_is_not_taken(points: list[float]) -> None:
    assert not Locator.takes(np.array(points, float))


@given(
    st.lists(st.integers(-200, 200), min_size=1, max_size=90, unique=True),
    st.lists(st.integers(-900, 900), min_size=1, max_size=50),
)
def test_counting_finds_what_a_search_finds(whole: list[int], at: list[int]) -> None:
    # numpy.searchsorted over the midpoints, on the side that gives a tie to the higher breakpoint.
    points, values = np.sort(np.array(whole)) / 2, np.array(at) / 8
    middles = (points[1:] + points[:-1]) / 2
    found = Locator(points).locate(values)
    np.testing.assert_array_equal(found.nearest, np.searchsorted(middles, values, side="right"))
    np.testing.assert_array_equal(found.left, np.searchsorted(points[1:-1], values, side="right"))


@st.composite
def grids(draw: st.DrawFn) -> tuple[list[Floats], list[Floats]]:
    axis = st.lists(st.integers(-40, 40), min_size=2, max_size=5, unique=True)
    points = [np.sort(np.array(draw(axis), float)) for _ in range(draw(st.integers(1, 3)))]
    count = draw(st.integers(1, 6))
    one = st.lists(st.integers(-500, 500), min_size=count, max_size=count)
    return points, [np.array(draw(one)) / 8 for _ in points]


@given(grids())
def test_shares_are_what_scipy_interpolates_of_a_table_that_is_one_in_one_cell(
    question: tuple[list[Floats], list[Floats]],
) -> None:
    points, at = question
    shape = tuple(p.size for p in points)
    grid, places = Grid(shape), [Locator(p).locate(a) for p, a in zip(points, at, strict=True)]
    held = np.stack([np.clip(a, p[0], p[-1]) for p, a in zip(points, at, strict=True)], axis=-1)
    weights = np.arange(1.0, at[0].size + 1)
    shares, touched = grid.shared(places, weights).reshape(shape), grid.touched(places).reshape(shape)
    for cell in product(*map(range, shape)):
        one = np.zeros(shape)
        one[cell] = 1
        theirs = RegularGridInterpolator(points, one)(held)
        assert shares[cell] == pytest.approx((theirs * weights).sum(), abs=1e-9)
        assert touched[cell] == np.count_nonzero(theirs > 0)
    assert shares.sum() == pytest.approx(weights.sum())


@given(grids())
def test_the_value_at_each_sample_is_what_scipy_interpolates(question: tuple[list[Floats], list[Floats]]) -> None:
    points, at = question
    values = np.sin(np.arange(np.prod([p.size for p in points]))).reshape([p.size for p in points])
    held = np.stack([np.clip(a, p[0], p[-1]) for p, a in zip(points, at, strict=True)], axis=-1)
    places = [Locator(p).locate(a) for p, a in zip(points, at, strict=True)]
    theirs = RegularGridInterpolator(points, values)(held)
    np.testing.assert_allclose(Grid(values.shape).interpolated(places, values), theirs, atol=1e-12)


def test_cells_are_numbered_in_array_order_and_a_lone_breakpoint_has_no_neighbour() -> None:
    places = [Locator(np.array([0.0, 1])).locate(np.array([1.0])), Locator(np.array([5.0])).locate(np.array([9.0]))]
    assert Grid((2, 1)).nearest(places).tolist() == [1]
    assert Grid((2, 1)).shared(places, np.array([3.0])).tolist() == [0, 3]
