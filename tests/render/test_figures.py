"""Figures: exact, signed, and a changed cell never looks unchanged. Expected texts are worked out by hand."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.model import TYPES, Cells, Linear, Lookup, Names, Rational, Scaling, TableSpec
from caldiff.render.figures import Figures, signed, step_ink
from caldiff.table.model import Table


def curve(raw: Any, scaling: Scaling) -> Table:
    values = np.asarray(raw)
    element = TYPES[{"u": "u16", "f": "f64"}[values.dtype.kind]]
    cells = Cells(at=0, type=element, byte_order="big", shape=values.shape, strides=(element.size,))
    return Table(spec=TableSpec(name="t", kind="block", cells=cells, scaling=scaling), raw=values, at=0)


def u16(*raw: int) -> Any:
    return np.array(raw, dtype=np.uint16)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (Fraction(3, 2), 1, "+1.5"),
        (Fraction(-3, 2), 1, "-1.5"),
        (Fraction(0), 2, "0.00"),
        (Fraction(1, 4), 0, "+0.25"),  # would be 0
        (Fraction(-1, 3), 0, "-0.33"),
        (Fraction(1, 10**9), 2, "+1e-09"),
        (Fraction(5, 2), 0, "+2"),  # half to even
    ],
)
def test_a_difference_has_a_sign_and_is_not_0_unless_it_is(value: Fraction, decimals: int, text: str) -> None:
    assert signed(value, decimals) == text


@given(st.fractions(max_denominator=10**12), st.integers(0, 6))
def test_a_difference_never_reads_as_0(value: Fraction, decimals: int) -> None:
    text = signed(value, decimals)
    assert (text[0] == "+") == (value > 0)
    assert (text[0] == "-") == (value < 0)
    assert bool(text.partition("e")[0].strip("+-0.")) == bool(value)


def test_decimals_are_those_of_the_scaling() -> None:
    scaling = Scaling(decimals=1, conversion=Linear(factor=Fraction(1, 2)))
    figures = Figures(curve(u16(20), scaling), curve(u16(23), scaling), [(0,)])
    assert (figures.text(0, (0,)), figures.text(1, (0,))) == ("10.0", "11.5")
    assert figures.difference((0,)) == "+1.5"
    assert figures.percent((0,)) == "+15.0%"


def test_more_decimals_where_a_change_would_not_show() -> None:
    scaling = Scaling(decimals=0, conversion=Linear(factor=Fraction(1, 4)))
    figures = Figures(curve(u16(3400, 100), scaling), curve(u16(3401, 100), scaling), [(0,), (1,)])
    assert [figures.text(1, (n,)) for n in (0, 1)] == ["850.25", "25.00"]


def test_decimals_are_as_many_as_the_values_need_where_none_are_said() -> None:
    scaling = Scaling(conversion=Linear(factor=Fraction(1, 8)))
    figures = Figures(None, curve(u16(8, 9), scaling), [(0,), (1,)])
    assert [figures.text(1, (n,)) for n in (0, 1)] == ["1.000", "1.125"]


def test_no_percent_of_nothing() -> None:
    scaling = Scaling(conversion=Linear())
    figures = Figures(curve(u16(0), scaling), curve(u16(3), scaling), [(0,)])
    assert figures.percent((0,)) == "0->3"


def test_names_have_no_difference() -> None:
    scaling = Scaling(conversion=Names(names={0: "off", 1: "eco"}))
    figures = Figures(curve(u16(0), scaling), curve(u16(1), scaling), [(0,)])
    assert figures.difference((0,)) == "off->eco"
    assert figures.step((0,)) is None
    assert figures.ink((0,)) == "strong"


def test_what_is_not_a_number_is_said_so() -> None:
    scaling = Scaling(conversion=Linear())
    figures = Figures(curve(np.array([1.5]), scaling), curve(np.array([np.nan]), scaling), [(0,)])
    assert figures.difference((0,)) == "1.5->nan"


def test_a_pole_of_the_scaling_is_shown_raw() -> None:
    inverse = Rational(gives="physical", numerator=(0, 0, 1), denominator=(0, 1, 0))  # type: ignore[arg-type]
    scaling = Scaling(conversion=inverse)
    figures = Figures(curve(u16(2), scaling), curve(u16(0), scaling), [(0,)])
    assert figures.text(0, (0,)) == "0.5"
    assert figures.text(1, (0,)) == "raw 0"
    assert figures.step((0,)) is None


def test_a_look_up_is_exact() -> None:
    points = ((0, Fraction(150)), (10, Fraction(40)))
    scaling = Scaling(decimals=1, conversion=Lookup(points=points, between="interpolate"))
    figures = Figures(curve(u16(0), scaling), curve(u16(5), scaling), [(0,)])
    assert figures.text(1, (0,)) == "95.0"
    assert figures.difference((0,)) == "-55.0"


@pytest.mark.parametrize(
    ("step", "largest", "ink"),
    [(1.0, 2.0, "RAISED"), (0.9, 2.0, "raised"), (-2.0, 2.0, "LOWERED"), (-0.1, 2.0, "lowered"), (1.0, None, "raised")],
)
def test_the_larger_changes_are_stronger(step: float, largest: float | None, ink: str) -> None:
    assert step_ink(step, largest) == ink
