"""Coverage: counts and statistics against SciPy and NumPy, visits, ends and changes reckoned by hand."""

from __future__ import annotations

import attrs
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binned_statistic_dd
from small_engine import Made, cut, having, rows, small

from caldiff.diff.compare import compare
from caldiff.errors import TableError, UsageError
from caldiff.evidence.coverage import cover, quantities_of
from caldiff.evidence.percentile import Sketch

Floats = npt.NDArray[np.float64]

ENGINE = small()
SPEED_EDGES, LOAD_EDGES = [-1e6, 1500, 3000, 1e6], [-1e6, 25, 1e6]
"""midpoints of 1000, 2000, 4000 and of 0, 50"""
drives = st.lists(
    st.tuples(
        st.integers(0, 5000).map(float),
        st.integers(-20, 120).map(float),
        st.integers(-99, 99).map(lambda n: n / 8),
        st.integers(1, 9),
    ),
    min_size=1,
    max_size=60,
)


def driven(rows_: list[tuple[float, float, float, int]]) -> Made:
    speed, load, knock, seconds = (np.array(column, float) for column in zip(*rows_, strict=True))
    starts = np.concatenate([[0.0], np.cumsum(seconds)[:-1]])
    return Made(starts, seconds, {"speed": speed, "load": load, "knock": knock})


@given(drives)
def test_counts_and_statistics_are_scipys_with_the_midpoints_as_edges(given_rows: list) -> None:
    # scipy.stats.binned_statistic_dd; whole seconds are weights, so each sample is repeated as often for SciPy.
    made = driven(given_rows)
    found = cover([made], ENGINE, tables=["fuel"], statistics=["knock"])["fuel"]
    points = np.stack([made.values["load"], made.values["speed"]], axis=1)
    again = made.weight.astype(int)
    many, knock = np.repeat(points, again, axis=0), np.repeat(made.values["knock"], again)
    edges = [LOAD_EDGES, SPEED_EDGES]
    count = binned_statistic_dd(points, None, "count", bins=edges).statistic
    np.testing.assert_array_equal(found.samples, count)
    np.testing.assert_allclose(found.seconds, binned_statistic_dd(many, None, "count", bins=edges).statistic)
    told = found.statistics["knock"]
    for name, theirs in (("mean", "mean"), ("spread", "std"), ("least", "min"), ("greatest", "max")):
        expected = binned_statistic_dd(many, knock, theirs, bins=edges).statistic
        expected = np.where(count > 0, expected, np.nan)
        np.testing.assert_allclose(getattr(told, name), expected, atol=1e-9)
    assert found.shares.sum() == pytest.approx(made.weight.sum())


@given(drives, st.lists(st.integers(0, 60), max_size=4))
def test_what_comes_out_does_not_depend_on_the_blocks(given_rows: list, places: list[int]) -> None:
    made = driven(given_rows)
    asked = {"statistics": ["knock"], "percentiles": [10, 50]}
    whole = cover([made], ENGINE, **asked)
    parts = cover(cut(made, *(p % made.time.size for p in places)), ENGINE, **asked)
    assert (whole.samples, [t.name for t in whole.tables]) == (parts.samples, [t.name for t in parts.tables])
    for one, other in zip(whole.tables, parts.tables, strict=True):
        np.testing.assert_array_equal(one.samples, other.samples)
        np.testing.assert_array_equal(one.visits, other.visits)
        np.testing.assert_allclose(one.shares, other.shares, atol=1e-9)
        np.testing.assert_allclose(one.statistics["knock"].spread, other.statistics["knock"].spread, atol=1e-9)
        for percent in (10, 50):
            ours, theirs = (t.statistics["knock"].percentiles[percent] for t in (one, other))
            np.testing.assert_array_equal(ours, theirs)


@given(drives, st.floats(0, 100))
def test_percentiles_lie_within_the_stated_error_of_numpys(given_rows: list, percent: float) -> None:
    # numpy.percentile, method inverted_cdf with weights. Where the share is met exactly, rounding may choose either
    # side, so what lies between a little less and a little more is right.
    made = driven(given_rows)
    told = cover([made], ENGINE, tables=["curve"], statistics=["knock"], percentiles=[percent])["curve"].statistics
    nearest = np.digitize(made.values["speed"], SPEED_EDGES[1:-1])
    for cell in range(3):
        here = nearest == cell
        ours = told["knock"].percentiles[percent][cell]
        if not here.any():
            assert np.isnan(ours)
            continue
        low, high = (
            np.percentile(made.values["knock"][here], p, method="inverted_cdf", weights=made.weight[here])
            for p in (max(percent - 1e-6, 0), min(percent + 1e-6, 100))
        )
        assert low - told["knock"].error <= ours <= high + told["knock"].error
    spread = np.ptp(made.values["knock"])
    assert told["knock"].error <= max(spread / 500, np.abs(made.values["knock"]).max() * 2**-39, 1e-300)


