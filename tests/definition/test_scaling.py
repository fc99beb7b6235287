"""Scalings against hand-worked values, brute force over every raw value, ASAM MCD-2 MC, NumPy and IEEE 754."""

from __future__ import annotations

import math
import struct
from contextlib import suppress
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.model import (
    TYPES,
    BitField,
    Bits,
    Limits,
    Linear,
    Lookup,
    Names,
    Rational,
    Scaling,
)
from caldiff.definition.number import exact, shown_number
from caldiff.definition.scaling import raw_range, shown, to_physical, to_raw
from caldiff.errors import EncodeError, TableError

U8, I8, U16, I16, F16, F32, F64 = (TYPES[name] for name in ("u8", "i8", "u16", "i16", "f16", "f32", "f64"))
HALF_DEGREE = Scaling(unit="degCA", decimals=1, conversion=Linear(factor=Fraction(1, 2), offset=Fraction(-40)))
FRACTIONS = st.fractions(min_value=-1000, max_value=1000, max_denominator=50)


def rational(gives: Any, numerator: str, denominator: str, limits: tuple[int, int] | None = None) -> Scaling:
    above, below = (tuple(Fraction(c) for c in text.split()) for text in (numerator, denominator))
    return Scaling(
        conversion=Rational(gives=gives, numerator=above, denominator=below),  # type: ignore[arg-type]
        limits=None if limits is None else Limits(low=Fraction(limits[0]), high=Fraction(limits[1])),
    )


def lookup(between: Any, *points: tuple[int, str]) -> Scaling:
    return Scaling(conversion=Lookup(points=tuple((x, Fraction(y)) for x, y in points), between=between))


# ---------------------------------------------------------------------------------------------------------- linear


@pytest.mark.parametrize(
    ("physical", "raw"),
    [
        (-40, 0),
        (87.5, 255),
        ("10.2", 100),
        ("10.3", 101),
        ("41/4", 100),  # 100.5: a tie, 100 is even
        (Decimal("10.75"), 102),  # 101.5: a tie, 102 is even
        (Fraction(-161, 4), 0),  # -0.5: a tie, 0 is even
        ("87.74", 255),
        ("1e1", 100),
    ],
)
def test_linear_stores_the_nearest_raw_ties_to_even(physical: Any, raw: int) -> None:
    assert to_raw(HALF_DEGREE, physical, type=U8) == raw


@pytest.mark.parametrize("physical", ["87.75", 88, "-40.26", "1e300", -1e300])
def test_what_the_type_cannot_hold_is_refused(physical: Any) -> None:
    with pytest.raises(EncodeError) as caught:
        to_raw(HALF_DEGREE, physical, type=U8)
    assert "raw 0 to 255 (u8)" in str(caught.value)


@pytest.mark.parametrize(
    "physical",
    ["", "x", "1,5", "nan", "inf", "1/0", "0x10", "1e9999", "9" * 500, float("nan"), float("-inf"), "\u0661"],
)
def test_what_is_no_number_is_refused(physical: Any) -> None:
    with pytest.raises(EncodeError):
        to_raw(HALF_DEGREE, physical, type=U8)


@pytest.mark.parametrize("value", [Decimal("1e1000000000"), Decimal("1e-1000000000"), Decimal("nan"), Decimal("inf")])
def test_absurd_decimals_are_refused_before_they_cost_anything(value: Decimal) -> None:
    with pytest.raises(EncodeError):
        exact(value)


@given(FRACTIONS.filter(bool), FRACTIONS, st.integers(-128, 127))
def test_linear_reads_back_what_it_stored(factor: Fraction, offset: Fraction, raw: int) -> None:
    scaling = Scaling(conversion=Linear(factor=factor, offset=offset))
    assert to_physical(scaling, raw) == raw * factor + offset
    assert to_raw(scaling, to_physical(scaling, raw), type=I8) == raw


# ----------------------------------------------------------------------------------------- the ranges of the types


@pytest.mark.parametrize(
    ("type_", "mask", "expected"),
    [
        (U8, None, (0, 255)),
        (I16, None, (-32768, 32767)),
        (U16, 0x0FF0, (0, 255)),
        (TYPES["i8"], 0x70, (-4, 3)),
        (U8, 0x80, (0, 1)),
    ],
)
def test_the_range_under_a_mask(type_: Any, mask: int | None, expected: tuple[int, int]) -> None:
    assert raw_range(type_, mask) == expected


