"""Arrays of values against the exact scalar rules, and against conversion rules of ASAM MCD-2 MC reckoned by hand."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition import scaling as rules
from caldiff.definition.model import (
    TYPES,
    BitField,
    Bits,
    Conversion,
    ElementType,
    Limits,
    Linear,
    Lookup,
    Names,
    Rational,
    Scaling,
)
from caldiff.errors import CaldiffError, EncodeError
from caldiff.table.scale import beyond, to_physical, to_raw

small = st.fractions(min_value=-1000, max_value=1000, max_denominator=1000)
large = st.fractions(max_denominator=10**12)
coefficients = st.tuples(st.sampled_from([Fraction(0), Fraction(1, 3)]), small, small)


@st.composite
def lookups(draw: st.DrawFn) -> Lookup:
    raws = sorted(draw(st.sets(st.integers(-300, 300), min_size=1, max_size=5)))
    between: Any = draw(st.sampled_from(["interpolate", "hold"]))
    return Lookup(points=tuple((raw, draw(small)) for raw in raws), between=between)


@st.composite
def rationals(draw: st.DrawFn) -> Rational:
    below = draw(coefficients.filter(any))
    gives: Any = draw(st.sampled_from(["physical", "raw"]))
    return Rational(gives=gives, numerator=draw(coefficients), denominator=below)


linears = st.builds(Linear, factor=(small | large).filter(bool), offset=small | large)
conversions: st.SearchStrategy[Conversion] = st.one_of(
    linears,
    linears,
    lookups(),
    rationals(),
    st.just(Names(names={0: "off"})),
    st.just(Bits(fields=(BitField(name="b", mask=1),))),
)


@st.composite
def raws(draw: st.DrawFn) -> tuple[ElementType, list[Any]]:
    """A type and values of it, the extremes among them."""
    element = draw(st.sampled_from(list(TYPES.values())))
    if element.kind == "f":
        width: Any = 8 * element.size
        values = st.floats(width=width, allow_nan=False, allow_infinity=False)
        edges = [float(np.finfo(f"f{element.size}").max), float(np.finfo(f"f{element.size}").smallest_subnormal)]
    else:
        values = st.integers(element.lowest, element.highest)
        edges = [element.lowest, element.highest, element.highest - 1]
    return element, [*draw(st.lists(values, max_size=4)), *edges]


def exact_double(scaling: Scaling, raw: float) -> float:
    """The nearest double by Python's own division, infinite beyond all doubles, NaN where there is no value."""
    try:
        return float(rules.to_physical(scaling, raw))
    except OverflowError:
        return np.inf if rules.to_physical(scaling, raw) > 0 else -np.inf
    except CaldiffError:
        return np.nan


@given(conversions, raws(), st.sampled_from("<>"))
def test_arrays_equal_the_exact_scalar_path(
    conversion: Conversion, typed: tuple[ElementType, list[Any]], order: str
) -> None:
    element, values = typed
    scaling = Scaling(conversion=conversion)
    raw = np.array(values, dtype=f"{order}{element.kind}{element.size}")
    expected = np.array([exact_double(scaling, v) for v in values])
    np.testing.assert_array_equal(to_physical(scaling, raw, element), expected)


@given(linears, raws())
def test_one_value_equals_one_of_many(conversion: Conversion, typed: tuple[ElementType, list[Any]]) -> None:
    """The bounds that choose the fast path look at the whole array; the values may not depend on it."""
    element, values = typed
    scaling = Scaling(conversion=conversion)
    raw = np.array(values, dtype=f"{element.kind}{element.size}")
    together = to_physical(scaling, raw, element)
    for i in range(len(values)):
        assert to_physical(scaling, raw[i : i + 1].reshape(()), element) == together[i]


