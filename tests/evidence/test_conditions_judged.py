"""Conditions and samples: which rows count, for how long, and what is held forward. Expected values by hand."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import EvidenceError
from caldiff.evidence import samples as samples_module
from caldiff.evidence.channels import tie
from caldiff.evidence.channels_file import channels_from_text
from caldiff.evidence.conditions import Conditions, Filter, Steady, Window, spread
from caldiff.evidence.log import open_log
from caldiff.evidence.samples import Sampling, samples

SHOP = channels_from_text(
    "channels: 1\nname: shop\nquantities: {n: {names: [n], unit: rpm}, T: {names: [T], unit: degC}, m: {names: [m]}}\n"
)
F = Fraction
Take = Callable[..., Sampling]


@pytest.fixture
def take(tmp_path: Path) -> Take:
    def take(text: str, conditions: Conditions | None = None, **options: Fraction) -> Sampling:
        path = tmp_path / "log.csv"
        path.write_text(f"time [s],n,T\n{text}", encoding="utf-8")
        log = open_log(path)
        return samples(log, tie(SHOP, log, {"n": "rpm", "T": "degC"}), ["n", "T"], conditions, **options)

    return take


def whole(found: Sampling) -> dict[str, list[float | None]]:
    parts = list(found)
    columns = {
        "time": [part.time for part in parts],
        "weight": [part.weight for part in parts],
        "n": [part.values["n"] for part in parts],
        "T": [part.values["T"] for part in parts],
    }
    return {
        name: [None if np.isnan(v) else v for v in np.concatenate(c).tolist()] if c else []
        for name, c in columns.items()
    }


def test_a_row_counts_until_the_next_one_and_not_over_a_gap(take: Take) -> None:
    found = take("0,1,1\n1,2,2\n3,3,3\n5.5,4,4\n6,5,5\n")
    assert whole(found)["weight"] == [1.0, 2.0, 0.0, 0.5, 0.0]
    assert (found.rows, found.seconds, found.gaps, found.gap_seconds) == (5, 3.5, 1, 2.5)
    assert whole(take("0,1,1\n1,2,2\n3,3,3\n5.5,4,4\n6,5,5\n", gap=F(1)))["weight"] == [1.0, 0.0, 0.0, 0.5, 0.0]


def test_values_are_held_up_to_the_gap_limit(take: Take) -> None:
    found = whole(take("0,1,\n1,,20\n2,3,\n3,4,\n4,5,\n5,,\n6,,\n7,,\n"))
    assert found["n"] == [1.0, 1.0, 3.0, 4.0, 5.0, 5.0, 5.0, None]
    assert found["T"] == [None, 20.0, 20.0, 20.0, None, None, None, None]


def test_windows_in_their_own_unit_and_the_warm_up(take: Take) -> None:
    conditions = Conditions(after=F(1), windows=(Window(quantity="T", least=F(158), greatest=F(176), unit="degF"),))
    found = take("0,1,75\n1,2,69.9\n2,3,70\n3,4,80\n4,5,80.1\n5,6,\n", conditions)
    assert whole(found)["n"] == [3.0, 4.0]
    told = [(str(left.condition), left.rows, left.seconds) for left in found.left_out]
    assert told == [("1 s after the start", 1, 1.0), ("158 <= T <= 176 degF", 3, 2.0)]
    assert (found.kept, found.counted) == (2, 2.0)


def test_steady_means_close_together_for_long_enough(take: Take) -> None:
    conditions = Conditions(steady=(Steady(quantity="n", within=F(10), seconds=F(2)),))
    found = take(
        "0,100,0\n1,105,0\n2,110,0\n3,112,0\n4,125,0\n5,125,0\n6,125,0\n10,125,0\n11,125,0\n12,125,0\n", conditions
    )
    assert whole(found)["time"] == [2.0, 3.0, 6.0, 12.0]


def test_what_is_blank_is_not_steady(take: Take) -> None:
    conditions = Conditions(gap=F(1), steady=(Steady(quantity="n", within=F(10), seconds=F(1)),))
    assert whole(take("0,1,0\n1,1,0\n2,,0\n3,,0\n4,1,0\n5,1,0\n", conditions))["time"] == [1.0, 2.0, 5.0]


def test_a_condition_needs_its_quantity_and_its_unit(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time [s],n,m\n0,1,1\n1,1,1\n", encoding="utf-8")
    log = open_log(path)
    with pytest.raises(EvidenceError, match="measures T"):
        samples(
            log,
            tie(SHOP, log, {"n": "rpm", "T": "degC"}),
            ["n"],
            Conditions(windows=(Window(quantity="T", least=F(1)),)),
        )
    window = Window(quantity="m", least=F(1), unit="V")
    with pytest.raises(EvidenceError, match="nobody says what the channel is in"):
        samples(log, tie(SHOP, log, {"n": "rpm", "m": None}), ["n"], Conditions(windows=(window,)))


ROWS = st.lists(
    st.tuples(st.sampled_from([0, 0.5, 1, 1, 1, 3]), st.sampled_from(["", "0", "5", "9", "20"])),
    min_size=1,
    max_size=40,
)


@given(ROWS, st.integers(1, 12))
def test_blocks_of_any_size_say_the_same(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, str]], size: int
) -> None:
    path = tmp_path_factory.getbasetemp() / "blocks.csv"
    times = np.cumsum([step for step, _ in rows])
    text = "".join(f"{t},{value},1\n" for t, (_, value) in zip(times, rows, strict=True))
    path.write_text(f"time [s],n,T\n-1,3,1\n{text}", encoding="utf-8")
    log = open_log(path)
    steady = Steady(quantity="n", within=F(10), seconds=F(2))
    ties = tie(SHOP, log, {"n": "rpm", "T": "degC"})
    found = samples(log, ties, ["n", "T"], Conditions(after=F(1), steady=(steady,)))
    expected = whole(found), found.left_out, found.seconds
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(samples_module, "ROWS", size)
        assert (whole(found), found.left_out, found.seconds) == expected


@given(st.lists(st.tuples(st.floats(0, 2), st.floats(-100, 100)), min_size=1, max_size=60), st.floats(0.1, 10))
def test_the_spread_is_that_of_the_rows_in_reach(rows: list[tuple[float, float]], seconds: float) -> None:
    time = np.cumsum([step for step, _ in rows])
    value = np.array([v for _, v in rows])
    slow = [np.ptp(value[: n + 1][time[: n + 1] >= t - seconds]) for n, t in enumerate(time)]
    assert spread(time, value, seconds).tolist() == slow


def test_a_filter_names_its_conditions() -> None:
    conditions = Conditions(steady=(Steady(quantity="n", within=F(50), seconds=F(2), unit="rpm"),))
    assert Filter(conditions, {"n": "rpm"}).names == ("n within 50 rpm for 2 s",)
