from __future__ import annotations

import pytest

from caldiff.definition.loader import normal_from_text
from caldiff.errors import DefinitionError

TEXT = """
definition: 1
name: together
image: {start: 0x100, size: 4096, byte_order: big}
tables:
  m: {at: 0x300, type: u8, x: sped, colour: red}
  n: {at: 0x310, type: u9, x: {at: 0x400, type: u8, count: 3, scaling: spede}, scaling: nope}
axes:
  speed: {at: 0x200, type: u61, count: 4, scaling: rpn}
"""


def test_names_that_lead_nowhere_are_told_in_entries_with_other_problems_too() -> None:
    with pytest.raises(DefinitionError) as caught:
        normal_from_text(TEXT)
    told = {(p.line, p.reason.partition(": ")[0]) for p in caught.value.problems}
    assert told == {
        (6, "tables.m.x"),
        (6, "tables.m.colour"),
        (7, "tables.n.type"),
        (7, "tables.n.x.scaling"),
        (7, "tables.n.scaling"),
        (9, "axes.speed.type"),
        (9, "axes.speed.scaling"),
    }
