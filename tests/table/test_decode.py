"""Decoding by hand: bytes written out, values reckoned on paper, everything odd reported and never raised."""

from __future__ import annotations

import struct
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    BitField,
    Bits,
    Cells,
    FixedAxis,
    Frame,
    Limits,
    Linear,
    Lookup,
    Names,
    Rational,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.errors import CaldiffError, TableError
from caldiff.image.model import Image, Segment
from caldiff.table.coverage import cover
from caldiff.table.decode import decode, decode_axis

START = 0x80_0000


def reader(*tables: TableSpec, erased: int = 0xFF) -> Definition:
    frame = Frame(start=START, size=0x1000, byte_order="big", erased=erased)
    return Definition.of(name="hand", frame=frame, tables=tables)


def cells(at: int, type_: str, *shape: int, order: Any = "big", mask: int | None = None) -> Cells:
    """Packed cells, the last index fastest."""
    size = TYPES[type_].size
    strides = tuple(size * int(np.prod(shape[d + 1 :])) for d in range(len(shape)))
    return Cells(at=START + at, type=TYPES[type_], byte_order=order, shape=shape, strides=strides, mask=mask)


SPEED = StoredAxis(
    name="speed",
    cells=cells(0, "u16", 3),
    scaling=Scaling(unit="rpm", conversion=Linear(factor=Fraction(1, 4)), decimals=0),
    quantity="engine_speed",
    shared=True,
)
GEAR = FixedAxis(name="ignition.y", points=(Fraction(1), Fraction(5, 2)), quantity="gear", decimals=1)
IGNITION = TableSpec(
    name="ignition",
    kind="map",
    cells=cells(6, "u8", 2, 3),
    axes=(GEAR, SPEED),
    scaling=Scaling(unit="degCA", conversion=Linear(factor=Fraction(1, 2), offset=Fraction(-40)), decimals=1),
    limits=Limits(low=Fraction(-10), high=Fraction(45)),
)
BYTES = struct.pack(">3H", 3200, 6000, 12000) + bytes([60, 80, 100, 120, 140, 160])
"""800, 1500, 3000 rpm; -10, 0, 10 / 20, 30, 40 degrees"""


def test_a_map() -> None:
    table = decode(Image.of(BYTES, start=START), reader(IGNITION), "ignition")
    assert table.raw.tolist() == [[60, 80, 100], [120, 140, 160]]
    assert table.physical.tolist() == [[-10, 0, 10], [20, 30, 40]]
    assert table.addresses.tolist() == [[START + 6, START + 7, START + 8], [START + 9, START + 10, START + 11]]
    gear, speed = table.axes
    assert speed.physical.tolist() == [800, 1500, 3000]
    assert speed.raw is not None
    assert speed.raw.dtype == np.dtype(">u2")
    assert gear.physical.tolist() == [1, 2.5]
    assert (gear.raw, gear.addresses) == (None, None)
    assert [table.shown((0, 1)), speed.shown(2), gear.shown(1)] == ["0.0", "3000", "2.5"]
    assert (table.unit, speed.unit, table.shape, len(speed)) == ("degCA", "rpm", (2, 3), 3)
    assert table.problems == ()
    assert repr(speed) == "<AxisValues speed: 3 breakpoints in rpm>"
    assert repr(table) == "<Table ignition: map 2 x 3 in degCA at 0x00800006>"


def test_a_table_covers_its_cells_and_a_shared_axis_its_own() -> None:
    table = decode(Image.of(BYTES, start=START), reader(IGNITION), "ignition")
    assert cover(table, START, START + 13).tolist() == [0] * 6 + [0xFF] * 6 + [0]
    assert cover(table.axes[1], START, START + 13).tolist() == [0xFF] * 6 + [0] * 7
    assert cover(table.axes[0], START, START + 13).tolist() == [0] * 13  # fixed: no image stores it


