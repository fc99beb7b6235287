"""Units: spellings, exact conversions, and refusals.

Factors: SI brochure, 9th edition (BIPM 2019), and NIST SP 811 (2008), appendix B, for the units outside the SI; from
memory. That hertz are no radians a second is SI brochure, table 4, note.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.errors import CaldiffError, EvidenceError
from caldiff.evidence.units import Affine, conversion


@pytest.mark.parametrize(
    ("source", "target"),
    [
        ("1/min", "rpm"), ("U/min", "rpm"), ("RPM", "r/min"), ("°C", "degC"), ("C", "deg C"), ("Nm", "N*m"),
        ("N m", "N.m"),
        ("lambda", "1"), ("-", "1"), ("%", "percent"), ("degCA", "deg"), ("kph", "km/h"), ("V", "Volt"),
        ("AFR", "kg/kg"),
        ("mg/stroke", "mg/stroke"), ("Nm/100 rpm", "Nm/100 rpm"),
    ],
)  # fmt: skip
def test_spellings_of_one_unit_change_nothing(source: str, target: str) -> None:
    assert conversion(source, target).same


@pytest.mark.parametrize(
    ("source", "target", "factor", "offset"),
    [
        ("degF", "degC", Fraction(5, 9), Fraction(-160, 9)),
        ("K", "°C", 1, Fraction("-273.15")),
        ("degC", "K", 1, Fraction("273.15")),
        ("bar", "mbar", 1000, 0),
        ("hPa", "mbar", 1, 0),
        ("kPa", "mbar", 10, 0),
        ("psi", "Pa", Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2, 0),
        ("mph", "km/h", Fraction("1.609344"), 0),
        ("%", "1", Fraction(1, 100), 0),
        ("g/s", "kg/h", Fraction(18, 5), 0),
        ("s", "ms", 1000, 0),
        ("mV", "V", Fraction(1, 1000), 0),
        ("°C/s", "degF/s", Fraction(9, 5), 0),
        ("km/h/s", "m/s2", None, None),
        ("(km/h)", "m/s", None, None),
        ("m/s^2", "cm/s2", 100, 0),
        ("MPa", "bar", 10, 0),
        ("mPa", "Pa", Fraction(1, 1000), 0),
    ],
)
def test_conversions_are_exact(source: str, target: str, factor: Fraction | None, offset: Fraction | None) -> None:
    if factor is None:
        with pytest.raises(EvidenceError):
            conversion(source, target)
    else:
        assert (conversion(source, target).factor, conversion(source, target).offset) == (factor, offset)


@pytest.mark.parametrize(
    ("source", "target", "said"),
    [
        ("degC", "rpm", "do not measure the same"),
        ("Hz", "rpm", "do not measure the same"),
        ("1/s", "rpm", "do not measure the same"),
        ("deg", "1", "do not measure the same"),
        ("kg/kg", "1", "do not measure the same"),
        ("frobs", "rpm", "the unit frobs is not known"),
        ("rpm", "mg/stroke", "the unit mg/stroke is not known"),
        ("9**9**9**9", "1", "is not known"),
        ("__import__('os')", "1", "is not known"),
        ("V" * 1000, "1", "is not known"),
        ("", "V", "is not known"),
    ],
)
def test_what_cannot_be_converted_is_refused(source: str, target: str, said: str) -> None:
    with pytest.raises(EvidenceError, match=said):
        conversion(source, target)


def test_whole_numbers_stay_whole() -> None:
    fahrenheit = np.array([32.0, 50.0, 212.0, -40.0])
    assert conversion("degF", "degC").apply(fahrenheit).tolist() == [0.0, 10.0, 100.0, -40.0]


@given(
    st.fractions(-1000, 1000, max_denominator=900),
    st.fractions(-1000, 1000, max_denominator=900),
    st.integers(-9999, 9999),
)
def test_applied_to_figures_as_reckoned_exactly(factor: Fraction, offset: Fraction, value: int) -> None:
    affine = Affine(factor=factor, offset=offset)
    found = float(affine.apply(np.array([float(value)]))[0])
    size = abs(factor * value) + abs(offset)
    assert abs(Fraction(found) - affine.exactly(Fraction(value))) <= size * Fraction(4, 2**53)


@given(st.text("abcdegCFKmNsV°%µ*/^·()0123456789 .-", max_size=20))
def test_any_text_for_a_unit_raises_only_our_errors(text: str) -> None:
    with contextlib.suppress(CaldiffError):
        conversion(text, "rpm")


def test_pint_is_not_loaded_for_spellings() -> None:
    program = (
        "import sys; from caldiff.evidence.units import conversion; conversion('1/min', 'rpm'); "
        "sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=60).returncode == 0
