"""What changed in a definition's meaning, told from hand-made pairs."""

from __future__ import annotations

import json
import subprocess
import sys
from fractions import Fraction
from typing import Any

import attrs
import pytest

from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.compare import Change, compare_definitions
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    BitField,
    Bits,
    Cells,
    Fit,
    FixedAxis,
    Frame,
    IdentityField,
    Limits,
    Linear,
    Lookup,
    Names,
    Pattern,
    Region,
    Scaling,
    StoredAxis,
    TableSpec,
)

U8, U16 = TYPES["u8"], TYPES["u16"]
RPM = Scaling(name="rpm", unit="rpm", conversion=Linear(factor=Fraction(1, 4)))
SPEED = StoredAxis(
    name="speed",
    cells=Cells(at=0x100, type=U16, byte_order="big", shape=(4,), strides=(2,)),
    scaling=RPM,
    shared=True,
)
OWN = StoredAxis(name="curve.x", cells=Cells(at=0x180, type=U8, byte_order="big", shape=(4,), strides=(1,)))
CURVE = TableSpec(
    name="curve",
    kind="curve",
    cells=Cells(at=0x200, type=U8, byte_order="big", shape=(4,), strides=(1,)),
    axes=(SPEED,),
    limits=Limits(low=Fraction(0), high=Fraction(40)),
    tags=("ignition",),
)
IDLE = TableSpec(name="idle", kind="value", cells=Cells(at=0x300, type=U16, byte_order="big"), scaling=RPM)


def crc_sum(crc: str, *spans: tuple[int, int], at: int = 0x600) -> Checksum:
    """A CRC over some ranges."""
    return Checksum(
        name="c",
        method=catalogue()[crc],
        coverage=Coverage(spans=tuple(Span(start=a, stop=b) for a, b in spans)),
        fields=(StoredField(at=at, size=2, byte_order="big"),),
    )


BASE: dict[str, Any] = {
    "name": "one",
    "frame": Frame(start=0, size=0x1000, byte_order="big"),
    "title": "One",
    "fits": [Fit(at=0, any_of=(Pattern(value=b"A", mask=b"\xff"),))],
    "identity": [IdentityField(name="vin", at=0x10, size=17, kind="text", byte_order="big")],
    "regions": [Region(name="calibration", start=0x100, size=0x400, role="calibration")],
    "checksums": [crc_sum("CRC-16/IBM-3740", (0x100, 0x500))],
    "tables": [CURVE, IDLE],
}


def changes(**after: Any) -> list[Change]:
    return list(compare_definitions(Definition.of(**BASE), Definition.of(**BASE | after)).changes)


def told(found: list[Change]) -> list[tuple[str, str, str, list[str]]]:
    return [(c.kind, c.section, c.name, [d.text for d in c.differences]) for c in found]


def test_the_name_is_no_meaning() -> None:
    comparison = compare_definitions(Definition.of(**BASE), Definition.of(**BASE | {"name": "two"}))
    assert (comparison.before, comparison.after, comparison.changes) == ("one", "two", ())


def test_added_and_removed() -> None:
    other = attrs.evolve(IDLE, name="other", cells=attrs.evolve(IDLE.cells, at=0x400))
    assert told(changes(tables=[CURVE, other])) == [
        ("removed", "tables", "idle", []),
        ("added", "tables", "other", []),
    ]


def test_moved() -> None:
    moved = attrs.evolve(CURVE, axes=(OWN,))
    before = Definition.of(**BASE | {"tables": [moved]})
    further = attrs.evolve(OWN, cells=attrs.evolve(OWN.cells, at=0x190))
    after = Definition.of(
        **BASE | {"tables": [attrs.evolve(moved, axes=(further,), cells=attrs.evolve(CURVE.cells, at=0x210))]}
    )
    assert told(list(compare_definitions(before, after).changes)) == [
        (
            "moved",
            "tables",
            "curve",
            ["address: 0x00000200 -> 0x00000210", "axis x address: 0x00000180 -> 0x00000190"],
        )
    ]


def test_changed_in_meaning_though_moved_too() -> None:
    table = attrs.evolve(
        CURVE,
        cells=attrs.evolve(CURVE.cells, at=0x210, type=TYPES["i8"]),
        limits=Limits(low=Fraction(0), high=Fraction(91, 2)),
        tags=("ignition", "torque-monitoring"),
        title="Ignition",
    )
    (change,) = changes(tables=[table, IDLE])
    assert change.kind == "changed"
    assert sorted(d.text for d in change.differences) == [
        "address: 0x00000200 -> 0x00000210",
        "tags: now torque-monitoring",
        "title: now Ignition",
        "type: u8 -> i8",
        "upper limit: 40 -> 91/2",
    ]


def test_a_changed_scaling_says_which_tables_read_otherwise() -> None:
    other = attrs.evolve(RPM, conversion=Linear(factor=Fraction(1, 2)))
    axis = attrs.evolve(SPEED, scaling=other)
    (change,) = changes(tables=[attrs.evolve(CURVE, axes=(axis,)), attrs.evolve(IDLE, scaling=other)])
    assert told([change]) == [("changed", "scalings", "rpm", ["factor: 1/4 -> 1/2"])]
    assert change.affects == ("curve", "idle")


def test_a_moved_axis_says_which_tables_hang_on_it() -> None:
    axis = attrs.evolve(SPEED, cells=attrs.evolve(SPEED.cells, at=0x110))
    (change,) = changes(tables=[attrs.evolve(CURVE, axes=(axis,)), IDLE])
    assert told([change]) == [("moved", "axes", "speed", ["address: 0x00000100 -> 0x00000110"])]
    assert change.affects == ("curve",)