@given(conversions, raws(), st.lists(st.floats(-1e6, 1e6) | st.floats(), max_size=6), st.data())
def test_encoding_arrays_equals_the_exact_scalar_path(
    conversion: Conversion, typed: tuple[ElementType, list[Any]], floats: list[float], data: st.DataObject
) -> None:
    element, values = typed
    scaling = Scaling(conversion=conversion)
    mask = data.draw(st.none() | st.integers(1, (1 << 8 * element.size) - 1)) if element.kind != "f" else None
    for physical in [*floats, *(exact_double(scaling, v) for v in values)]:
        try:
            expected = rules.to_raw(scaling, means(scaling, physical), type=element, mask=mask)
        except EncodeError:
            with pytest.raises(EncodeError):
                to_raw(scaling, [physical], element, mask=mask)
        else:
            found = to_raw(scaling, [0.0 + physical], element, mask=mask)
            assert found.dtype == np.dtype(f"{element.kind}{element.size}")
            assert found.tolist() == [expected]


def means(scaling: Scaling, physical: float) -> Any:
    """A double next to a look-up's point means that point: how the array path reads doubles, said in other words."""
    if isinstance(scaling.conversion, Lookup):
        for _, point in scaling.conversion.points:
            if float(point) == physical:
                return point
    return physical


@given(linears, raws())
def test_decoded_integers_encode_to_themselves(conversion: Conversion, typed: tuple[ElementType, list[Any]]) -> None:
    element, values = typed
    if element.kind == "f":
        return
    scaling = Scaling(conversion=conversion)
    exactly = [rules.to_physical(scaling, v) for v in values]
    assert to_raw(scaling, np.array(exactly, dtype=object), element).tolist() == values


wide = st.builds(Fraction, st.integers(1 << 20, 1 << 40), st.integers(3, 1 << 20))
"""factors whose products with raw values lie around the largest integers that doubles hold"""


@given(
    wide, st.sampled_from([Fraction(0), Fraction(1, 3)]), st.sampled_from(["u32", "i64", "f32"]), st.integers(0, 999)
)
def test_products_around_what_doubles_hold(factor: Fraction, offset: Fraction, type_: str, seed: int) -> None:
    """Where the product is rounded before the division is, about every fourth value comes out wrong."""
    scaling = Scaling(conversion=Linear(factor=factor, offset=offset))
    draw = np.random.default_rng(seed)
    raw = draw.integers(0, 1 << 31, 20).astype(f"{type_[0]}{TYPES[type_].size}")
    expected = [float(rules.to_physical(scaling, v)) for v in raw.tolist()]
    assert to_physical(scaling, raw, TYPES[type_]).tolist() == expected


@given(wide | small.filter(bool), small | wide, st.sampled_from(["u16", "i32", "u64"]), st.integers(0, 999))
def test_doubles_around_halves_go_where_the_exact_rules_say(
    factor: Fraction, offset: Fraction, type_: str, seed: int
) -> None:
    """The double nearest to the middle between two raw values, and its neighbours: where arithmetic in doubles errs."""
    scaling, element = Scaling(conversion=Linear(factor=factor, offset=offset)), TYPES[type_]
    raws_ = np.random.default_rng(seed).integers(0, min(element.highest, 1 << 40), 10).tolist()
    middles = [float(rules.to_physical(scaling, Fraction(2 * raw + 1, 2))) for raw in raws_]
    physical = [float(np.nextafter(m, to)) for m in middles for to in (-np.inf, m, np.inf)]
    expected = [rules.to_raw(scaling, p, type=element) for p in physical]
    assert to_raw(scaling, physical, element).tolist() == expected


@given(coefficients, coefficients.filter(any), st.sampled_from(["u8", "i16", "u32"]), st.integers(0, 999))
def test_quotients_equal_the_exact_scalar_path(numerator: Any, denominator: Any, type_: str, seed: int) -> None:
    scaling = Scaling(conversion=Rational(gives="physical", numerator=numerator, denominator=denominator))
    element = TYPES[type_]
    raw = np.random.default_rng(seed).integers(element.lowest, element.highest, 10).astype(f"{type_[0]}{element.size}")
    expected = [exact_double(scaling, v) for v in raw.tolist()]
    np.testing.assert_array_equal(to_physical(scaling, raw, element), expected)