def test_a_raw_value_must_fit_its_mask() -> None:
    assert to_raw(Scaling(), 3, type=I8, mask=0x70) == 3
    for value in (4, -5):
        with pytest.raises(EncodeError, match="under the mask 0x70"):
            to_raw(Scaling(), value, type=I8, mask=0x70)
    assert to_raw(Scaling(), 5, type=U8, mask=0b101) == 5
    with pytest.raises(EncodeError):
        to_raw(Scaling(), 2, type=U8, mask=0b101)  # the bit in between is not the cell's


@given(st.sampled_from(["f16", "f32", "f64"]), st.floats(allow_nan=False, allow_infinity=False), st.integers(-3, 3))
def test_floats_are_rounded_as_ieee_754_says(name: str, value: float, tenths: int) -> None:
    """Against NumPy, which rounds a double to half and single precision as the standard says."""
    physical = Fraction(value) if name != "f64" else Fraction(value) + Fraction(tenths, 10**20)
    kind = {"f16": np.float16, "f32": np.float32, "f64": np.float64}[name]
    with np.errstate(over="ignore"):
        expected = float(kind(float(physical)))
    if math.isinf(expected):
        with pytest.raises(EncodeError, match="does not fit"):
            to_raw(Scaling(), physical, type=TYPES[name])
    else:
        assert to_raw(Scaling(), physical, type=TYPES[name]) == expected


def test_a_float_is_rounded_once() -> None:
    """1 + 2^-24 + 2^-60 is above the tie, but rounding to a double first would put it on the tie and then down."""
    value = Fraction(1) + Fraction(1, 2**24) + Fraction(1, 2**60)
    assert to_raw(Scaling(), value, type=F32) == 1 + 2**-23
    assert struct.unpack("<f", struct.pack("<f", float(value)))[0] == 1.0  # what rounding twice gives


def test_a_stored_float_that_is_no_number_has_no_physical_value() -> None:
    for raw in (math.nan, math.inf, -math.inf):
        with pytest.raises(TableError):
            to_physical(HALF_DEGREE, raw)
        assert shown(HALF_DEGREE, raw) == str(raw)


# ------------------------------------------------------------------------- rational functions, and ASAM's direction


def test_rat_func_gives_the_raw_value() -> None:
    """ASAM MCD-2 MC, COMPU_METHOD of type RAT_FUNC: INT = f(PHYS), f(x) = (ax² + bx + c) / (dx² + ex + f).

    The rule is cited from memory; the values are worked by hand: COEFFS 0 4 8 0 0 5 means INT = (4 PHYS + 8) / 5.
    """
    scaling = rational("raw", "0 4 8", "0 0 5")
    assert to_raw(scaling, 3, type=U8) == 4
    assert to_physical(scaling, 4) == 3
    assert to_physical(scaling, 0) == -2
    assert to_raw(scaling, "0.5", type=U8) == 2


def test_rat_func_of_a_hyperbola() -> None:
    """INT = 600000 / PHYS: the time between two marks for a speed (common practice, no source)."""
    scaling = rational("raw", "0 0 600000", "0 1 0")
    assert to_physical(scaling, 200) == 3000
    assert to_raw(scaling, 3000, type=U16) == 200
    # Exactly raw 200.49991; yet raw 201 (2985.07) is nearer in physical units than raw 200 (3000).
    assert to_raw(scaling, "2992.52", type=U16) == 201
    assert to_raw(scaling, "2992.55", type=U16) == 200
    with pytest.raises(TableError):
        to_physical(scaling, 0)
    with pytest.raises(EncodeError):
        to_raw(scaling, 0, type=U16)


def test_linear_asam_gives_the_physical_value() -> None:
    """ASAM MCD-2 MC, LINEAR: PHYS = f(INT), f(x) = ax + b (rule from memory): COEFFS_LINEAR 0.5 -40."""
    assert to_physical(HALF_DEGREE, 100) == 10


def test_nearest_is_meant_in_physical_units() -> None:
    """physical = 100 / raw: 50 at raw 2, 33.3 at raw 3. 40 is raw 2.5 exactly, yet nearer to 33.3 than to 50."""
    scaling = rational("physical", "0 0 100", "0 1 0")
    assert to_raw(scaling, 40, type=U8) == 3
    assert to_raw(scaling, 42, type=U8) == 2


