"""What a definition says, as frozen values: addresses, types, axes, scalings, identity. No bytes are read here.

Numbers that stand for something physical are :class:`fractions.Fraction`, so that nothing is rounded before it is
shown. Shapes and axes are in array order, the slowest index first: a map is ``(y, x)``, a cuboid ``(z, y, x)``.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Literal

import attrs

from caldiff.value import Value

__all__ = [
    "TYPES",
    "Axis",
    "BitField",
    "Bits",
    "ByteOrder",
    "Cells",
    "Conversion",
    "ElementType",
    "Fit",
    "FixedAxis",
    "Frame",
    "IdentityField",
    "Limits",
    "Linear",
    "Lookup",
    "Meaning",
    "Names",
    "Pattern",
    "Rational",
    "Record",
    "Region",
    "Role",
    "Scaling",
    "StoredAxis",
    "StoredCount",
    "TableKind",
    "TableSpec",
]

ByteOrder = Literal["big", "little"]
Role = Literal["code", "calibration", "volatile", "identity", "checksum"]
TableKind = Literal["value", "curve", "map", "cuboid", "block", "text", "flags"]
Meaning = Literal["free", "calibration-id", "software-version", "hardware-number", "cvn", "vin"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class ElementType(Value):
    """A number as it is stored: ``u8`` to ``u64``, ``i8`` to ``i64``, ``f16``, ``f32``, ``f64``."""

    name: str
    size: int
    """in bytes"""
    kind: Literal["u", "i", "f"]

    @property
    def lowest(self) -> int:
        """The lowest raw integer (integer types only)."""
        return -(1 << (8 * self.size - 1)) if self.kind == "i" else 0

    @property
    def highest(self) -> int:
        """The highest raw integer (integer types only)."""
        return (1 << (8 * self.size - (self.kind == "i"))) - 1


_KINDS: tuple[tuple[Literal["u", "i", "f"], tuple[int, ...]], ...] = (
    ("u", (1, 2, 4, 8)),
    ("i", (1, 2, 4, 8)),
    ("f", (2, 4, 8)),
)
TYPES: Mapping[str, ElementType] = {
    f"{kind}{8 * size}": ElementType(name=f"{kind}{8 * size}", size=size, kind=kind)
    for kind, sizes in _KINDS
    for size in sizes
}


# ---------------------------------------------------------------------------------------------------------- frame


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Frame(Value):
    """The address room of an image and what holds in it by default."""

    start: int
    size: int
    byte_order: ByteOrder
    erased: int = 0xFF
    """the byte that erased memory reads as"""

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.start + self.size


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Pattern(Value):
    """Bytes with wildcards: a byte matches where ``byte & mask == value & mask``."""

    value: bytes
    mask: bytes
    text: bool = False
    """written as text in the definition, for display"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Fit(Value):
    """A condition that an image must meet: one of the patterns stands at the address."""

    at: int
    any_of: tuple[Pattern, ...]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class IdentityField(Value):
    """A field that says which unit, software or vehicle this is.

    ``kind`` is ``text`` (``size`` characters), ``number`` (an unsigned integer of ``size`` bytes) or ``bcd`` (two
    decimal digits a byte, ``size`` bytes).
    """

    name: str
    at: int
    size: int
    kind: Literal["text", "number", "bcd"]
    byte_order: ByteOrder
    personal: bool = False
    """identifies somebody: shortened in what is shown; a VIN always does"""
    title: str = ""
    means: Meaning = "free"
    """what the field says, where anything can be told by that; ``cvn`` is a calibration verification number"""
    checksum: str = ""
    """of a ``cvn``: the checksum that it must equal, or empty where that is not known"""
    check_digit: bool | None = None
    """of a ``vin``: whether its ninth character is a check digit; None: where its first ones say so"""

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.at + self.size


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Region(Value):
    """An address range with a role."""

    name: str
    start: int
    size: int
    role: Role

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.start + self.size


