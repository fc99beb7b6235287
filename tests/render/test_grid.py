"""Grids: every column once, no line beyond the width, gaps counted."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.render.grid import Gap, Grid, Line, kept, laid
from caldiff.render.look import Look, width_of


def plain(places: list[int | Gap]) -> list[int | str]:
    return [f"{p.count} left out" if isinstance(p, Gap) else p for p in places]


@pytest.mark.parametrize(
    ("wanted", "shown"),
    [
        ("", []),
        ("....", []),
        (".x..", [1]),
        ("x.x", [0, 1, 2]),
        ("x..x", [0, 1, 2, 3]),
        ("x...x", [0, "3 left out", 4]),
        (".x.....xx...", [1, "5 left out", 7, 8]),
    ],
)
def test_longer_runs_without_a_hit_are_left_out(wanted: str, shown: list[int | str]) -> None:
    assert plain(kept([c == "x" for c in wanted])) == shown


@given(st.lists(st.booleans(), max_size=60))
def test_nothing_wanted_is_left_out(wanted: list[bool]) -> None:
    places = kept(wanted)
    shown = {p for p in places if isinstance(p, int)}
    assert {n for n, want in enumerate(wanted) if want} <= shown
    gone = sum(p.count for p in places if isinstance(p, Gap))
    hits = [n for n, want in enumerate(wanted) if want]
    assert len(shown) + gone == (hits[-1] - hits[0] + 1 if hits else 0)


def grid_of(columns: int, cell: str, *, gap: int | None = None) -> Grid:
    texts = [f"{cell}{n}" for n in range(columns)]
    gaps = {} if gap is None else {gap: 5}
    head = Line(label="", cells=tuple(("5~" if n in gaps else f"<{n}>", "faint") for n in range(columns)))
    line = Line(label="row", cells=tuple(("" if n in gaps else t, "plain") for n, t in enumerate(texts)))
    return Grid(across="speed", down="load", heads=(head,), rows=((line,), Gap(count=4), (line,)), gaps=gaps)


def test_a_grid_that_fits_is_one_block() -> None:
    assert laid(grid_of(3, "v"), Look(unicode=False)) == [
        "          speed ->",
        "    load  <0>  <1>  <2>",
        "     row   v0   v1   v2",
        "    ~ 4 rows unchanged",
        "     row   v0   v1   v2",
    ]


def test_a_gap_of_columns_is_narrow_and_counted() -> None:
    assert laid(grid_of(3, "value", gap=1), Look(unicode=False))[1:3] == [
        "    load     <0>  5~     <2>",
        "     row  value0      value2",
    ]


@given(st.integers(1, 40), st.integers(1, 30), st.integers(40, 200))
def test_every_column_stands_once_and_no_line_is_too_long(columns: int, size: int, width: int) -> None:
    lines = laid(grid_of(columns, "v" * size), Look(width=width, unicode=False))
    assert all(width_of(line) <= width for line in lines)
    heads = [word for line in lines if "load" in line for word in line.split()[1:]]
    assert heads == [f"<{n}>" for n in range(columns)]
    parts = [line for line in lines if f"of {columns}" in line]
    assert len(parts) in {0, sum("load" in line for line in lines)}
