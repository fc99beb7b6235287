"""Tables are passed over only where a look at each of them finds nothing: sieved and not, the answers are the same."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.catalogue import definition_from_text
from caldiff.gate.policy_file import policy_from_text
from caldiff.gate.scan import Scans
from caldiff.gate.sieve import Sieve
from caldiff.image.reading import read_image
from caldiff.table.calibration import Calibration

DEFINITION = definition_from_text("""
definition: 1
name: sieve-1
image: {start: 0x1000, size: 160, byte_order: big}
axes:
  up: {at: 0x1000, type: u8, count: 4, scaling: {unit: rpm}}
  counted: {at: 0x1008, type: u8, count: {at: 0x1004, type: u8, most: 4}, scaling: {unit: rpm}}
tables:
  plain: {at: 0x1010, type: u8, shape: [2, 3], scaling: {factor: 1/2, offset: -40, unit: degCA}, limits: [-10, 45]}
  falling:
    {at: 0x1018, type: i16, byte_order: little, shape: 4, scaling: {factor: -1/3, unit: "%"}, limits: [-100, 5000]}
  wide: {at: 0x1020, type: u32, shape: 2, scaling: {factor: 1/1000, unit: s}, limits: [0, 4000000]}
  apart: {at: 0x1030, type: u16, shape: [2, 2], stride: 4, row_stride: 8, limits: [5, 60000]}
  on_axis: {at: 0x1050, type: u8, x: up, limits: [0, 250]}
  on_counted: {at: 0x1058, type: u8, x: counted, limits: [0, 250]}
  own: {at: 0x1060, type: u8, x: {at: 0x1064, type: u8, count: 4}, limits: [0, 250]}
  masked: {at: 0x1070, type: u8, mask: 0x7E, limits: [3, 60]}
  real: {at: 0x1074, type: f32, limits: [-1, 1]}
  lamp: {at: 0x1080, type: u8, scaling: {bits: {a: 0}}}
  free: {at: 0x1084, type: i8, shape: 4}
""")
POLICY = policy_from_text("""
policy: 1
name: sieve
limits:
  "*": {definition: true, words: passed over}
  "free*": {low: -100, high: 100.5}
  "wide": {high: 3000000, unit: s}
  "on_*": {high: 200, unit: s}
steps:
  "free*": {most: 30.9}
  falling: {most: 100, cells: all}
axes: {rising: strictly}
""")
SIMPLE = {"plain", "falling", "wide", "apart", "on_axis", "free"}


def calibration(data: bytes) -> Calibration:
    image = read_image(data, name="image.bin", format="binary", start=0x1000)
    return Calibration(label="image.bin", image=image, definition=DEFINITION)


def calm() -> bytearray:
    """All cells well within, all axes rising."""
    data = bytearray(160)
    data[0:4] = data[8:12] = data[0x64:0x68] = bytes([1, 2, 3, 4])
    data[4] = 4
    data[0x10:0x16] = bytes([100] * 6)
    data[0x30:0x40] = bytes([1] * 16)
    data[0x70] = 20
    return data


def sieved() -> Sieve:
    limits, steps = POLICY.limits or (), POLICY.steps or ()
    return Sieve(
        DEFINITION,
        (
            (spec, tuple(o for o in limits if o.tables.match(spec)), tuple(o for o in steps if o.tables.match(spec)))
            for spec in DEFINITION.tables.values()
        ),
    )


def test_what_is_simple_and_calm_is_passed_over() -> None:
    assert sieved().clean(calibration(bytes(calm())).image) == SIMPLE - {"on_axis"}  # whose unit is another


@pytest.mark.parametrize(
    ("at", "value", "table"),
    [
        (0x15, b"\xab", "plain"),  # 171 / 2 - 40 = 45.5
        (0x10, b"\x3b", "plain"),  # 59 / 2 - 40 = -10.5
        (0x1E, b"\x2d\x01", "falling"),  # 301 / -3 = -100.33
        (0x20, b"\xb2\xd0\x5e\x01", "wide"),  # 3000000.001
        (0x3C, b"\xea\x61", "apart"),  # 60001
        (0x84, b"\x9b\x9b\x9b\x9b", "free"),  # -101
        (0x84, b"\x1f", "free"),  # 31 away from its neighbour
    ],
)
def test_one_cell_beyond_is_looked_at(at: int, value: bytes, table: str) -> None:
    data = calm()
    data[at : at + len(value)] = value
    assert sieved().clean(calibration(bytes(data)).image) == SIMPLE - {"on_axis", table}


def test_an_image_that_ends_early_is_looked_at() -> None:
    assert "free" not in sieved().clean(calibration(bytes(calm())[:0x85]).image)


@given(st.data())
def test_answers_are_the_same_with_and_without(draw: st.DataObject) -> None:
    data = calm()
    for at in draw.draw(st.lists(st.integers(0, 159), max_size=12)):
        data[at] = draw.draw(st.integers(0, 255))
    side = calibration(bytes(data[: draw.draw(st.sampled_from([160, 160, 140, 90]))]))
    with pytest.MonkeyPatch.context() as patch:
        found = []
        for many in (0, 10**6):
            patch.setattr("caldiff.gate.scan._MANY", many)
            scans = Scans(POLICY)
            found.append([scans.refusals(side, rule) for rule in ("limits", "steps", "axes")])
    assert found[0] == found[1]


def test_axes_with_something_to_say_spoil_their_tables() -> None:
    policy = policy_from_text('policy: 1\nname: p\nlimits: {"*": {definition: true, words: passed over}}')
    limits = policy.limits or ()
    sieve = Sieve(DEFINITION, ((spec, limits, ()) for spec in DEFINITION.tables.values()))
    assert sieve.clean(calibration(bytes(calm())).image) == SIMPLE
    data = calm()
    data[2] = 1
    assert sieve.clean(calibration(bytes(data)).image) == SIMPLE - {"on_axis"}