# --------------------------------------------------------------------------------------------------------- scalings


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Limits(Value):
    """Physical limits, both included."""

    low: Fraction
    high: Fraction


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Linear(Value):
    """``physical = raw * factor + offset``; the factor is never 0."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Rational(Value):
    """A quotient of two polynomials of second degree, coefficients from the square down to the constant.

    ``gives`` says which side the quotient yields: ``physical = N(raw)/D(raw)`` or ``raw = N(physical)/D(physical)``.
    """

    gives: Literal["physical", "raw"]
    numerator: tuple[Fraction, Fraction, Fraction]
    denominator: tuple[Fraction, Fraction, Fraction]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Lookup(Value):
    """Pairs of raw and physical, raw strictly rising.

    ``between`` is ``interpolate`` (a straight line between two pairs) or ``hold`` (the pair at or below the raw value
    counts). Outside the pairs the nearest end holds.
    """

    points: tuple[tuple[int, Fraction], ...]
    between: Literal["interpolate", "hold"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Names(Value):
    """Names for raw values; raw values without one are shown as numbers."""

    names: Mapping[int, str] = attrs.field(hash=False)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class BitField(Value):
    """A field within a word: a flag where the mask is one bit, else a small number, perhaps with names."""

    name: str
    mask: int
    names: Mapping[int, str] = attrs.field(factory=dict, hash=False)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Bits(Value):
    """A word as flags and bit fields, in the order written."""

    fields: tuple[BitField, ...]


Conversion = Linear | Rational | Lookup | Names | Bits


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Scaling(Value):
    """Raw <-> physical conversion, exact, with what is needed to show it."""

    name: str = ""
    """empty for one written inside a table"""
    unit: str = ""
    decimals: int | None = None
    """digits shown after the point; None: as many as the value needs, at most 6"""
    limits: Limits | None = None
    conversion: Conversion = Linear()


# ------------------------------------------------------------------------------------------------- axes and tables


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Cells(Value):
    """Equal cells laid out in memory.

    Attributes:
        at: address of the cell with all indices 0.
        shape: cells per dimension, the slowest index first; ``()`` is a single cell. With a stored count, the most
            that there is room for.
        strides: bytes from one cell to the next, per dimension; any sign (interleaved, column-major, descending).
        mask: the bits of the word that belong to the cell, or None for all (integer types only). The raw value is
            ``(word & mask) >> lowest set bit``; for ``i`` types its highest bit is the sign.
    """

    at: int
    type: ElementType
    byte_order: ByteOrder
    shape: tuple[int, ...] = ()
    strides: tuple[int, ...] = ()
    mask: int | None = None

    @property
    def hull(self) -> tuple[int, int]:
        """``(start, stop)`` of the smallest address range that holds every cell."""
        reach = [(n - 1) * stride for n, stride in zip(self.shape, self.strides, strict=True)]
        low = self.at + sum(r for r in reach if r < 0)
        return low, self.at + sum(r for r in reach if r > 0) + self.type.size


@attrs.frozen(kw_only=True, eq=False, repr=False)
class StoredCount(Value):
    """The number of breakpoints in use, stored in the image; the room is for ``axis.cells.shape[0]`` of them."""

    at: int
    type: ElementType
    byte_order: ByteOrder

    @property
    def stop(self) -> int:
        """The address after the last byte."""
        return self.at + self.type.size


@attrs.frozen(kw_only=True, eq=False, repr=False)
class StoredAxis(Value):
    """Breakpoints that stand in the image: shared by name, or a table's own."""

    name: str
    """for a table's own axis ``table.x``, ``table.y`` or ``table.z``"""
    cells: Cells
    count: StoredCount | None = None
    scaling: Scaling = Scaling()
    quantity: str = ""
    """what it stands for, such as ``engine_speed``; ties logs to it"""
    title: str = ""
    shared: bool = False


@attrs.frozen(kw_only=True, eq=False, repr=False)
class FixedAxis(Value):
    """Breakpoints that only the definition knows, in physical units, strictly rising."""

    name: str
    points: tuple[Fraction, ...]
    unit: str = ""
    decimals: int | None = None
    quantity: str = ""
    title: str = ""
    shared: bool = False


Axis = StoredAxis | FixedAxis


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Record(Value):
    """A table whose parts follow one another closely, so that a stored count below the room moves what comes after.

    ``parts`` lists what is stored in order, from ``at``: ``x.count``, ``y.count``, ``z.count``, ``x``, ``y``, ``z``,
    ``values``. Each part starts at the next multiple of ``align`` bytes from ``at``. All ``Cells`` and ``StoredCount``
    of such a table hold the addresses and shapes for full room; ``caldiff.table`` works out the actual ones.
    """

    at: int
    parts: tuple[str, ...]
    align: int = 1


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Correction(Value):
    """The table multiplies what a ratio is measured of, so that measured/target is the factor that it lacks.

    Attributes:
        measured: a quantity, such as ``lambda``.
        target: what it should be: a number, or the name of the table that holds it.
        way: ``factor``, the value is multiplied; ``percent``, what is multiplied is ``1 + value/100``.
    """

    measured: str
    target: str | Fraction
    way: Literal["factor", "percent"] = "factor"


@attrs.frozen(kw_only=True, eq=False, repr=False)
class TableSpec(Value):
    """One table: where its cells are, what they hang on, what they mean.

    Attributes:
        axes: one per dimension in array order (``(y, x)`` for a map); empty for value, block, text and flags.
        limits: the table's own physical limits, else those of the scaling.
        aliases: other names that it is found by, such as the name in an older software version.
        encoding: of a text table, ``ascii`` or ``latin-1``.
        corrects: what a measured ratio says of it.
        codes: trouble codes that it switches on: the name of a flag, or the number of a cell in array order, with its
            codes. A flag that is 0, a cell whose raw value is 0, switches them off.
    """

    name: str
    kind: TableKind
    cells: Cells
    axes: tuple[Axis, ...] = ()
    scaling: Scaling = Scaling()
    limits: Limits | None = None
    title: str = ""
    description: str = ""
    group: str = ""
    tags: tuple[str, ...] = ()
    aliases: tuple[str, ...] = ()
    encoding: Literal["ascii", "latin-1"] = "ascii"
    record: Record | None = None
    corrects: Correction | None = None
    codes: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def effective_limits(self) -> Limits | None:
        """The limits that a value of the table must keep, if any."""
        return self.limits or self.scaling.limits

    @property
    def hull(self) -> tuple[int, int]:
        """``(start, stop)`` of the addresses of the table's values; with a record, of the whole record at full room."""
        spans = [self.cells.hull]
        if self.record is not None:
            for axis in self.axes:
                if isinstance(axis, StoredAxis):
                    spans.append(axis.cells.hull)
                    spans += [(axis.count.at, axis.count.stop)] if axis.count else []
        return min(s[0] for s in spans), max(s[1] for s in spans)