def test_a_root_that_is_rational_is_exact_and_others_are_close() -> None:
    square = rational("raw", "1 0 0", "0 0 1")
    assert to_physical(square, 25) == 5
    assert abs(to_physical(square, 2) ** 2 - 2) < Fraction(1, 2**100)
    assert to_raw(square, 5, type=U8) == 25
    assert to_raw(square, "5.1", type=U8) == 26  # 26.01


def test_of_two_roots_the_limits_decide_then_the_sign() -> None:
    square, lower = "1 0 0", rational("raw", "1 0 0", "0 0 1", (-20, 0))
    assert to_physical(rational("raw", square, "0 0 1"), 9) == 3
    assert to_physical(lower, 9) == -3
    assert to_raw(lower, -3, type=U8) == 9
    with pytest.raises(EncodeError):
        to_raw(lower, 3, type=U8)  # would be read back as -3
    with pytest.raises(EncodeError):
        to_raw(rational("raw", square, "0 0 1"), -3, type=U8)


def test_two_roots_that_nothing_tells_apart_are_an_error_that_says_what_to_do() -> None:
    """raw = (p - 4)(p - 6) + 1: at raw 1 it is 4 or 6."""
    open_ended = rational("raw", "1 -10 25", "0 0 1")
    with pytest.raises(TableError) as caught:
        to_physical(open_ended, 1)
    assert caught.value.got == "4 and 6"
    assert caught.value.hint is not None
    assert to_physical(rational("raw", "1 -10 25", "0 0 1", (5, 20)), 1) == 6
    assert shown(open_ended, 1) == "raw 1"


@given(st.lists(st.integers(-20, 20), min_size=3, max_size=3), st.integers(-50, 50))
def test_roots_are_those_of_numpy(coefficients: list[int], raw: int) -> None:
    """Against numpy.roots, which takes eigenvalues of a companion matrix; the denominator is 1."""
    a, b, c = coefficients
    scaling = rational("raw", f"{a} {b} {c}", "0 0 1", (-(10**6), 10**6))
    roots = [root.real for root in np.roots([a, b, c - raw]) if abs(root.imag) < 1e-9]
    try:
        found = float(to_physical(scaling, raw))
    except TableError:
        assert a == 0 == b or b * b < 4 * a * (c - raw) or len({round(r, 6) for r in roots}) == 2
    else:
        assert min(abs(root - found) for root in roots) < 1e-5


@given(st.lists(FRACTIONS, min_size=6, max_size=6), st.sampled_from(["raw", "physical"]), FRACTIONS)
def test_any_rational_stores_what_it_reads_back_or_refuses(
    coefficients: list[Fraction], gives: Any, physical: Fraction
) -> None:
    above, below = " ".join(map(str, coefficients[:3])), " ".join(map(str, coefficients[3:]))
    scaling = rational(gives, above, below)
    for type_ in (U8, I16, F16, F32):
        try:
            raw = to_raw(scaling, physical, type=type_)
        except EncodeError:
            continue
        back = to_physical(scaling, raw)
        if type_.kind != "f":
            for other in (int(raw) - 1, int(raw) + 1):
                try:
                    beside = to_physical(scaling, other)
                except TableError:
                    continue
                between = min(back, beside) <= physical <= max(back, beside)
                assert not between or abs(back - physical) <= abs(beside - physical)


# --------------------------------------------------------------------------------------------------------- look-ups


def test_a_look_up_interpolates_and_holds_at_its_ends() -> None:
    """ASAM MCD-2 MC, TAB_INTP: straight lines between the pairs, the border values outside (rule from memory)."""
    scaling = lookup("interpolate", (0, "150"), (512, "40"), (1023, "-40"))
    assert to_physical(scaling, 256) == 95
    assert to_physical(scaling, -5) == 150
    assert to_physical(scaling, 2000) == -40
    assert to_raw(scaling, 95, type=U16) == 256
    assert to_raw(scaling, -40, type=U16) == 1023
    with pytest.raises(EncodeError, match="beyond the look-up"):
        to_raw(scaling, 151, type=U16)
    with pytest.raises(EncodeError, match="does not fit"):
        to_raw(scaling, -40, type=U8)


