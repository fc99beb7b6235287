"""Addresses, shapes and strides, worked out by hand for every way of laying cells out."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.loader import normal_from_text

HEAD = """\
definition: 1
name: d
image: {start: 0, size: 1 MiB, byte_order: little}
scalings:
  mode: {names: {0: off}}
  flags: {bits: {a: 0}}
axes:
  a4: {at: 0x10, type: u8, count: 4}
  a3: {at: 0x20, type: u8, count: 3}
  a2: {list: [0, 1]}
  n5: {at: 0x31, type: u8, count: {at: 0x30, type: u8, most: 5}}
"""


def table(written: str) -> dict[str, Any]:
    found: dict[str, Any] = normal_from_text(f"{HEAD}tables:\n  t: {written}\n").normal["tables"]["t"]
    return found


LAYOUTS = [
    # written, kind, shape, strides
    ("{at: 0x100, type: u16}", "value", None, None),
    ("{at: 0x100, type: u16, x: a4}", "curve", [4], [2]),
    ("{at: 0x100, type: u16, x: a4, y: a3}", "map", [3, 4], [8, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, z: a2}", "cuboid", [2, 3, 4], [24, 8, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, order: row}", "map", [3, 4], [8, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, order: column}", "map", [3, 4], [2, 6]),
    ("{at: 0x100, type: u16, x: a4, y: a3, z: a2, order: column}", "cuboid", [2, 3, 4], [24, 2, 6]),
    ("{at: 0x100, type: u16, x: a4, stride: 6}", "curve", [4], [6]),
    ("{at: 0x100, type: u16, x: a4, stride: -2}", "curve", [4], [-2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, stride: 4}", "map", [3, 4], [16, 4]),
    ("{at: 0x100, type: u16, x: a4, y: a3, row_stride: 32}", "map", [3, 4], [32, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, row_stride: -8}", "map", [3, 4], [-8, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, order: column, row_stride: 32}", "map", [3, 4], [2, 32]),
    ("{at: 0x100, type: u16, x: a4, y: a3, order: column, stride: 4}", "map", [3, 4], [4, 12]),
    ("{at: 0x100, type: u16, x: a4, y: a3, stride: 64, row_stride: 2}", "map", [3, 4], [2, 64]),
    ("{at: 0x100, type: u16, x: a4, y: a3, z: a2, row_stride: 16}", "cuboid", [2, 3, 4], [48, 16, 2]),
    ("{at: 0x100, type: u16, x: a4, y: a3, z: a2, layer_stride: 100}", "cuboid", [2, 3, 4], [100, 8, 2]),
    ("{at: 0x100, type: u16, shape: 5}", "block", [5], [2]),
    ("{at: 0x100, type: u16, shape: [5]}", "block", [5], [2]),
    ("{at: 0x100, type: u16, shape: [2, 4]}", "block", [2, 4], [8, 2]),
    ("{at: 0x100, type: u16, shape: [2, 4], order: column}", "block", [2, 4], [2, 4]),
    ("{at: 0x100, type: u16, shape: [2, 3, 4], layer_stride: 64}", "block", [2, 3, 4], [64, 8, 2]),
    ("{at: 0x100, type: u16, x: n5}", "curve", [5], [2]),
    ("{at: 0x100, type: u16, scaling: flags}", "flags", None, None),
    ("{at: 0x100, type: u16, scaling: {bits: {a: 0}}}", "flags", None, None),
    ("{at: 0x100, type: u16, scaling: flags, shape: 3}", "flags", [3], [2]),
    ("{at: 0x100, type: u16, scaling: mode}", "value", None, None),
]


@pytest.mark.parametrize(("written", "kind", "shape", "strides"), LAYOUTS)
def test_kind_shape_and_strides(written: str, kind: str, shape: Any, strides: Any) -> None:
    found = table(written)
    cells = {"at": 0x100, "type": "u16", "byte_order": "little"}
    if shape:
        cells |= {"shape": shape, "strides": strides}
    assert (found["kind"], found["cells"]) == (kind, cells)


def test_a_text_is_bytes() -> None:
    cells = {"at": 4, "type": "u8", "byte_order": "big", "shape": [6], "strides": [1]}
    assert table("{at: 4, text: 6}") == {"kind": "text", "cells": cells}
    assert table("{at: 4, text: 6, encoding: latin-1}") == {"kind": "text", "cells": cells, "encoding": "latin-1"}


@pytest.mark.parametrize(
    ("written", "same"),
    [
        ("{at: 0x10, type: u8}", "{type: u8, at: 16, byte_order: little}"),  # one byte has no order
        ("{at: 16, type: u16}", "{at: 0b1_0000, type: u16, mask: 0xFFFF, byte_order: little}"),
        ("{at: 0o20, type: u16, limits: [0.5, 1e1]}", "{at: 16, type: u16, limits: ['2/4', 10]}"),
        ("{at: 16, type: u8, tags: [a, b], title: ''}", "{at: 16, type: u8, tags: [b, a]}"),
        ("{at: 16, type: u8, scaling: {}, x: {list: [1, 2], unit: ''}}", "{at: 16, type: u8, x: {list: [1, 2]}}"),
        ("{at: 16, type: u8, x: {type: u8, count: 4}}", "{at: 20, type: u8, x: {at: 16, type: u8, count: 4}}"),
    ],
)
def test_two_spellings_of_one_meaning(written: str, same: str) -> None:
    assert table(written) == table(same)


# A u16 curve at 0x100 whose axis, five i8 at most, and its count, a u16, stand inside the table.
AXIS = "x: {type: i8, count: {type: u16, most: 5}}"
RECORDS = [
    # further keys, address of the count, of the breakpoints, of the values
    ("", 0x100, 0x102, 0x107),
    (", align: 2", 0x100, 0x102, 0x108),
    (", align: 4", 0x100, 0x104, 0x10C),
    (", record: [x, x.count, values]", 0x105, 0x100, 0x107),
    (", record: [values, x, x.count], align: 2", 0x110, 0x10A, 0x100),
]


@pytest.mark.parametrize(("keys", "count", "axis", "values"), RECORDS)
def test_parts_of_a_record_follow_one_another(keys: str, count: int, axis: int, values: int) -> None:
    for room in ("most", "stored"):
        found = table(f"{{at: 0x100, type: u16, {AXIS}{keys}, room: {room}}}")
        (own,) = found["axes"]
        assert (own["count"]["at"], own["cells"]["at"], found["cells"]["at"]) == (count, axis, values)
        assert ("record" in found) == (room == "stored")


def test_a_record_whose_parts_move_is_kept() -> None:
    found = table(f"{{at: 0x100, type: u16, {AXIS}, y: a3, room: stored, align: 2}}")
    assert found["record"] == {"at": 0x100, "parts": ["x.count", "x", "values"], "align": 2}
    assert found["cells"]["shape"] == [3, 5]
    assert table("{at: 0x100, type: u16, x: n5, room: stored}")["record"] == {"at": 0x100, "parts": ["values"]}


def test_counts_come_first_then_axes_in_a_map() -> None:
    axis = "{type: u8, count: {type: u8, most: 3}}"
    found = table(f"{{at: 0, type: u8, x: {axis}, y: {axis}, room: stored}}")
    assert found["record"]["parts"] == ["x.count", "y.count", "x", "y", "values"]
    y, x = found["axes"]
    assert [x["count"]["at"], y["count"]["at"], x["cells"]["at"], y["cells"]["at"], found["cells"]["at"]] == [
        0,
        1,
        2,
        5,
        8,
    ]


@given(
    st.integers(1, 4),
    st.integers(1, 4),
    st.integers(1, 4),
    st.sampled_from(["row", "column"]),
    st.sampled_from([1, 2, 4]),
)
def test_packed_cells_fill_their_room_without_overlap(x: int, y: int, z: int, order: str, size: int) -> None:
    entry = {"at": 0, "type": f"u{8 * size}", "shape": [z, y, x], "order": order}
    cells = table(yaml.safe_dump(entry, default_flow_style=True))["cells"]
    layer, row, column = cells["strides"]
    places = {i * layer + j * row + k * column for i in range(z) for j in range(y) for k in range(x)}
    assert places == set(range(0, x * y * z * size, size))
