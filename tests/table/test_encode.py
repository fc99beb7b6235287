"""Encoding by hand: what is stored, what stays, and what each refusal says."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Cells,
    FixedAxis,
    Frame,
    Limits,
    Linear,
    Lookup,
    Names,
    Record,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.errors import EncodeError, TableError, UsageError
from caldiff.image.model import Image
from caldiff.table.decode import decode
from caldiff.table.encode import encode, write_axis, write_table

HALF = Scaling(unit="degCA", conversion=Linear(factor=Fraction(1, 2), offset=Fraction(-40)), decimals=1)


def run(at: int, type_: str, *shape: int, mask: int | None = None) -> Cells:
    size = TYPES[type_].size
    strides = tuple(size * int(np.prod(shape[d + 1 :])) for d in range(len(shape)))
    return Cells(at=at, type=TYPES[type_], byte_order="big", shape=shape, strides=strides, mask=mask)


def reader(*tables: TableSpec) -> Definition:
    return Definition.of(name="hand", frame=Frame(start=0, size=256, byte_order="big"), tables=tables)


SPEED = StoredAxis(
    name="speed",
    cells=run(0, "u16", 3),
    scaling=Scaling(
        unit="rpm", conversion=Linear(factor=Fraction(1, 4)), limits=Limits(low=Fraction(0), high=Fraction(8000))
    ),
    quantity="engine_speed",
    shared=True,
)
GEAR = FixedAxis(name="ignition.y", points=(Fraction(1), Fraction(2)), quantity="gear")
IGNITION = TableSpec(
    name="ignition",
    kind="map",
    cells=run(6, "u8", 2, 3),
    axes=(GEAR, SPEED),
    scaling=HALF,
    limits=Limits(low=Fraction(-10), high=Fraction(45)),
)
IMAGE = Image.of(bytes.fromhex("0C80 1770 2EE0") + bytes([60, 80, 100, 120, 140, 160]) + b"tail")
"""800, 1500, 3000 rpm; -10, 0, 10 / 20, 30, 40 degrees"""


def diff(before: Image, after: Image) -> dict[int, int]:
    """The bytes that differ: address and new value."""
    one, two = before.read(0, before.size), after.read(0, after.size)
    return {at: b for at, (a, b) in enumerate(zip(one, two, strict=True)) if a != b}


def test_encode_is_the_scaling_turned_round() -> None:
    raw = encode(IGNITION, [[-10.0, 0.0, 10.25], [20, 30, 45]])
    assert raw.tolist() == [[60, 80, 100], [120, 140, 170]]  # 10.25 is half-way: to the even raw value
    assert raw.dtype == np.uint8


def test_one_cell_changes_one_byte_and_leaves_the_old_image() -> None:
    after = write_table(IMAGE, reader(IGNITION), "ignition", cells={(1, 2): 41})
    assert diff(IMAGE, after) == {11: 162}
    assert IMAGE.read(11, 1) == bytes([160])


@pytest.mark.parametrize("value", [12.5, Fraction(25, 2), "12.5", "25/2", np.float32(12.5)])
def test_cells_take_any_exact_number(value: Any) -> None:
    assert diff(IMAGE, write_table(IMAGE, reader(IGNITION), "ignition", cells={(0, 0): value})) == {6: 105}


def test_physical_values_that_stay_keep_their_bits() -> None:
    """A cell beyond its limits (raw 255 is 87.5 degrees) does not stand in the way of a change elsewhere."""
    image = IMAGE.patched({6: b"\xff"})
    physical = decode(image, reader(IGNITION), "ignition").physical.copy()
    physical[0, 1] = 1
    assert diff(image, write_table(image, reader(IGNITION), "ignition", physical=physical)) == {7: 82}


def test_what_is_no_number_stays_as_it_is() -> None:
    """A NaN with bits of its own beside the cell that is changed."""
    spec = TableSpec(name="f", kind="block", cells=run(0, "f32", 2))
    image, definition = Image.of(bytes.fromhex("7fc01234 3f800000")), reader(spec)
    physical = decode(image, definition, "f").physical.copy()
    physical[1] = 2.0
    assert write_table(image, definition, "f", physical=physical).read(0, 8) == bytes.fromhex("7fc01234 40000000")


def test_raw_values_are_bound_by_the_type_only() -> None:
    raw = np.array([[0, 255, 1], [2, 3, 4]])
    after = write_table(IMAGE, reader(IGNITION), "ignition", raw=raw)
    assert after.read(6, 6) == bytes([0, 255, 1, 2, 3, 4])
    with pytest.raises(EncodeError, match=r"cell \[0, 1\] at engine_speed 1500 rpm, gear 1: .*raw value") as caught:
        write_table(IMAGE, reader(IGNITION), "ignition", raw=[[0, 256, 1], [2, 3, 4]])
    assert (caught.value.expected, caught.value.got) == ("u8", "256")


def test_a_value_beyond_its_limits_names_the_operating_point() -> None:
    with pytest.raises(EncodeError) as caught:
        write_table(IMAGE, reader(IGNITION), "ignition", cells={(1, 0): 45.1})
    error = caught.value
    assert (
        error.reason == "table 'ignition' cell [1, 0] at engine_speed 800 rpm, gear 2: the value is beyond the limits"
    )
    assert (error.expected, error.got, error.address) == ("-10 to 45 degCA", "45.1 degCA", 9)


def test_a_value_that_rounds_beyond_its_limits() -> None:
    spec = TableSpec(
        name="v", kind="value", cells=run(0, "u8"), scaling=HALF, limits=Limits(low=Fraction(0), high=Fraction("10.3"))
    )
    assert encode(spec, 10.2).tolist() == 100
    with pytest.raises(EncodeError, match="nearest value that can be stored is beyond the limits") as caught:
        encode(spec, 10.26)
    assert caught.value.got == "10.26 degCA, stored as 10.5 degCA"


def test_a_limit_that_is_no_double_can_be_written() -> None:
    tenth = Scaling(conversion=Linear(factor=Fraction(1, 10)))
    for type_ in ("u8", "f32"):
        spec = TableSpec(
            name="v",
            kind="value",
            cells=run(0, type_),
            scaling=tenth,
            limits=Limits(low=Fraction(0), high=Fraction(1, 10)),
        )
        assert float(encode(spec, 0.1)) == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 1e300])
@pytest.mark.parametrize("type_", ["u8", "i64", "f32"])
def test_what_no_type_should_hold(value: float, type_: str) -> None:
    spec = TableSpec(name="v", kind="value", cells=run(0, type_))
    with pytest.raises(EncodeError, match="table 'v'"):
        encode(spec, value)


def test_masked_neighbours_are_kept() -> None:
    """By hand: 0xAB5C with field 0x0FF0 set to 0x12 is 0xA12C."""
    spec = TableSpec(name="f", kind="value", cells=run(0, "u16", mask=0x0FF0))
    after = write_table(Image.of(bytes([0xAB, 0x5C])), reader(spec), "f", cells={(): 0x12})
    assert after.read(0, 2) == bytes([0xA1, 0x2C])
    with pytest.raises(EncodeError, match="table 'f'"):
        write_table(Image.of(bytes(2)), reader(spec), "f", cells={(): 256})
    gap = TableSpec(name="g", kind="value", cells=run(0, "u8", mask=0b101))
    assert write_table(Image.of(b"\xf0"), reader(gap), "g", raw=5).read(0, 1) == b"\xf5"
    for given, reason in (({"raw": 2}, "cannot hold this raw value"), ({"physical": 2.0}, "does not fit")):
        with pytest.raises(EncodeError, match=f"table 'g': .*{reason}"):
            write_table(Image.of(b"\x00"), reader(gap), "g", **given)


def test_names_are_written_by_name() -> None:
    fuel = TableSpec(
        name="fuel", kind="value", cells=run(0, "u8"), scaling=Scaling(conversion=Names(names={0: "petrol", 1: "LPG"}))
    )
    assert write_table(Image.of(b"\x00"), reader(fuel), "fuel", cells={(): "LPG"}).read(0, 1) == b"\x01"
    assert write_table(Image.of(b"\x00"), reader(fuel), "fuel", physical=1.0).read(0, 1) == b"\x01"
    assert write_table(Image.of(b"\x00"), reader(fuel), "fuel", physical=7.0).read(0, 1) == b"\x07"  # it has no name
    with pytest.raises(EncodeError, match="table 'fuel'"):
        write_table(Image.of(b"\x00"), reader(fuel), "fuel", cells={(): "diesel"})


def test_the_end_of_a_look_up_can_be_written_back() -> None:
    """1/10 is no double; the nearest one lies above it, and still means the end."""
    points = ((0, Fraction(0)), (200, Fraction(1, 10)))
    spec = TableSpec(
        name="s",
        kind="value",
        cells=run(0, "u8"),
        scaling=Scaling(conversion=Lookup(points=points, between="interpolate")),
    )
    assert encode(spec, 0.1).tolist() == 200


def test_text_is_padded_as_it_was() -> None:
    spec = TableSpec(name="label", kind="text", cells=run(0, "u8", 6))
    for now, padded in (
        (b"old   ", b"NEW   "),
        (b"old\xff\xff\xff", b"NEW\xff\xff\xff"),
        (b"oldold", b"NEW\x00\x00\x00"),
    ):
        assert write_table(Image.of(now), reader(spec), "label", physical="NEW").read(0, 6) == padded
    with pytest.raises(EncodeError, match="no room"):
        write_table(Image.of(bytes(6)), reader(spec), "label", physical="LONGTEXT")
    with pytest.raises(EncodeError, match="cannot hold this text"):
        write_table(Image.of(bytes(6)), reader(spec), "label", physical="µ")
    with pytest.raises(UsageError, match="holds text"):
        write_table(Image.of(bytes(6)), reader(spec), "label", physical=[1.0] * 6)


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"raw": [1], "cells": {}},
        {"raw": [1, 2]},
        {"physical": 1.0},
        {"cells": {(0,): 1}},
        {"cells": {(2, 0): 1}},
        {"cells": {(0, -1): 1}},
        {"raw": [[1.5] * 3] * 2},
    ],
)
def test_a_call_that_makes_no_sense(given: dict[str, Any]) -> None:
    with pytest.raises(UsageError, match="'ignition'"):
        write_table(IMAGE, reader(IGNITION), "ignition", **given)


def test_a_table_that_is_not_there() -> None:
    with pytest.raises(TableError):
        write_table(IMAGE[:8], reader(IGNITION), "ignition", cells={(0, 0): 1})


# -------------------------------------------------------------------------------------------------------------- axes


def test_a_shared_axis_is_written_by_name() -> None:
    after = write_axis(IMAGE, reader(IGNITION), "speed", physical=[800, 1600, 3000])
    assert diff(IMAGE, after) == {2: 0x19, 3: 0x00}  # 6400


def test_an_axis_must_rise() -> None:
    with pytest.raises(EncodeError, match=r"'speed': .*does not rise strictly") as caught:
        write_axis(IMAGE, reader(IGNITION), "speed", physical=[800, 3000, 3000])
    assert caught.value.address == 4
    broken = write_axis(IMAGE, reader(IGNITION), "speed", raw=[3200, 12000, 12000])
    assert diff(IMAGE, broken) == {2: 0x2E, 3: 0xE0}
    assert write_axis(broken, reader(IGNITION), "speed", physical=[800, 3000, 3000]) is broken


def test_an_axis_keeps_its_limits() -> None:
    with pytest.raises(EncodeError, match=r"axis 'speed' cell \[2\]"):
        write_axis(IMAGE, reader(IGNITION), "speed", physical=[800, 3000, 9000])


@pytest.mark.parametrize(("axis", "given"), [("ignition.y", [1, 2]), ("none", [1]), ("none.x", [1]), ("speed", [1, 2])])
def test_an_axis_that_cannot_be_written(axis: str, given: list[float]) -> None:
    with pytest.raises(UsageError):
        write_axis(IMAGE, reader(IGNITION), axis, physical=given)


def test_fewer_breakpoints_set_the_stored_count_and_move_the_record() -> None:
    """Count, axis and values follow one another: with two breakpoints the values begin a byte earlier."""
    axis = StoredAxis(name="w.x", cells=run(1, "u8", 3), count=StoredCount(at=0, type=TYPES["u8"], byte_order="big"))
    record = Record(at=0, parts=("x.count", "x", "values"))
    spec = TableSpec(name="w", kind="curve", cells=run(4, "u8", 3), axes=(axis,), record=record)
    image, definition = Image.of(bytes([3, 10, 20, 30, 1, 2, 3])), reader(spec)
    after = write_axis(image, definition, "w.x", physical=[10, 40])
    assert after.read(0, 7) == bytes([2, 10, 40, 30, 1, 2, 3])
    after = write_table(after, definition, "w", physical=[7.0, 8.0])
    assert after.read(0, 7) == bytes([2, 10, 40, 7, 8, 2, 3])
    assert decode(after, definition, "w").raw.tolist() == [7, 8]
    with pytest.raises(UsageError, match="another shape"):
        write_axis(image, definition, "w.x", physical=[1, 2, 3, 4])


def test_cells_over_one_another_cannot_hold_any_values() -> None:
    overlapping = Cells(at=0, type=TYPES["u16"], byte_order="big", shape=(2,), strides=(1,))
    spec = TableSpec(name="o", kind="block", cells=overlapping)
    image, definition = Image.of(bytes([1, 2, 3])), reader(spec)
    assert write_table(image, definition, "o", raw=[0x0405, 0x0506]).read(0, 3) == bytes([4, 5, 6])
    with pytest.raises(EncodeError, match="'o': its cells lie over one another"):
        write_table(image, definition, "o", raw=[0x0405, 0x0607])