def test_a_look_up_without_lines_steps_down() -> None:
    """ASAM MCD-2 MC has TAB_NOINTP for pairs without lines (from memory); that it steps down is our format's rule."""
    scaling = lookup("hold", (0, "0"), (1, "3.5"), (2, "2.1"), (10, "9"))
    assert [to_physical(scaling, raw) for raw in (0, 1, 2, 9, 10, 11)] == [
        Fraction(text) for text in ("0", "3.5", "2.1", "2.1", "9", "9")
    ]
    assert to_raw(scaling, "3.4", type=U8) == 1
    assert to_raw(scaling, "2.1", type=U8) == 2
    assert to_raw(scaling, "5.5", type=U8) == 1  # 2 away from 3.5, 3.5 away from 9


def test_a_step_that_begins_outside_the_type_reaches_into_it() -> None:
    assert to_raw(lookup("hold", (-23, "32"), (82, "-19")), 32, type=U16) == 0
    assert to_raw(lookup("interpolate", (-10, "5"), (300, "5")), 5, type=U8) == 0
    assert to_raw(lookup("interpolate", (300, "5"), (400, "6")), 5, type=U8) == 0
    assert to_raw(lookup("interpolate", (-101, "5"), (0, "6")), 5, type=I8) == -101  # the pair, not -128
    with pytest.raises(EncodeError, match="does not fit"):
        to_raw(lookup("hold", (0, "1"), (300, "5")), 5, type=U8)


@given(st.sets(st.integers(0, 255), min_size=1, max_size=8), st.data())
def test_look_ups_interpolate_as_numpy_does(raws: set[int], data: st.DataObject) -> None:
    xs = sorted(raws)
    ys = data.draw(st.lists(st.integers(-100, 100), min_size=len(xs), max_size=len(xs)))
    scaling = lookup("interpolate", *zip(xs, map(str, ys), strict=True))
    everything = np.interp(np.arange(256), xs, ys)
    assert np.allclose([float(to_physical(scaling, raw)) for raw in range(256)], everything)


@given(st.sets(st.integers(0, 255), min_size=1, max_size=8), st.data())
def test_look_ups_store_the_nearest_of_all_raw_values(raws: set[int], data: st.DataObject) -> None:
    """Against brute force over every raw value of the type."""
    xs = sorted(raws)
    ys = data.draw(st.lists(st.integers(-20, 20), min_size=len(xs), max_size=len(xs)))
    between = data.draw(st.sampled_from(["interpolate", "hold"]))
    scaling = lookup(between, *zip(xs, map(str, ys), strict=True))
    wanted = data.draw(st.fractions(min_value=min(ys), max_value=max(ys), max_denominator=20))
    raw = to_raw(scaling, wanted, type=U8)
    misses = {other: abs(to_physical(scaling, other) - wanted) for other in range(256)}
    if between == "hold" or sorted(ys) in (ys, ys[::-1]):
        assert misses[int(raw)] == min(misses.values())
    if raw % 2 and between == "hold":
        assert not any(x % 2 == 0 for x in xs if misses[x] == min(misses.values()))


# ------------------------------------------------------------------------------------------------- names and flags

MODE = Scaling(conversion=Names(names={0: "off", 1: "eco", 2: "power", 7: "eco"}))
ENABLES = Scaling(
    conversion=Bits(
        fields=(
            BitField(name="lambda_control", mask=0x01),
            BitField(name="knock_control", mask=0x02),
            BitField(name="fuel", mask=0x30, names={0: "petrol", 1: "lpg"}),
            BitField(name="level", mask=0x0C),
        )
    )
)


def test_names_are_shown_and_stored() -> None:
    assert [shown(MODE, raw) for raw in (0, 2, 3, -1)] == ["off", "power", "3", "-1"]
    assert to_raw(MODE, "power", type=U8) == 2
    assert to_raw(MODE, " off ", type=U8) == 0
    assert to_raw(MODE, 5, type=U8) == to_raw(MODE, "5", type=U8) == to_raw(MODE, "0x5", type=U8) == 5
    assert to_physical(MODE, 2) == 2


@pytest.mark.parametrize(
    ("value", "said"), [("eco", "1 and 7"), ("powr", "did you mean power?"), (2.5, "whole"), ("9" * 50, "no value")]
)
def test_a_name_that_says_too_little_is_refused(value: Any, said: str) -> None:
    with pytest.raises(EncodeError) as caught:
        to_raw(MODE, value, type=U8)
    assert said in f"{caught.value} {caught.value.hint}"


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (0x00, "fuel=petrol"),
        (0x13, "lambda_control+knock_control+fuel=lpg"),
        (0x2C, "fuel=2+level=3"),
        (0xC1, "lambda_control+fuel=petrol+0xC0"),
    ],
)
def test_flags_are_shown_and_stored(raw: int, text: str) -> None:
    assert shown(ENABLES, raw) == text
    assert to_raw(ENABLES, text, type=U8) == raw


