"""Three images and more: who set which cell."""

from __future__ import annotations

from typing import Any

import pytest

from caldiff.diff.series import compare_series
from caldiff.errors import UsageError


def test_each_cell_knows_the_image_that_set_its_present_value(make: Any) -> None:
    definition = make.definition(make.table("block", 0, shape=(5,)), make.table("still", 10))
    stock = make.image(a0=bytes([1, 1, 1, 1, 1]))
    first = make.changed(stock, a1=b"\x02\x02\x02")
    second = make.changed(first, a2=b"\x03\x01")  # the fourth cell goes back to what the stock had
    found = compare_series(make.sides([stock, first, second], definition))
    assert {name: cells.tolist() for name, cells in found.origins.items()} == {"block": [0, 1, 2, 2, 0]}
    assert [c.tables[0].changed.tolist() for c in found.against_previous if c.tables[0].changed is not None] == [
        [False, True, True, True, False],
        [False, False, True, True, False],
    ]
    assert [c.tables[0].changed.tolist() for c in found.against_first if c.tables[0].changed is not None] == [
        [False, True, True, True, False],
        [False, True, True, False, False],
    ]
    assert [(c.before.label, c.after.label) for c in found.against_first] == [("first", "second"), ("first", "third")]
    assert [(c.before.label, c.after.label) for c in found.against_previous] == [
        ("first", "second"),
        ("second", "third"),
    ]


def test_a_table_that_does_not_keep_its_shape_has_no_origins(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 3, stored=19)), make.table("value", 8))
    stock = make.image(a19=bytes([2, 0, 1, 2]))
    first = make.changed(stock, a0=b"\x05", a8=b"\x01")
    second = make.changed(first, a19=b"\x03")
    third = make.changed(second, a0=b"\x06")
    found = compare_series(make.sides([stock, first, second, third], definition))
    assert {name: int(cells) for name, cells in found.origins.items()} == {"value": 1}


def test_origins_follow_a_table_through_a_new_name(make: Any) -> None:
    old = make.definition(make.table("before", 0, shape=(2,)), name="old")
    new = make.definition(make.table("after", 8, shape=(2,), aliases=("before",)), name="new")
    images = [make.image(), make.image(a0=b"\x01"), make.image(a8=b"\x01"), make.image(a8=b"\x01\x02")]
    found = compare_series(make.sides(images, [old, old, new, new]))
    assert {name: cells.tolist() for name, cells in found.origins.items()} == {"after": [1, 3]}


def test_a_stranger_in_between_leaves_no_origins(make: Any) -> None:
    definition = make.definition(make.table("value", 0))
    images = [make.image(), make.image(a0=b"\x01"), make.image(a0=b"\x02")]
    found = compare_series(make.sides(images, [definition, None, definition]))
    assert found.origins == {}


def test_a_pair_is_a_series_and_one_image_is_none(make: Any) -> None:
    definition = make.definition(make.table("value", 0))
    sides = make.sides([make.image(), make.image(a0=b"\x01")], definition)
    found = compare_series(sides)
    assert found.against_first[0] is found.against_previous[0]
    with pytest.raises(UsageError, match="at least two images"):
        compare_series(sides[:1])


def test_origins_are_read_only(make: Any) -> None:
    definition = make.definition(make.table("block", 0, shape=(2,)))
    found = compare_series(make.sides([make.image(), make.image(a0=b"\x01"), make.image()], definition))
    with pytest.raises(ValueError, match="read-only"):
        found.origins["block"][0] = 7
