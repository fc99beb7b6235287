"""What may stand in an entry of ``scalings``. See :mod:`caldiff.definition.fields`."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from typing import Any

import attrs

from caldiff.definition.kinds import ADDRESSES, NAME, NUMBER, Kind, choice, either, integer, listing, mapping, text
from caldiff.definition.problems import Wrong, seen
from caldiff.definition.sections import Field, Section

__all__ = [
    "BIT_FIELD",
    "DECIMALS",
    "LIMITS",
    "LOOKUP",
    "MASK",
    "RATIONAL",
    "SCALING",
    "SCALING_KINDS",
    "SCALING_OR_NAME",
    "SCALING_SECTIONS",
    "UNIT",
]

BIT = integer("the number of a bit", 0, 63)
MASK = integer("a mask", 1, ADDRESSES - 1)
RAW = integer("a raw value", -(1 << 63), ADDRESSES - 1)
UNIT = text("a unit", longest=100)
DECIMALS = integer("a number of digits", 0, 12)


@lru_cache(maxsize=4096)
def _in_order(low: str, high: str) -> bool:
    return Fraction(low) <= Fraction(high)


def _read_limits(value: object) -> list[str]:
    pair: list[str] = _LIMITS.read(value)
    if not _in_order(*pair):
        raise Wrong("the limits are the wrong way round", expected="[low, high]", got=f"[{pair[0]}, {pair[1]}]")
    return pair


_LIMITS = listing(NUMBER, "[low, high]", least=2, most=2)
LIMITS = attrs.evolve(_LIMITS, read=_read_limits)
NAMES = mapping(RAW, text("a name for a value", longest=1000, empty=False), "a mapping from raw values to names")

RATIONAL = Section(
    name="rational",
    what="a rational function",
    doc="(a v^2 + b v + c) / (d v^2 + e v + f).",
    fields=(
        Field(
            key="gives",
            kind=choice("physical", "raw"),
            doc="What the quotient yields; v is the other one.",
            needed="placed",
        ),
        Field(key="numerator", kind=listing(NUMBER, "[a, b, c]", least=3, most=3), doc="a, b, c.", needed="placed"),
        Field(key="denominator", kind=listing(NUMBER, "[d, e, f]", least=3, most=3), doc="d, e, f.", needed="placed"),
    ),
)


def _read_point(value: object) -> list[object]:
    if type(value) is not list or len(value) != 2:  # noqa: PLR2004 - a pair
        raise Wrong("the value is of the wrong type", expected=POINT.what, got=seen(value))
    return [RAW.read(value[0]), NUMBER.read(value[1])]


POINT = Kind(
    what="a pair [raw, physical]",
    read=_read_point,
    schema={"type": "array", "prefixItems": [RAW.schema, NUMBER.schema], "minItems": 2, "maxItems": 2},
)


def _read_points(value: object) -> list[list[Any]]:
    points: list[list[Any]] = _POINTS.read(value)
    for number, (before, after) in enumerate(pairwise(points), start=1):
        if before[0] >= after[0]:
            raise Wrong(
                "the raw values of a look-up rise", expected=f"above {before[0]}", got=f"{after[0]}", path=(number,)
            )
    return points


_POINTS = listing(POINT, "a list of pairs [raw, physical]", least=1)
POINTS = attrs.evolve(_POINTS, read=_read_points)

LOOKUP = Section(
    name="lookup",
    what="a look-up",
    doc="Pairs of raw and physical; outside them the nearest end holds.",
    fields=(
        Field(key="points", kind=POINTS, doc="The pairs, raw strictly rising.", needed="placed"),
        Field(
            key="between",
            kind=choice("interpolate", "hold"),
            doc="Between two pairs: a straight line, or the pair at or below the raw value.",
            needed="placed",
        ),
    ),
)

BIT_FIELD = Section(
    name="bit_field",
    what="a bit field",
    doc="A field within a word.",
    fields=(
        Field(key="mask", kind=MASK, doc="The bits of the word that belong to the field.", needed="placed"),
        Field(key="names", kind=NAMES, doc="Names for the field's values."),
    ),
)

SCALING_KINDS = ("rational", "lookup", "names", "bits")
SCALING = Section(
    name="scaling",
    what="a scaling",
    doc="Raw <-> physical. Linear (factor, offset) unless it has one of rational, lookup, names and bits.",
    fields=(
        Field(key="unit", kind=UNIT, doc="The physical unit."),
        Field(key="decimals", kind=DECIMALS, doc="Digits shown after the point."),
        Field(key="limits", kind=LIMITS, doc="Physical limits, both included."),
        Field(key="factor", kind=NUMBER, doc="physical = raw * factor + offset; 1 if left out."),
        Field(key="offset", kind=NUMBER, doc="physical = raw * factor + offset; 0 if left out."),
        Field(key="rational", kind=RATIONAL.kind, doc="A quotient of two polynomials of second degree."),
        Field(key="lookup", kind=LOOKUP.kind, doc="Pairs of raw and physical."),
        Field(key="names", kind=NAMES, doc="Names for raw values."),
        Field(
            key="bits",
            kind=mapping(NAME, either(BIT, BIT_FIELD.kind), "a mapping from names to bits", most=64),
            doc="Flags and bit fields: the number of a bit, 0 the lowest, or a mask with names.",
        ),
    ),
)

SCALING_OR_NAME = either(attrs.evolve(NAME, what="the name of a scaling"), SCALING.kind)

SCALING_SECTIONS = (RATIONAL, LOOKUP, BIT_FIELD, SCALING)
"""every section here, for the schema"""