@pytest.mark.parametrize("physical", [2.0, 3.0, 6.0, -1.0, 8.0, float("nan")])
def test_what_the_gaps_of_a_mask_or_its_ends_leave_out(physical: float) -> None:
    """Under 0b1010 the raw values are 0, 1, 4 and 5."""
    assert to_raw(Scaling(), [0.0, 1.0, 4.0, 5.0], TYPES["u8"], mask=0b1010).tolist() == [0, 1, 4, 5]
    with pytest.raises(EncodeError):
        to_raw(Scaling(), [physical], TYPES["u8"], mask=0b1010)


def test_halves_go_to_the_even_raw_value() -> None:
    """By hand: with half a degree a step, 0.25 lies between raw 0 and 1, 0.75 between 1 and 2."""
    scaling = Scaling(conversion=Linear(factor=Fraction(1, 2)))
    assert to_raw(scaling, [0.25, 0.75, 1.25, -0.25, -0.75], TYPES["i8"]).tolist() == [0, 2, 2, 0, -2]


def test_the_largest_integers_stay_whole() -> None:
    """2**64 - 1 is no double; its nearest is 2**64, which a float conversion would wrap to 0."""
    scaling = Scaling()
    raw = np.array([2**64 - 1, 2**64 - 2, 2**53 + 1], dtype=">u8")
    assert to_physical(scaling, raw, TYPES["u64"]).tolist() == [2.0**64, 2.0**64, 2.0**53]
    assert to_raw(scaling, np.array([2**64 - 1, 2**53 + 1], dtype=np.uint64), TYPES["u64"]).tolist() == [
        2**64 - 1,
        2**53 + 1,
    ]
    with pytest.raises(EncodeError, match="does not fit"):
        to_raw(scaling, [2.0**64], TYPES["u64"])


def test_zero_has_no_sign() -> None:
    scaling = Scaling(conversion=Linear(factor=Fraction(-1, 2)))
    assert not np.signbit(to_physical(scaling, np.zeros(1, dtype="i1"), TYPES["i8"])).any()
    zero, one = Fraction(0), Fraction(1)
    quotient = Rational(gives="physical", numerator=(zero, one, zero), denominator=(zero, zero, -one))
    assert not np.signbit(to_physical(Scaling(conversion=quotient), np.zeros(1, dtype="i1"), TYPES["i8"])).any()


@given(linears, raws(), small, small)
def test_limits_are_those_of_the_exact_values(
    conversion: Conversion, typed: tuple[ElementType, list[Any]], one: Fraction, other: Fraction
) -> None:
    element, values = typed
    if element.kind == "f":
        return
    scaling, limits = Scaling(conversion=conversion), Limits(low=min(one, other), high=max(one, other))
    raw = np.array(values, dtype=f"{element.kind}{element.size}")
    expected = [not limits.low <= rules.to_physical(scaling, v) <= limits.high for v in values]
    found = beyond(scaling, limits, raw, element)
    assert (found.tolist() if found is not None else [False] * len(values)) == expected


def test_a_float_at_its_limit_is_within() -> None:
    """The f32 nearest to 0.1 is 0.100000001490116 (IEEE 754): above 1/10, but as near as the type comes."""
    limits = Limits(low=Fraction(0), high=Fraction(1, 10))
    raw = np.array([0.1, np.nextafter(np.float32(0.1), np.float32(1))], dtype="f4")
    found = beyond(Scaling(), limits, raw, TYPES["f32"])
    assert found is not None
    assert found.tolist() == [False, True]


# ---------------------------------------------------------------------------------------------------- ASAM MCD-2 MC


