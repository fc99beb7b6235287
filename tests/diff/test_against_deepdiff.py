"""Small comparisons against DeepDiff (a general library for comparing Python objects) over decoded tables."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from deepdiff import DeepDiff
from hypothesis import given
from hypothesis import strategies as st

from caldiff.diff.compare import compare

_CELL = re.compile(r"\[(\d+)\]")


@given(st.binary(min_size=48, max_size=48), st.lists(st.tuples(st.integers(0, 47), st.integers(0, 255)), max_size=6))
def test_the_same_cells_as_deepdiff_finds(make: Any, data: bytes, changes: list[tuple[int, int]]) -> None:
    definition = make.definition(
        make.table("value", 0, type="u16"),
        make.table("block", 2, shape=(2, 3), type="i16"),
        make.table("curve", 20, make.fixed("gear", 1, 2, 3, 4), type="i8"),
        make.table("map", 24, make.fixed("y", 0, 1, 2), make.fixed("x", 0, 1, 2), scaling=make.linear("1/4", "-3")),
    )
    other = bytearray(data)
    for at, byte in changes:
        other[at] = byte
    sides = make.sides([make.image(48, a0=data), make.image(48, a0=bytes(other))], definition)
    before, after = ({name: side[name].physical.tolist() for name in side} for side in sides)
    found = DeepDiff(before, after).get("values_changed", {})
    expected: dict[str, set[tuple[int, ...]]] = {}
    for path in found:
        name, _, rest = path.removeprefix("root['").partition("']")
        expected.setdefault(name, set()).add(tuple(int(n) for n in _CELL.findall(rest)))
    ours = {
        t.name: {tuple(i) for i in np.argwhere(np.atleast_1d(t.changed)).tolist()}
        for t in compare(*sides).tables
        if t.changed is not None
    }
    if "value" in ours:
        ours["value"] = {()}
    assert ours == expected