def test_cover_of_addresses_after_a_table_is_empty() -> None:
    table = decode(Image.of(BYTES, start=START), reader(IGNITION), "ignition")
    assert not cover(table, START + 12, START + 40).any()
    assert cover(table, START + 20, START + 10).shape == (0,)


def test_cells_beyond_limits_are_reported_with_the_first_address() -> None:
    data = BYTES[:6] + bytes([59, 80, 100, 120, 140, 171])
    table = decode(Image.of(data, start=START), reader(IGNITION), "ignition")
    (problem,) = table.problems
    assert (problem.kind, problem.address) == ("beyond-limits", START + 6)
    assert problem.text == "2 cells are beyond the limits of -10 to 45 degCA, the first at index [0, 0]"


@pytest.mark.parametrize(("points", "address"), [((5, 5, 9), 2), ((1, 9, 8), 4), ((9, 8, 7), 2)])
def test_an_axis_that_does_not_rise_strictly_is_reported(points: tuple[int, ...], address: int) -> None:
    image = Image.of(struct.pack(">3H", *points) + BYTES[6:], start=START)
    (problem,) = decode_axis(image, SPEED).problems
    assert (problem.kind, problem.address) == ("axis-not-rising", START + address)
    assert decode(image, reader(IGNITION), "ignition").raw.shape == (2, 3)


def test_a_falling_scaling_on_a_rising_axis_is_no_problem() -> None:
    falling = StoredAxis(
        name="t", cells=cells(0, "u8", 3), scaling=Scaling(conversion=Linear(factor=Fraction(-1))), shared=True
    )
    assert decode_axis(Image.of(bytes([1, 2, 3]), start=START), falling).problems == ()


def counted(type_: str = "u8") -> TableSpec:
    axis = StoredAxis(
        name="curve.x",
        cells=cells(1, "u8", 4),
        count=StoredCount(at=START, type=TYPES[type_], byte_order="big"),
    )
    return TableSpec(name="curve", kind="curve", cells=cells(5, "u8", 4), axes=(axis,))


@pytest.mark.parametrize(("count", "used"), [(0, 0), (1, 1), (3, 3), (4, 4), (5, 4), (255, 4)])
def test_a_stored_count_cuts_the_axis_and_is_held_to_the_room(count: int, used: int) -> None:
    image = Image.of(bytes([count, 10, 20, 30, 40, 1, 2, 3, 4]), start=START)
    table = decode(image, reader(counted()), "curve")
    (axis,) = table.axes
    assert axis.physical.tolist() == [10, 20, 30, 40][:used]
    assert table.raw.tolist() == [1, 2, 3, 4][:used]
    assert table.physical.shape == (used,)
    assert (axis.count, axis.count_at) == (count, START)
    assert [p.kind for p in axis.problems] == (["count-beyond-room"] if count > 4 else [])
    own = [0xFF, *[0xFF] * used, *[0] * (4 - used), *[0xFF] * used, *[0] * (4 - used)]
    assert cover(table, START, START + 9).tolist() == own
    assert cover(table, START + 2, START + 9).tolist() == own[2:]


def test_a_negative_count_is_none_at_all() -> None:
    table = decode(Image.of(bytes([0x80, *range(8)]), start=START), reader(counted("i8")), "curve")
    assert table.raw.shape == (0,)
    assert table.axes[0].count == -128
    assert table.axes[0].problems[0].text == "the stored count of the axis is -128, with room for 4"


@pytest.mark.parametrize(
    ("type_", "bits"),
    [("f16", "7e00"), ("f32", "7fc00001"), ("f32", "7f800001"), ("f64", "fff0000000000000"), ("f16", "fc00")],
)
def test_what_is_no_number_is_reported(type_: str, bits: str) -> None:
    """NaN quiet and signalling, infinities (IEEE 754 bit patterns)."""
    spec = TableSpec(name="v", kind="value", cells=cells(0, type_), limits=Limits(low=Fraction(0), high=Fraction(1)))
    table = decode(Image.of(bytes.fromhex(bits), start=START), reader(spec), "v")
    assert not np.isfinite(table.physical)
    assert table.problems[0].kind == "not-a-number"
    assert table.problems[0].text == "1 cell is no number"