def test_a_name_with_a_sign_in_it_is_shown_as_its_number() -> None:
    field = BitField(name="fuel", mask=0x30, names={0: "petrol", 1: "lpg+petrol", 2: "a=b"})
    scaling = Scaling(conversion=Bits(fields=(field,)))
    assert [shown(scaling, raw) for raw in (0x00, 0x10, 0x20)] == ["fuel=petrol", "fuel=1", "fuel=2"]
    assert to_raw(scaling, "fuel=1", type=U8) == 0x10


@pytest.mark.parametrize("text", ["lambda", "fuel=diesel", "fuel=4", "fuel", "level=", "knock_control=2", "+", ""])
def test_flags_that_say_nothing_are_refused(text: str) -> None:
    with pytest.raises(EncodeError):
        to_raw(ENABLES, text, type=U8)


@given(
    st.lists(st.tuples(st.integers(1, 255), st.dictionaries(st.integers(0, 7), st.text(max_size=4))), max_size=4),
    st.integers(0, 255),
)
def test_what_is_shown_of_flags_can_be_stored(fields: list[tuple[int, dict[int, str]]], raw: int) -> None:
    bits = Bits(
        fields=tuple(
            BitField(name=f"field_{n}", mask=mask, names={k: f"n{k}{v}" for k, v in names.items()})
            for n, (mask, names) in enumerate(fields)
        )
    )
    scaling = Scaling(conversion=bits)
    assert to_raw(scaling, shown(scaling, raw), type=U8) == raw


@given(st.text(max_size=30))
def test_any_text_is_stored_or_refused(text: str) -> None:
    for scaling in (HALF_DEGREE, MODE, ENABLES):
        with suppress(EncodeError):
            to_raw(scaling, text, type=U8)


# ------------------------------------------------------------------------------------------------- shown to people


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        ("1/4", None, "0.25"),
        ("1/3", None, "0.333333"),
        ("7", None, "7"),
        ("70", None, "70"),
        ("0", None, "0"),
        ("0", 2, "0.00"),
        ("1/4", 1, "0.2"),  # a tie: 2 is even
        ("3/4", 1, "0.8"),
        ("5/2", 0, "2"),
        ("-1/100", 1, "0.0"),  # no minus before nothing
        ("-5/4", 1, "-1.2"),
        ("-5/4", None, "-1.25"),
        ("1/10000000", None, "1e-07"),
        ("1/10000000", 3, "0.000"),
        ("123456789012345678901234", None, "1.23457e+23"),
        ("-999999999999999999999999", 1, "-1e+24"),
        ("18446744073709551615", None, "18446744073709551615"),
    ],
)
def test_numbers_are_shown_rounded_half_to_even(value: str, decimals: int | None, text: str) -> None:
    assert shown_number(Fraction(value), decimals) == text


@given(st.fractions(min_value=-(10**9), max_value=10**9), st.integers(0, 8))
def test_numbers_are_shown_as_decimal_quantises_them(value: Fraction, decimals: int) -> None:
    """Against the standard library's decimal arithmetic, from the exact quotient at 80 digits."""
    with localcontext() as context:
        context.prec = 80
        quotient = Decimal(value.numerator) / Decimal(value.denominator)
        expected = quotient.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    assert Fraction(shown_number(value, decimals)) == Fraction(expected)


@given(st.fractions(), st.none() | st.integers(0, 6))
def test_what_is_shown_is_a_number_that_can_be_read(value: Fraction, decimals: int | None) -> None:
    read = exact(shown_number(value, decimals))
    error = abs(read - value)
    assert error <= Fraction(1, 2 * 10 ** (6 if decimals is None else decimals)) or error <= abs(value) / 10**5


@pytest.mark.parametrize(("raw", "text"), [(100, "10.0"), (101, "10.5"), (0, "-40.0")])
def test_a_cell_is_shown_with_its_decimals(raw: int, text: str) -> None:
    assert shown(HALF_DEGREE, raw) == text
