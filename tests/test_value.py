from __future__ import annotations

import copy

import attrs
import pytest

from caldiff.value import Plain, Shown, Value


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


class Place(Plain):
    __slots__ = ("x", "y")
    x: int
    y: int

    def __init__(self, *, x: int, y: int = 0) -> None:
        self._set(x=x, y=y)


class OtherPlace(Place):
    __slots__ = ()


def test_a_plain_value_is_one_too() -> None:
    assert Place(x=1) == Place(x=1, y=0)
    assert Place(x=1) != Place(x=2)
    assert Place(x=1) != OtherPlace(x=1)
    assert len({Place(x=1), Place(x=1), Place(x=2)}) == 2
    assert repr(Place(x=1)) == "Place(x=1, y=0)"
    assert copy.deepcopy(Place(x=1)) == Place(x=1)
    with pytest.raises(AttributeError, match="Place is frozen: x cannot be set"):
        Place(x=1).x = 2