def test_a_division_by_zero_is_reported() -> None:
    zero, one = Fraction(0), Fraction(1)
    inverse = Scaling(conversion=Rational(gives="physical", numerator=(zero, zero, one), denominator=(zero, one, zero)))
    spec = TableSpec(name="b", kind="block", cells=cells(0, "u8", 3), scaling=inverse)
    table = decode(Image.of(bytes([2, 0, 1]), start=START), reader(spec), "b")
    assert table.physical[[0, 2]].tolist() == [0.5, 1.0]
    assert [(p.kind, p.address) for p in table.problems] == [("not-a-number", START + 1)]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"WREN4\x00\x00\x00", "WREN4"),
        (b"WREN4   ", "WREN4"),
        (b"WREN4\x00 \xee", "WREN4"),
        (b"  A B\xee\xee\xee", "  A B"),
        (b"\xee" * 8, ""),
        (b"12345678", "12345678"),
    ],
)
def test_text_loses_its_padding(data: bytes, text: str) -> None:
    spec = TableSpec(name="label", kind="text", cells=cells(0, "u8", 8))
    table = decode(Image.of(data, start=START), reader(spec, erased=0xEE), "label")
    assert table.text == text
    assert table.problems == ()
    assert table.raw.tobytes() == data


def test_text_that_is_none_is_escaped_and_reported() -> None:
    spec = TableSpec(name="label", kind="text", cells=cells(0, "u8", 6))
    table = decode(Image.of(b"A\x1b[\xe9\x00B", start=START), reader(spec), "label")
    assert table.text == r"A\x1b[\xe9\x00B"
    assert [(p.kind, p.address) for p in table.problems] == [("not-text", START + 1)]
    latin = TableSpec(name="label", kind="text", cells=cells(0, "u8", 6), encoding="latin-1")
    table = decode(Image.of(b"Caf\xe9 \xb5", start=START), reader(latin), "label")
    assert (table.text, table.problems) == ("Café µ", ())


def test_names_and_flags() -> None:
    names = Scaling(conversion=Names(names={0: "petrol", 1: "LPG"}))
    fuel = TableSpec(name="fuel", kind="value", cells=cells(0, "u8"), scaling=names)
    bits = Scaling(conversion=Bits(fields=(BitField(name="knock", mask=1), BitField(name="lambda", mask=2))))
    switches = TableSpec(name="switches", kind="flags", cells=cells(1, "u8"), scaling=bits)
    image = Image.of(bytes([1, 2]), start=START)
    assert decode(image, reader(fuel, switches), "fuel").shown(()) == "LPG"
    assert "lambda" in decode(image, reader(fuel, switches), "switches").shown(())
    assert float(decode(image, reader(fuel, switches), "switches").physical) == 2.0


def test_big_and_little_in_one_image() -> None:
    big, little = (
        TableSpec(name=o, kind="value", cells=cells(0, "i32", order=o), scaling=Scaling()) for o in ("big", "little")
    )
    image = Image.of(bytes([0xFF, 0xFF, 0xFF, 0x00]), start=START)
    assert int(decode(image, reader(big, little), "big").raw) == -256
    assert int(decode(image, reader(big, little), "little").raw) == 0x00FFFFFF


def test_a_masked_signed_field() -> None:
    """By hand: 0x2C30 & 0x0FF0 is 0xC30, shifted by 4 is 0xC3; its highest bit is set, so it is 0xC3 - 0x100 = -61."""
    spec = TableSpec(name="f", kind="value", cells=cells(0, "i16", mask=0x0FF0))
    assert int(decode(Image.of(bytes([0x2C, 0x30]), start=START), reader(spec), "f").raw) == -61