def test_another_axis_and_another_kind_of_scaling() -> None:
    gear = FixedAxis(name="gear", points=tuple(Fraction(n) for n in (1, 2, 3, 4)), shared=True)
    found = changes(tables=[attrs.evolve(CURVE, axes=(gear,), scaling=Scaling(unit="degCA")), IDLE])
    assert ("removed", "axes", "speed", []) in told(found)
    assert ("added", "axes", "gear", []) in told(found)
    assert told(found)[-1] == (
        "changed",
        "tables",
        "curve",
        ["axis x: speed -> gear", 'scaling: now {"unit": "degCA"}'],
    )


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        ({"title": "Two"}, ("changed", "definition", "title", ["title: One -> Two"])),
        (
            {"frame": Frame(start=0, size=0x2000, byte_order="big")},
            ("changed", "definition", "image", ["size: 4096 -> 8192"]),
        ),
        (
            {"fits": [Fit(at=0, any_of=(Pattern(value=b"B", mask=b"\xff"),))]},
            ("changed", "fits", "1", ["alternative 1 value: 41 -> 42"]),
        ),
        ({"identity": []}, ("removed", "identity", "vin", [])),
        (
            {"regions": [Region(name="calibration", start=0x200, size=0x400, role="calibration")]},
            ("moved", "regions", "calibration", ["address: 0x00000100 -> 0x00000200"]),
        ),
        (
            {"checksums": [crc_sum("CRC-16/XMODEM", (0x100, 0x4FF))]},
            ("changed", "checksums", "c", ["CRC start value: 0xFFFF -> 0x0", "range 1 size: 1024 -> 1023"]),
        ),
        (
            {"checksums": [crc_sum("CRC-16/IBM-3740", (0x200, 0x600), at=0x700)]},
            (
                "moved",
                "checksums",
                "c",
                ["field 1 address: 0x00000600 -> 0x00000700", "range 1 address: 0x00000100 -> 0x00000200"],
            ),
        ),
    ],
)
def test_everything_else_of_a_definition(after: dict[str, Any], expected: tuple[str, str, str, list[str]]) -> None:
    assert told(changes(**after)) == [expected]


def scaling_changes(before: Any, after: Any) -> list[str]:
    one, two = (
        Definition.of(name="d", frame=BASE["frame"], scalings=[Scaling(name="s", conversion=conversion)])
        for conversion in (before, after)
    )
    (change,) = compare_definitions(one, two).changes
    return [difference.text for difference in change.differences]


def test_names_points_and_fields_are_compared_by_what_they_belong_to() -> None:
    assert scaling_changes(Names(names={0: "off", 1: "on"}), Names(names={-1: "error", 0: "off", 1: "eco"})) == [
        "name of -1: now error",
        "name of 1: on -> eco",
    ]
    one, two, three = ((raw, Fraction(raw)) for raw in (1, 2, 3))
    assert scaling_changes(
        Lookup(points=(one, three), between="hold"), Lookup(points=(one, two, (3, Fraction(7, 2))), between="hold")
    ) == ["point 2: now 2", "point 3: 3 -> 7/2"]
    knock, fuel = BitField(name="knock", mask=1), BitField(name="fuel", mask=0x30)
    wider = attrs.evolve(fuel, mask=0x70)
    assert scaling_changes(Bits(fields=(knock, fuel)), Bits(fields=(wider,))) == [
        "field fuel mask: 0x30 -> 0x70",
        'field knock: no longer {"mask": 1}',
    ]
    assert scaling_changes(Bits(fields=(knock, fuel)), Bits(fields=(fuel, knock))) == ["the order of its entries"]
    assert scaling_changes(Linear(factor=Fraction(2)), Names(names={1: "on"})) == [
        'linear: no longer {"factor": "2"}',
        'names: now {"1": "on"}',
    ]


def test_differences_are_data_for_json() -> None:
    (change,) = changes(tables=[attrs.evolve(CURVE, limits=None), IDLE])
    (difference,) = change.differences
    assert (difference.path, difference.before, difference.after) == (("limits",), ["0", "40"], None)
    json.dumps(attrs.asdict(change))


def test_deepdiff_is_loaded_only_where_something_changed() -> None:
    code = """
import sys
from caldiff.definition.compare import compare_definitions
from caldiff.definition.definition import Definition
from caldiff.definition.model import Frame
one, two = (Definition.of(name=n, frame=Frame(start=0, size=1, byte_order="big")) for n in "ab")
compare_definitions(one, two)
print("deepdiff" in sys.modules)
two = Definition.of(name="b", frame=Frame(start=0, size=2, byte_order="big"))
compare_definitions(one, two)
print("deepdiff" in sys.modules)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


def _fitting(fit: Fit) -> Definition:
    return Definition.of(name="d", frame=Frame(start=0, size=4096, byte_order="big"), fits=[fit])


def test_a_text_pattern_is_shown_as_it_is_written() -> None:
    old, new = (
        _fitting(Fit(at=16, any_of=(Pattern(value=value, mask=b"\xff\xff\x00\xff", text=True),)))
        for value in (b"AB\x001", b"AC\x001")
    )
    (change,) = compare_definitions(old, new).changes
    assert [d.text for d in change.differences] == ["alternative 1 text: AB?1 -> AC?1"]
