"""Interpolation against SciPy and NumPy (peers that are installed), and hand-reckoned surfaces."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from caldiff.diff import operating
from caldiff.diff.operating import Grid, NoSurface, interpolate, same_points

Floats = npt.NDArray[np.float64]


def grid(points: list[list[float]], values: object, rounding: float = 0.5) -> Grid:
    return Grid(
        points=tuple(np.array(p, float) for p in points), values=np.array(values, float), rounding=np.array(rounding)
    )


knots = st.lists(st.integers(-500, 500), min_size=1, max_size=6, unique=True).map(lambda p: np.array(sorted(p)) / 4)
wanted = st.lists(st.integers(-3000, 3000), min_size=1, max_size=8).map(lambda p: np.array(p) / 16)


@st.composite
def questions(draw: st.DrawFn) -> tuple[list[Floats], Floats, list[Floats]]:
    points = [draw(knots) for _ in range(draw(st.integers(1, 3)))]
    at = [draw(wanted) for _ in points]
    count = int(np.prod([p.size for p in points]))
    values = draw(st.lists(st.integers(-9999, 9999), min_size=count, max_size=count))
    return points, np.array(values, float).reshape([p.size for p in points]), at


@given(questions())
def test_as_scipy_does_it_with_ends_held(question: tuple[list[Floats], Floats, list[Floats]]) -> None:
    # SciPy's RegularGridInterpolator wants two points at least and knows no held ends: a lone point is doubled (a
    # constant), and the operating points are held to the ends before it is asked.
    points, values, at = question
    theirs_points, theirs_values = [], values
    for dimension, p in enumerate(points):
        lone = p.size == 1
        theirs_points.append(np.array([p[0], p[0] + 1]) if lone else p)
        theirs_values = np.repeat(theirs_values, 2, axis=dimension) if lone else theirs_values
    held = [np.clip(a, p[0], p[-1]) for a, p in zip(at, points, strict=True)]
    mesh = np.stack(np.meshgrid(*held, indexing="ij"), axis=-1)
    expected = RegularGridInterpolator(theirs_points, theirs_values)(mesh)
    np.testing.assert_allclose(interpolate(points, values, at), expected, rtol=0, atol=1e-9)


@given(questions())
def test_a_curve_as_numpy_interp_does_it(question: tuple[list[Floats], Floats, list[Floats]]) -> None:
    points, values, at = question
    curve = values.reshape(points[0].size, -1)[:, 0]
    np.testing.assert_allclose(
        interpolate(points[:1], curve, at[:1]), np.interp(at[0], points[0], curve), rtol=0, atol=1e-9
    )


@given(questions())
def test_on_its_own_breakpoints_a_grid_is_itself_to_the_bit(
    question: tuple[list[Floats], Floats, list[Floats]],
) -> None:
    points, values, _ = question
    assert np.array_equal(interpolate(points, values, points), values)


def test_a_breakpoint_between_two_others_on_their_line_changes_nothing() -> None:
    surface = same_points(grid([[0, 10]], [0, 100]), grid([[0, 5, 10]], [0, 50, 100]))
    assert surface.points[0].tolist() == [0, 5, 10]
    assert surface.before.tolist() == surface.after.tolist() == [0, 50, 100]
    assert (surface.changed, surface.largest, surface.tolerance) == (False, 0.0, 1.0)


def test_the_same_cells_over_a_wider_axis_are_another_surface() -> None:
    # before: 0..100 over 0..10; after: the same cells over 0..20. At 10 the after surface stands at 50.
    surface = same_points(grid([[0, 10]], [0, 100]), grid([[0, 20]], [0, 100]))
    assert surface.points[0].tolist() == [0, 10, 20]
    assert surface.before.tolist() == [0, 100, 100]  # held beyond 10
    assert surface.after.tolist() == [0, 50, 100]
    assert (surface.changed, surface.largest, surface.at) == (True, 50.0, (10.0,))


def test_a_map_by_hand() -> None:
    # Over y 0, 10 and x 0, 4; after, x has 2 as well with the middle raised from 15 to 21 on the upper row.
    before = grid([[0, 10], [0, 4]], [[0, 20], [10, 40]])
    after = grid([[0, 10], [0, 2, 4]], [[0, 10, 20], [10, 31, 40]])
    surface = same_points(before, after)
    assert surface.before.tolist() == [[0, 10, 20], [10, 25, 40]]
    assert surface.after.tolist() == [[0, 10, 20], [10, 31, 40]]
    assert (surface.changed, surface.largest, surface.at) == (True, 6.0, (10.0, 2.0))


@pytest.mark.parametrize(("stored", "changed"), [(10.0, False), (11.0, False), (12.0, True), (9.0, True)])
def test_half_a_step_of_each_side_is_rounding_and_a_whole_step_off_is_not(stored: float, changed: bool) -> None:
    # The line from 10 to 11 stands at 10.5 in the middle: 10 and 11 are its roundings to whole steps, 9 and 12 are not.
    surface = same_points(grid([[0, 2]], [10, 11]), grid([[0, 1, 2]], [10, stored, 11]))
    assert surface.changed is changed


def test_a_cell_one_step_higher_is_a_change() -> None:
    surface = same_points(grid([[0, 2]], [10, 11]), grid([[0, 3]], [11, 11]))
    assert (surface.changed, surface.largest, surface.at) == (True, 1.0, (0.0,))


def test_steps_in_tenths_are_told_from_rounding_in_spite_of_binary_fractions() -> None:
    for low in range(0, 60000, 977):
        value = low / 10
        surface = same_points(grid([[0, 1]], [value, value], 0.05), grid([[0, 2]], [value, (low + 1) / 10], 0.05))
        assert surface.changed
        assert surface.at == (2.0,)


def test_with_steps_of_different_size_every_point_has_its_own_tolerance() -> None:
    # Left a step is 1, right it is 100: the left point's 3 is a change, the right one's 60 is rounding.
    rough = np.array([0.5, 50.0])
    before = Grid(points=(np.array([0.0, 1.0]),), values=np.array([0.0, 1000.0]), rounding=rough)
    after = Grid(points=(np.array([0.0, 1.0]),), values=np.array([3.0, 1060.0]), rounding=rough)
    surface = same_points(before, after)
    assert (surface.changed, surface.largest, surface.at, surface.tolerance) == (True, 3.0, (0.0,), 1.0)


def test_a_falling_axis_is_turned_round() -> None:
    rising = grid([[0, 10, 30]], [1, 2, 3])
    falling = grid([[30, 10, 0]], [3, 2, 1])
    surface = same_points(rising, falling)
    assert surface.points[0].tolist() == [0, 10, 30]
    assert surface.after.tolist() == [1, 2, 3]
    assert not surface.changed


@pytest.mark.parametrize(
    ("points", "values", "reason"),
    [
        ([[0, 5, 5]], [1, 2, 3], "does not rise strictly"),
        ([[0, 5, 4]], [1, 2, 3], "does not rise strictly"),
        ([[0, 5, float("nan")]], [1, 2, 3], "does not rise strictly"),
        ([[0, 5, float("inf")]], [1, 2, 3], "does not rise strictly"),
        ([[]], [], "no breakpoint"),
        ([[0, 5, 6]], [1, float("nan"), 3], "not a finite number"),
        ([[0, 1], [0]], [[1], [2]], "number of axes"),
    ],
)
def test_what_is_no_surface_says_why(points: list[list[float]], values: list[float], reason: str) -> None:
    with pytest.raises(NoSurface, match=reason):
        same_points(grid([[0, 10]], [0, 100]), grid(points, values))


def test_a_union_of_grids_that_is_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(operating, "MOST_POINTS", 3)
    with pytest.raises(NoSurface, match="4 operating points, more than 3"):
        same_points(grid([[0, 10]], [0, 100]), grid([[1, 9]], [0, 100]))


def test_doubles_that_overflow_are_no_surface() -> None:
    huge = float(np.finfo(float).max)
    with pytest.raises(NoSurface, match="too large"):
        same_points(grid([[-huge, huge]], [-huge, huge]), grid([[0, huge]], [huge, -huge]))


def test_results_are_read_only() -> None:
    surface = same_points(grid([[0, 10]], [0, 100]), grid([[0, 20]], [0, 100]))
    for array in (surface.before, surface.after, *surface.points):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