@pytest.mark.parametrize("values", [[0.0, 1e-300, 1e300], [5e-324, 1.0], [-1.7e308, 1.7e308], [0.0, 0.0]])
def test_a_sketch_takes_any_numbers(values: list[float]) -> None:
    sketch = Sketch(1)
    for value in values:
        sketch.add(np.array([0]), np.array([value]), np.array([1.0]))
    low, high = sketch.percentiles([0, 100])[:, 0]
    assert low - sketch.step <= min(values) <= low + sketch.step
    assert high - sketch.step <= max(values) <= high + sketch.step


# ----------------------------------------------------------------------------------------------------- reckoned by hand


def test_visits_are_entries_into_a_cell() -> None:
    # cells by nearest speed:       0     0     1     0     0
    made = rows(speed=[900.0, 1100, 2000, 1000, 1000], load=[0.0] * 5)
    assert cover([made], ENGINE, tables=["curve"])["curve"].visits.tolist() == [2, 1, 0]


def test_a_gap_a_missing_value_and_the_next_log_end_a_visit() -> None:
    gap = Made(np.array([0.0, 1, 5]), np.ones(3), {"speed": np.array([1000.0] * 3)})
    assert cover([gap], ENGINE, tables=["curve"])["curve"].visits.tolist() == [2, 0, 0]
    hole = rows(speed=[1000.0, np.nan, 1000.0])
    assert cover([hole], ENGINE, tables=["curve"])["curve"].visits.tolist() == [2, 0, 0]
    other = rows(speed=[1000.0])
    assert cover([other, other], ENGINE, tables=["curve"])["curve"].visits.tolist() == [2, 0, 0]
    last = rows(speed=[1000.0, np.nan]), rows(start=2.0, speed=[1000.0])
    assert cover(last, ENGINE, tables=["curve"])["curve"].visits.tolist() == [2, 0, 0]


def test_a_sample_that_stands_for_no_time_counts_for_nothing() -> None:
    made = Made(np.array([0.0, 1]), np.array([1.0, 0]), {"speed": np.array([1000.0, 4000])})
    found = cover([made], ENGINE, tables=["curve"])
    assert (found.samples, found.seconds) == (1, 1.0)
    assert found["curve"].samples.tolist() == [1, 0, 0]


def test_shares_are_those_of_the_controllers_interpolation() -> None:
    # 1250 rpm is a quarter of the way from 1000 to 2000, load 25 halfway from 0 to 50; 4 seconds.
    made = rows(step=4.0, speed=[1250.0], load=[25.0])
    found = cover([made], ENGINE, tables=["fuel"])["fuel"]
    assert found.shares.tolist() == [[1.5, 0.5, 0], [1.5, 0.5, 0]]
    assert found.seconds.tolist() == [[0, 0, 0], [4, 0, 0]]  # 25 is the midpoint: the higher breakpoint has it


def test_time_off_the_ends_of_each_axis() -> None:
    made = rows(step=2.0, speed=[500.0, 1000, 4000, 4001, np.nan], load=[-1.0, 0, 50, 51, 60])
    load, speed = cover([made], ENGINE, tables=["fuel"])["fuel"].axes
    assert (load.below, load.above, load.least, load.greatest, load.seconds) == (2, 4, -1, 60, 10)
    assert (speed.below, speed.above, speed.least, speed.greatest, speed.seconds) == (2, 2, 500, 4001, 8)


def test_a_falling_axis_and_one_with_a_single_breakpoint() -> None:
    # stored 0, 50, 100 with 100 - raw: 100, 50, 0 degC
    made = rows(coolant=[90.0, 10], gear=[1.0, 9], load=[0.0, 50])
    found = cover([made], ENGINE, tables=["warm", "by_gear"])
    assert found["warm"].samples.tolist() == [1, 0, 1]
    assert found["by_gear"].samples.tolist() == [[1], [1]]


