"""Every place of a definition that uses everything, with a stranger in it: an error, never a crash."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
import yaml

from caldiff.definition.loader import normal_from_text
from caldiff.errors import DefinitionError

WHOLE = """
definition: 1
name: n
title: t
image: {start: 0x100, size: 4096, byte_order: big, erased: 0xFF}
fits: [{at: 0x100, text: "A?"}, {at: 0x110, bytes: ["48 ??", "49 00"]}]
identity:
  a: {at: 0x120, text: 4, title: x, personal: true}
  b: {at: 0x124, number: u32, byte_order: little}
  c: {at: 0x128, bcd: 2}
regions: [{name: r, at: 0x100, size: 1 KiB, role: code}]
scalings:
  l: {unit: rpm, factor: 1/4, offset: -1, decimals: 1, limits: [0, 5]}
  q: {rational: {gives: physical, numerator: [0, 0, 4096], denominator: [0, 1, 0]}}
  k: {lookup: {points: [[0, 1], [2, 3]], between: hold}}
  m: {names: {0: x, 1: y}}
  b: {bits: {f: 0, g: {mask: 0x30, names: {0: p}}}}
axes:
  s: {at: 0x200, type: u16, count: 4, scaling: l, quantity: engine_speed, stride: 4, byte_order: little}
  t: {at: 0x241, type: i8, count: {at: 0x240, type: u8, most: 8}, scaling: {unit: x, factor: 2}}
  g: {start: 1, step: 1, count: 6}
  h: {list: [0, 1.5], unit: x, decimals: 1}
tables:
  v: {at: 0x300, type: u16, scaling: l, limits: [0, 1], tags: [x], aliases: [y], group: g, description: d, mask: 0xFF}
  m: {at: 0x310, type: u8, x: s, y: g, order: column}
  w: {at: 0x340, type: u16, x: {type: i8, count: {type: u8, most: 8}}, record: [x.count, x, values], room: stored}
  c: {at: 0x380, type: i8, shape: [2, 3], row_stride: 8}
  e: {at: 0x3C0, text: 8, encoding: ascii}
"""


class _Loader(yaml.SafeLoader):
    """Scalars as they are written."""

    yaml_implicit_resolvers: dict[str, Any] = {}  # noqa: RUF012 - it is the class that is to have none


def _places(node: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield (*path, key)
        yield from _places(value, (*path, key))


def _with(path: tuple[Any, ...], stranger: str) -> str:
    document = deepcopy(yaml.load(WHOLE, _Loader))  # noqa: S506 - a safe loader
    node = document
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = "@@"
    text = yaml.safe_dump(document, sort_keys=False, width=10**6, default_flow_style=True)
    return text.replace("'@@'", stranger).replace("@@", stranger).replace("'0x", "0x")


PLACES = list(_places(yaml.load(WHOLE, _Loader)))  # noqa: S506 - a safe loader


def test_the_whole_is_sound() -> None:
    assert normal_from_text(WHOLE).normal["name"] == "n"


@pytest.mark.parametrize("path", PLACES, ids=lambda p: ".".join(map(str, p)))
def test_an_alias_is_refused_everywhere(path: tuple[Any, ...]) -> None:
    with pytest.raises(DefinitionError):
        normal_from_text(_with(path, "*a"))


@pytest.mark.parametrize("path", PLACES, ids=lambda p: ".".join(map(str, p)))
def test_a_list_of_lists_is_refused_everywhere(path: tuple[Any, ...]) -> None:
    with pytest.raises(DefinitionError):
        normal_from_text(_with(path, "[[]]"))
