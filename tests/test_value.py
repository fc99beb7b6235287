from __future__ import annotations

import attrs

from caldiff.value import Shown, Value


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Point(Value):
    x: int
    y: int = 0
    names: dict[int, str] = attrs.field(factory=dict, hash=False)
    secret: bytes = attrs.field(default=b"", repr=False)


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Other(Value):
    x: int
    y: int = 0
    names: dict[int, str] = attrs.field(factory=dict, hash=False)
    secret: bytes = b""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Held(Shown):
    x: int


def test_equal_by_class_and_fields() -> None:
    assert Point(x=1) == Point(x=1, y=0)
    assert Point(x=1) != Point(x=2)
    assert Point(x=1, secret=b"a") != Point(x=1, secret=b"b")
    assert Point(x=1) != Other(x=1)
    assert Point(x=1) != (1, 0)


def test_equal_values_have_one_hash_and_unhashable_fields_stay_out() -> None:
    assert hash(Point(x=1, names={1: "a"})) == hash(Point(x=1, names={2: "b"}))
    assert len({Point(x=1), Point(x=1), Point(x=2), Other(x=1)}) == 3


def test_repr_leaves_out_defaults_and_what_is_not_for_show() -> None:
    assert repr(Point(x=1, secret=b"k")) == "Point(x=1, names={})"
    assert repr(Point(x=1, y=2)) == "Point(x=1, y=2, names={})"


def test_held_things_are_equal_to_themselves_only() -> None:
    one = Held(x=1)
    assert one == one  # noqa: PLR0124 - that is the test
    assert one != Held(x=1)
    assert repr(one) == "Held(x=1)"