def test_what_no_log_can_be_held_against_is_named_with_the_reason() -> None:
    made = rows(speed=[1000.0], load=[1.0], coolant=[1.0], gear=[1.0])
    found = cover([made], ENGINE)
    assert {t.name for t in found.tables} == {"fuel", "wanted", "scale", "ignition", "curve", "warm", "by_gear"}
    assert {t.name: t.reason for t in found.left_out} == {
        "boost": "no channel for boost",
        "cube": "no channel for boost2",
        "nameless": "the definition does not say what its axis nameless.x stands for",
        "other_unit": "its axis other_unit.x is in bar, other axes of speed in rpm",
        "single": "it has no axes",
    }


def test_channels_that_are_never_in_one_log_make_no_coverage() -> None:
    found = cover([rows(speed=[1000.0]), rows(load=[1.0])], ENGINE, tables=["fuel"])
    assert (found.tables, found.left_out[0].reason) == ((), "no log has all of its channels")


def test_an_axis_that_does_not_rise_is_left_out() -> None:
    broken = attrs.evolve(ENGINE, image=ENGINE.image.patched({0x302: bytes(2)}))
    (left,) = cover([rows(speed=[1000.0], load=[1.0])], broken, tables=["ignition"]).left_out
    assert left.reason == "its axis moving does not rise strictly"


def test_changed_cells_come_first_with_the_share_that_has_evidence() -> None:
    after = having(ENGINE, "fuel", [[1, 0, 0], [0, -3, 0]])
    made = rows(step=3.0, speed=[1000.0, 4000], load=[0.0, 0])
    found = cover([made], after, since=ENGINE)
    assert found.tables[0].name == "fuel"
    fuel = found["fuel"]
    assert fuel.change is not None
    assert fuel.change.changed.tolist() == [[True, False, False], [False, True, False]]
    assert fuel.change.step.tolist() == [[1, 0, 0], [0, -3, 0]]
    assert (fuel.changed, fuel.evident, fuel.evidence, fuel.least_seconds) == (2, 1, 0.25, 0)
    assert (found.changed, found.evident, found.since) == (2, 1, "small")
    assert all(t.change is None for t in found.tables[1:])
    assert cover([made], after, since=compare(ENGINE, after))["fuel"].evident == 1


def test_changed_cells_without_channels_count_as_changed_and_not_visited() -> None:
    after = having(having(ENGINE, "boost", [1, 1]), "single", 3)
    found = cover([rows(speed=[1000.0], load=[0.0])], after, since=ENGINE)
    assert (found.changed, found.evident) == (3, 0)
    assert {t.name: t.changed for t in found.left_out[:2]} == {"boost": 2, "single": 1}


def test_after_an_axis_moved_what_changed_is_told_from_the_surface() -> None:
    # Before: 0, 50, 150 over 1000, 2000, 4000 at both loads. The breakpoint 2000 moves to 3000, with its 50: at 2000
    # the surface falls from 50 to 25, at 3000 from 100 to 50. On the new axis the point 2000 is on a midpoint and
    # belongs to the higher breakpoint, 3000: only the middle cells changed, by 50 at the most.
    before = having(ENGINE, "ignition", [[0, 50, 150], [0, 50, 150]])
    after = attrs.evolve(before, image=before.image.patched({0x302: (3000).to_bytes(2, "big")}))
    found = cover([rows(speed=[3000.0], load=[0.0])], after, since=before)["ignition"]
    assert found.change is not None
    assert found.change.moved
    assert found.change.step.tolist() == [[0, -50, 0], [0, -50, 0]]
    assert (found.changed, found.evident, found.evidence) == (2, 1, 0.5)


def test_quantities_have_the_unit_of_the_first_axis() -> None:
    units = {"speed": "rpm", "load": "%", "coolant": "degC", "gear": "", "boost": "", "boost2": ""}
    assert quantities_of(ENGINE) == units
    assert quantities_of(ENGINE, ["warm", "curve"]) == {"speed": "rpm", "coolant": "degC"}


def test_usage() -> None:
    with pytest.raises(UsageError, match="0 to 100"):
        cover([], ENGINE, percentiles=[101])
    with pytest.raises(TableError, match="no table 'fule'"):
        cover([], ENGINE, tables=["fule"])
    with pytest.raises(UsageError, match="another image"):
        cover([], ENGINE, since=compare(ENGINE, having(ENGINE, "single", 3)))
    assert cover([], ENGINE).tables == ()


def test_arrays_are_read_only() -> None:
    found = cover([rows(speed=[1.0])], ENGINE, tables=["curve"])["curve"]
    for array in (found.samples, found.seconds, found.shares, found.visits):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