def test_shared_axes_are_decoded_once() -> None:
    other = TableSpec(name="other", kind="curve", cells=cells(6, "u8", 3), axes=(SPEED,))
    image, definition, known = Image.of(BYTES, start=START), reader(IGNITION, other), {}
    one, two = (decode(image, definition, name, axes=known) for name in ("ignition", "other"))
    assert one.axes[1] is two.axes[0]
    assert list(known) == ["speed"]


def test_a_table_that_is_not_there() -> None:
    with pytest.raises(TableError, match="no table 'ignitoin'") as caught:
        decode(Image.of(BYTES, start=START), reader(IGNITION), "ignitoin")
    assert caught.value.hint == "did you mean ignition?"


def test_missing_bytes_name_table_and_address() -> None:
    with pytest.raises(TableError, match="table 'ignition' is not held whole") as caught:
        decode(Image.of(BYTES[:-1], start=START), reader(IGNITION), "ignition")
    assert caught.value.address == START + 11
    with pytest.raises(TableError, match="'speed'") as caught:
        decode(Image.of(BYTES[6:], start=START + 6), reader(IGNITION), "ignition")
    assert caught.value.address == START
    with pytest.raises(TableError, match="count of table 'curve'") as caught:
        decode(Image.of(bytes(8), start=START + 1), reader(counted()), "curve")
    assert caught.value.address == START


def test_interleaved_cells_around_a_hole() -> None:
    spec = TableSpec(
        name="c",
        kind="block",
        cells=Cells(at=START, type=TYPES["u8"], byte_order="big", shape=(3,), strides=(2,)),
    )
    image = Image(segments=tuple(Segment(start=START + 2 * i, data=bytes([i + 7])) for i in range(3)))
    table = decode(image, reader(spec), "c")
    assert table.raw.tolist() == [7, 8, 9]
    assert not table.raw.flags.writeable


scalings = st.sampled_from(
    [
        Scaling(),
        Scaling(conversion=Linear(factor=Fraction(1, 10**30), offset=Fraction(10**30))),
        Scaling(
            conversion=Rational(
                gives="raw",
                numerator=(Fraction(1), Fraction(0), Fraction(0)),
                denominator=(Fraction(0), Fraction(0), Fraction(1)),
            )
        ),
        Scaling(conversion=Lookup(points=((0, Fraction(1)), (9, Fraction(2))), between="interpolate")),
        Scaling(conversion=Bits(fields=(BitField(name="b", mask=0x30, names={1: "one"}),))),
    ]
)


@given(st.binary(max_size=80), st.sampled_from(list(TYPES)), scalings, st.integers(0, 20))
def test_any_bytes_are_decoded_or_refused(data: bytes, type_: str, scaling: Scaling, at: int) -> None:
    """Stored counts, axes and values out of arbitrary bytes: only our own errors, and everything shown."""
    mask = 0x7A if type_[0] != "f" else None
    count = StoredCount(at=START, type=TYPES["i16"], byte_order="little")
    axis = StoredAxis(name="t.x", cells=cells(2, type_, 3), count=count, scaling=scaling)
    values = cells(at, type_, 2, 3, mask=mask)
    limits = Limits(low=Fraction(-1), high=Fraction(10**6))
    rows = FixedAxis(name="t.y", points=(Fraction(0), Fraction(1)))
    spec = TableSpec(name="t", kind="map", cells=values, axes=(rows, axis), scaling=scaling, limits=limits)
    label = TableSpec(name="label", kind="text", cells=cells(at, "u8", 9))
    definition, image = reader(spec, label), Image.of(data, start=START)
    for name in ("t", "label"):
        try:
            table = decode(image, definition, name)
        except CaldiffError as error:
            assert isinstance(error, TableError)  # noqa: PT017 - refusing is one of two right answers
            continue
        assert table.physical.shape == table.raw.shape
        assert "<script" not in table._repr_html_()
        assert cover(table, START, START + 80).shape == (80,)
        for problem in [*table.problems, *(p for a in table.axes for p in a.problems)]:
            assert problem.text.isprintable()