def test_rat_func_gives_the_raw_value() -> None:
    """ASAM MCD-2 MC, COMPU_METHOD of type RAT_FUNC: INT = (axx + bx + c) / (dxx + ex + f) and x = PHYS.

    From memory, as is the usual example: COEFFS 0 81.9175 0 0 0 1 stores a quantity at 81.9175 raw a unit.
    """
    usual = Scaling(
        conversion=Rational(
            gives="raw",
            numerator=(Fraction(0), Fraction("81.9175"), Fraction(0)),
            denominator=(Fraction(0), Fraction(0), Fraction(1)),
        )
    )
    raw = np.array([0, 8192, 16384], dtype="u2")
    np.testing.assert_allclose(to_physical(usual, raw, TYPES["u16"]), [0, 8192 / 81.9175, 16384 / 81.9175], rtol=1e-15)
    assert to_raw(usual, [100.0, 200.0], TYPES["u16"]).tolist() == [8192, 16384]  # 8191.75 and 16383.5, to the even one
    inverse = Scaling(  # INT = 4096 / PHYS: COEFFS 0 0 4096 0 1 0
        conversion=Rational(
            gives="raw",
            numerator=(Fraction(0), Fraction(0), Fraction(4096)),
            denominator=(Fraction(0), Fraction(1), Fraction(0)),
        )
    )
    assert to_physical(inverse, np.array([4096, 1024], dtype="u2"), TYPES["u16"]).tolist() == [1.0, 4.0]


def test_linear_gives_the_physical_value() -> None:
    """ASAM MCD-2 MC, COMPU_METHOD of type LINEAR: PHYS = f(INT), f(x) = ax + b, COEFFS_LINEAR a b. From memory."""
    scaling = Scaling(conversion=Linear(factor=Fraction("0.75"), offset=Fraction(-48)))
    assert to_physical(scaling, np.array([0, 64, 255], dtype="u1"), TYPES["u8"]).tolist() == [-48.0, 0.0, 143.25]


def test_tab_intp_and_tab_nointp() -> None:
    """ASAM MCD-2 MC, COMPU_TAB: TAB_INTP interpolates between the pairs, TAB_NOINTP does not. From memory; what holds
    beyond the pairs and between those of TAB_NOINTP is ours (the nearest end, the pair below)."""
    points = ((0, Fraction(150)), (512, Fraction(40)), (1024, Fraction(-40)))
    raw = np.array([0, 256, 512, 768, 1024, 2000], dtype="u2")
    between = to_physical(Scaling(conversion=Lookup(points=points, between="interpolate")), raw, TYPES["u16"])
    assert between.tolist() == [150.0, 95.0, 40.0, 0.0, -40.0, -40.0]
    held = to_physical(Scaling(conversion=Lookup(points=points, between="hold")), raw, TYPES["u16"])
    assert held.tolist() == [150.0, 150.0, 40.0, 40.0, -40.0, -40.0]


def test_interpolation_against_numpy() -> None:
    points = ((-20, Fraction(3, 2)), (5, Fraction(-4)), (90, Fraction(7)))
    raw = np.arange(-128, 128, dtype="i1")
    found = to_physical(Scaling(conversion=Lookup(points=points, between="interpolate")), raw, TYPES["i8"])
    np.testing.assert_allclose(found, np.interp(raw, [-20, 5, 90], [1.5, -4, 7]), rtol=1e-12, atol=1e-14)


def test_a_quotient_by_zero_is_no_number() -> None:
    scaling = Scaling(
        conversion=Rational(
            gives="physical",
            numerator=(Fraction(0), Fraction(0), Fraction(4096)),
            denominator=(Fraction(0), Fraction(1), Fraction(0)),
        )
    )
    found = to_physical(scaling, np.array([0, 1, 4096], dtype="u2"), TYPES["u16"])
    assert np.isnan(found[0])
    assert found[1:].tolist() == [4096.0, 1.0]
