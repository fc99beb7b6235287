"""Units of loggers and of definitions: whether two names mean the same one, and exact conversions between two.

Spellings are mapped first; only where two units really differ is pint asked (importing it takes longer than reading a
log). A unit reaches pint as a product of plain names and small powers: expressions that it would reckon never do.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any

import attrs
import numpy as np

from caldiff.errors import EvidenceError
from caldiff.evidence.log import Floats
from caldiff.value import Value

__all__ = ["MASS_RATIO", "ONE", "Affine", "conversion", "spelled"]

ONE = "1"
MASS_RATIO = "kg/kg"
_SPELLINGS = {
    "rpm": "r/min rev/min revs/min rev./min 1/min min-1 min^-1 /min u/min upm umdr/min tr/min",
    "degC": "°c degc deg.c deg_c degreec celsius gradc c ºc ˚c",
    "degF": "°f degf deg.f deg_f degreef fahrenheit f ºf ˚f",
    "K": "k kelvin",
    "deg": "° º degca degcrk deg.ca °ca °crk °kw degkw degree degrees",
    "%": "percent pct prozent",
    ONE: "- -- lambda λ ratio dimensionless",
    MASS_RATIO: "g/g mg/mg lb/lb afr",
    "s": "sec secs second seconds sek",
    "ms": "msec millisecond milliseconds",
    "us": "µs μs usec microsecond microseconds",
    "min": "minute minutes",
    "h": "hour hours hr std",
    "V": "v volt volts",
    "A": "a amp amps ampere",
    "km/h": "kph kmh km/hr kmph",
    "mph": "mi/h miles/h",
    "N*m": "nm n.m n·m newtonmeter",
    "mbar": "millibar",
    "hPa": "hpa",
    "kPa": "kpa",
    "psi": "psia lbf/in2",
    "inHg": "inhg in.hg",
    "kg/h": "kg/hr",
    "L/h": "l/h l/hr lph",
}
"""How one unit is written, spaces and case ignored: common practice of loggers and of definitions, no source.

``C``, ``F`` and ``Nm`` would be coulomb, farad and nanometres to a library of physics; to an engine they are not.
"""
_KNOWN = {word: unit for unit, words in _SPELLINGS.items() for word in (*words.split(), unit.casefold())}
_PART = re.compile(r"([A-Za-zµμΩ%°º]{1,30})(?:\^|\*\*)?([1-9]?)")
_NAMES = {"%": "percent", "deg": "degree"}
_DEGREES = {"degC", "degF"}
_LONGEST = 60


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Affine(Value):
    """A conversion, exact: ``factor`` times a value, plus ``offset``."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)

    @property
    def same(self) -> bool:
        """Whether it changes nothing."""
        return self.factor == 1 and self.offset == 0

    def apply(self, values: Floats) -> Floats:
        """The values converted; as ``(value * a + b) / d`` with whole numbers, so that 50 degF are 10 degC."""
        if self.same:
            return values
        d = math.lcm(self.factor.denominator, self.offset.denominator)
        return np.asarray((values * float(self.factor * d) + float(self.offset * d)) / float(d), np.float64)

    def exactly(self, value: Fraction) -> Fraction:
        """One value converted."""
        return value * self.factor + self.offset


def spelled(unit: str) -> str:
    """The unit as we write it, where its spelling is a known one; otherwise as it stands."""
    bare = "".join(unit.split())
    return _KNOWN.get(bare.casefold(), bare)


@lru_cache(maxsize=1024)
def conversion(source: str, target: str) -> Affine:
    """How values in one unit become values in another.

    Raises:
        EvidenceError: one of them is not known, or they do not measure the same.
    """
    ours, theirs = spelled(source), spelled(target)
    if ours == theirs:
        return Affine()
    if MASS_RATIO in (ours, theirs):
        raise _differ(source, target, "a ratio of masses becomes lambda only by a stated stoichiometric ratio")
    before, after = _unit(ours, source), _unit(theirs, target)
    if _registry().get_root_units(before)[1] != _registry().get_root_units(after)[1]:
        # Dimensions alone would take hertz for radians a second, and give a tenth of the speed that was meant.
        raise _differ(source, target)
    low, high = (_converted(value, before, after, source, target) for value in (0, 1))
    return Affine(factor=high - low, offset=low)


def _differ(source: str, target: str, hint: str | None = None) -> EvidenceError:
    return EvidenceError("the units do not measure the same", expected=target, got=source, hint=hint)


def _unknown(unit: str) -> EvidenceError:
    hint = "say under `units` in the channels file what it means, such as `units: {Umdr: rpm}`"
    return EvidenceError(f"the unit {unit[:_LONGEST]} is not known", hint=hint)


@cache
def _registry() -> Any:
    import pint  # noqa: PLC0415 - takes longer than reading a log

    return pint.UnitRegistry(non_int_type=Fraction)


def _unit(unit: str, said: str) -> Any:
    """The unit as pint has it."""
    above, *below = unit.replace("·", "*").replace("**", "^").split("/")
    if len(unit) > _LONGEST or len(below) > 1:
        raise _unknown(said)
    factors = [(part, 1) for part in above.split("*")] + [(part, -1) for part in "*".join(below).split("*") if below]
    found = _registry().Unit("")
    for part, sign in factors:
        found *= _part(part, said, alone=len(factors) == 1) ** sign
    return found


def _part(part: str, said: str, *, alone: bool) -> Any:
    """A plain name with a small power; within a product a degree is a difference."""
    import pint  # noqa: PLC0415 - see above

    if part == ONE:
        return _registry().Unit("")
    match = _PART.fullmatch(part)
    if not match:
        raise _unknown(said)
    name = spelled(match[1])
    if "/" in name or "*" in name:
        return _unit(name, said) ** int(match[2] or 1)
    name = _NAMES.get(name, name) if alone or name not in _DEGREES else f"delta_{name}"
    try:
        return _registry().Unit(name) ** int(match[2] or 1)
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, AssertionError):
        raise _unknown(said) from None


def _converted(value: int, before: Any, after: Any, source: str, target: str) -> Fraction:
    import pint  # noqa: PLC0415 - see above

    try:
        found = _registry().Quantity(Fraction(value), before).to(after).magnitude
    except (pint.errors.PintError, ZeroDivisionError, OverflowError):
        raise _differ(source, target) from None
    return Fraction(found)
