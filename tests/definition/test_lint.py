"""Every finding of the linter, on the smallest definition that deserves it, and beside it one that does not."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import attrs
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.crc import catalogue
from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.definition import Definition
from caldiff.definition.lint import Finding, lint
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
    Rational,
    Region,
    Scaling,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.definition.overlap import Part, clashes

U8, U16, U32 = TYPES["u8"], TYPES["u16"], TYPES["u32"]
FIT = Fit(at=0, any_of=(Pattern(value=b"A", mask=b"\xff"),))
CALIBRATION = Region(name="calibration", start=0x100, size=0xF00, role="calibration")


def crc_at(at: int, *spans: tuple[int, int], constant: int | None = None) -> Checksum:
    """A CRC of 32 bits over some ranges."""
    return Checksum(
        name="c",
        method=catalogue()["CRC-32/ISO-HDLC"],
        coverage=Coverage(spans=tuple(Span(start=a, stop=b) for a, b in spans)),
        fields=(StoredField(at=at, size=4, byte_order="big"),),
        constant=constant,
    )


def cells(at: int, type_: Any = U8, shape: tuple[int, ...] = (), **more: Any) -> Cells:
    strides = []
    step = type_.size
    for count in reversed(shape):
        strides.insert(0, step)
        step *= count
    return Cells(**{"at": at, "type": type_, "byte_order": "big", "shape": shape, "strides": tuple(strides)} | more)


def value(name: str, at: int, type_: Any = U8, **more: Any) -> TableSpec:
    return TableSpec(**{"name": name, "kind": "value", "cells": cells(at, type_)} | more)


def definition(*tables: TableSpec, **more: Any) -> Definition:
    frame = Frame(start=0, size=0x1000, byte_order="big")
    return Definition.of(
        **{"name": "d", "frame": frame, "fits": [FIT], "regions": [CALIBRATION], "tables": tables} | more
    )


def codes(found: list[Finding]) -> list[str]:
    return [finding.code for finding in found]


def only(found: list[Finding]) -> Finding:
    assert len(found) == 1, found
    return found[0]


def test_a_sound_definition_has_no_findings() -> None:
    assert lint(definition(value("a", 0x100), value("b", 0x101)), stem="d") == []


def test_the_shipped_definitions_have_no_errors() -> None:
    for path, found in Catalogue([shipped_folder()]).definitions():
        assert isinstance(found, Definition)
        assert [finding for finding in lint(found, stem=path.stem) if finding.severity == "error"] == []


def test_a_file_called_otherwise() -> None:
    assert only(lint(definition(value("a", 0x100)), stem="e")).code == "name-differs"


# ---------------------------------------------------------------------------------------------------------- places


@pytest.mark.parametrize(
    "more",
    [
        {"tables": [value("a", 0xFFF, U16)], "regions": [CALIBRATION]},
        {"identity": [IdentityField(name="vin", at=0xFF0, size=17, kind="text", byte_order="big")]},
        {"regions": [CALIBRATION, Region(name="code", start=0x1000, size=1, role="code")]},
        {"fits": [Fit(at=0xFFF, any_of=(Pattern(value=b"A", mask=b"\xff"), Pattern(value=b"AB", mask=b"\xff\xff")))]},
        {"checksums": [crc_at(0xFFE, (0x100, 0x200))]},
        {"checksums": [crc_at(0x200, (0xFF0, 0x1001))]},
    ],
)
def test_outside_the_image(more: dict[str, Any]) -> None:
    found = [finding for finding in lint(definition(**more)) if finding.code != "outside-calibration"]
    assert only(found).code == "outside-image"
    assert only(found).severity == "error"


@pytest.mark.parametrize(("at", "fine"), [(0x1FE, True), (0x1FF, False), (0x210, False), (0x211, True)])
def test_a_table_over_what_identifies_somebody(at: int, fine: bool) -> None:
    vin = IdentityField(name="vin", at=0x200, size=17, kind="text", byte_order="big", personal=True)
    found = lint(definition(value("a", at, U16), identity=[vin]))
    assert [(f.code, f.severity, f.subject) for f in found] == (
        [] if fine else [("shows-personal", "warning", "table a")]
    )
    assert codes(lint(definition(value("a", at, U16), identity=[attrs.evolve(vin, personal=False)]))) == []


def test_no_condition_at_all() -> None:
    assert codes(lint(definition(value("a", 0x100), fits=[]))) == ["no-fits"]


def test_outside_calibration() -> None:
    halves = [
        Region(name="low", start=0x100, size=0x100, role="calibration"),
        Region(name="high", start=0x200, size=0x100, role="calibration"),
        Region(name="code", start=0x300, size=0x100, role="code"),
    ]
    tables = [value("across", 0x1FF, U16), value("out", 0x2FF, U16), value("code", 0x300 + 0x10)]
    found = lint(definition(*tables, regions=halves))
    assert [(f.code, f.subject, f.address) for f in found] == [
        ("outside-calibration", "table code", 0x310),
        ("outside-calibration", "table out", 0x2FF),
    ]
    assert codes(lint(definition(*tables, regions=[]))) == ["no-calibration"]


def test_regions_may_lie_inside_one_another_but_not_across() -> None:
    inner = Region(name="inner", start=0x200, size=0x10, role="volatile")
    across = Region(name="across", start=0x80, size=0x100, role="code")
    same = Region(name="same", start=0x100, size=0xF00, role="code")
    assert lint(definition(regions=[CALIBRATION, inner])) == []
    for bad in (across, same):
        assert only(lint(definition(regions=[CALIBRATION, bad]))).code == "regions-overlap"


def test_a_checksum_over_what_the_controller_writes() -> None:
    learned = Region(name="learned", start=0x180, size=0x10, role="volatile")
    assert lint(definition(regions=[CALIBRATION, learned], checksums=[crc_at(0x200, (0x100, 0x180))])) == []
    finding = only(lint(definition(regions=[CALIBRATION, learned], checksums=[crc_at(0x200, (0x100, 0x181))])))
    assert (finding.code, finding.severity, finding.address) == ("covers-volatile", "warning", 0x180)
    assert finding.text == "covers region learned, to which the controller itself writes"


def test_a_compensation_word_outside_what_is_covered() -> None:
    assert lint(definition(checksums=[crc_at(0x1FC, (0x100, 0x200), constant=1)])) == []
    finding = only(lint(definition(checksums=[crc_at(0x1FD, (0x100, 0x200), constant=1)])))
    assert (finding.code, finding.severity, finding.address) == ("word-outside", "error", 0x1FD)


# -------------------------------------------------------------------------------------------------------- overlaps


def test_tables_that_share_bytes() -> None:
    found = lint(definition(value("a", 0x100, U16), value("b", 0x101), value("c", 0x102)))
    assert [(f.code, f.subject, f.text, f.address) for f in found] == [
        ("overlap", "table b", "shares bytes with table a", 0x101)
    ]


def test_interleaved_tables_share_nothing() -> None:
    points = tuple(Fraction(n) for n in range(4))
    axis = FixedAxis(name="x", points=points, shared=True)

    def curve(name: str, at: int) -> TableSpec:
        return TableSpec(name=name, kind="curve", cells=cells(at, U8, (4,), strides=(2,)), axes=(axis,))

    assert lint(definition(curve("a", 0x100), curve("b", 0x101))) == []
    assert codes(lint(definition(curve("a", 0x100), curve("b", 0x102)))) == ["overlap"]
    descending = TableSpec(name="b", kind="curve", cells=cells(0x107, U8, (4,), strides=(-2,)), axes=(axis,))
    assert lint(definition(curve("a", 0x100), descending)) == []


def test_masks_that_share_no_bit_share_a_word() -> None:
    def part(name: str, mask: int, at: int = 0x100, type_: Any = U16) -> TableSpec:
        return TableSpec(name=name, kind="value", cells=cells(at, type_, mask=mask))

    assert lint(definition(part("a", 0x0FFF), part("b", 0xF000))) == []
    assert codes(lint(definition(part("a", 0x0FFF), part("b", 0x0800)))) == ["overlap"]
    # the high byte of the big-endian word stands first
    assert lint(definition(part("a", 0x0FFF), part("b", 0xF0, type_=U8))) == []
    assert codes(lint(definition(part("a", 0x0FFF), part("b", 0x0F, type_=U8)))) == ["overlap"]
    assert codes(lint(definition(part("a", 0x0FFF), value("b", 0x101)))) == ["overlap"]


def test_a_table_that_lies_on_itself() -> None:
    points = tuple(Fraction(n) for n in range(4))
    axis = FixedAxis(name="x", points=points, shared=True)
    table = TableSpec(name="a", kind="curve", cells=cells(0x100, U16, (4,), strides=(1,)), axes=(axis,))
    finding = only(lint(definition(table)))
    assert finding.code == "overlap"
    assert "its own cells" in finding.text


def test_axes_counts_and_checksums_take_room_too() -> None:
    axis = StoredAxis(
        name="x", cells=cells(0x101, U8, (4,)), count=StoredCount(at=0x100, type=U8, byte_order="big"), shared=True
    )
    curve = TableSpec(name="a", kind="curve", cells=cells(0x200, U8, (4,)), axes=(axis,))
    checksum = crc_at(0x203, (0x300, 0x400))
    found = lint(definition(curve, value("b", 0x100), checksums=[checksum]))
    assert {(f.subject, f.text) for f in found} == {
        ("the count of axis x", "shares bytes with table b"),
        ("checksum c", "shares bytes with table a"),
    }


def covered(part: Part) -> list[set[tuple[int, int]]]:
    """The bits of every cell, the slow way."""
    layout = part.cells
    assert layout is not None
    offsets = [0]
    for count, stride in zip(layout.shape, layout.strides, strict=True):
        offsets = [offset + n * stride for offset in offsets for n in range(count)]
    mask = (1 << 8 * layout.type.size) - 1 if layout.mask is None else layout.mask
    pattern = mask.to_bytes(layout.type.size, layout.byte_order)
    return [
        {(layout.at + offset + n, bit) for n, byte in enumerate(pattern) for bit in range(8) if byte >> bit & 1}
        for offset in offsets
    ]


@st.composite
def parts(draw: st.DrawFn) -> Part:
    type_ = draw(st.sampled_from([U8, U16]))
    shape = draw(st.lists(st.integers(1, 3), max_size=2))
    layout = Cells(
        at=draw(st.integers(50, 80)),
        type=type_,
        byte_order=draw(st.sampled_from(["big", "little"])),
        shape=tuple(shape),
        strides=tuple(draw(st.sampled_from([-6, -2, 1, 2, 3, 4, 8])) for _ in shape),
        mask=draw(st.none() | st.integers(1, (1 << 8 * type_.size) - 1)),
    )
    start, stop = layout.hull
    return Part(owner="t", start=start, stop=stop, cells=layout)


@given(st.lists(parts(), min_size=1, max_size=2))
def test_overlaps_are_exact(given_parts: list[Part]) -> None:
    """Against sets of all bits of all cells."""
    every = [bits for part in given_parts for bits in covered(part)]
    assert bool(clashes(given_parts)) == (sum(map(len, every)) > len(set().union(*every)))


def test_many_tables_on_one_place_stay_bounded() -> None:
    one = cells(0x100, U16)
    found = clashes(Part(owner=f"t{n}", start=0x100, stop=0x102, cells=one) for n in range(20_000))
    assert len(found) == 19_999


# ---------------------------------------------------------------------------------------------------------- counts


def test_a_count_that_is_too_small_for_its_room() -> None:
    axis = StoredAxis(
        name="x", cells=cells(0x200, U8, (300,)), count=StoredCount(at=0x100, type=U8, byte_order="big"), shared=True
    )
    curve = TableSpec(name="a", kind="curve", cells=cells(0x400, U8, (300,)), axes=(axis,))
    finding = only(lint(definition(curve)))
    assert finding.code == "count-mismatch"
    assert finding.text == "has room for 300 breakpoints, but its count is stored as u8"


def test_a_grid_that_is_not_the_size_of_its_axes() -> None:
    x = FixedAxis(name="x", points=(Fraction(1), Fraction(2)), shared=True)
    table = TableSpec(name="a", kind="map", cells=cells(0x100, U8, (3, 2)), axes=(x, x))
    assert only(lint(definition(table))).text == "has 3 x 2 cells, but its axes 2 x 2 breakpoints"


@pytest.mark.parametrize(
    ("limits", "severity"), [((0, 127), None), ((0, 128), "warning"), ((-1, 5), "warning"), ((128, 200), "error")]
)
def test_limits_that_the_type_cannot_reach(limits: tuple[int, int], severity: str | None) -> None:
    scaling = Scaling(conversion=Linear(factor=Fraction(1, 2)))
    table = value("a", 0x100, scaling=scaling, limits=Limits(low=Fraction(limits[0]), high=Fraction(limits[1])))
    found = lint(definition(table))
    assert [finding.severity for finding in found] == ([severity] if severity else [])
    assert codes(found) == (["limits-beyond-type"] if severity else [])


@pytest.mark.parametrize(
    ("conversion", "fine"),
    [
        (Lookup(points=((0, Fraction(1)), (255, Fraction(2))), between="interpolate"), True),
        (Lookup(points=((0, Fraction(1)), (256, Fraction(2))), between="hold"), False),
        (Names(names={0: "off", 255: "on"}), True),
        (Names(names={-1: "off"}), False),
        (Bits(fields=(BitField(name="a", mask=0x80),)), True),
        (Bits(fields=(BitField(name="a", mask=0x100),)), False),
    ],
)
def test_scalings_that_speak_of_raw_values_beyond_the_type(conversion: Any, fine: bool) -> None:
    found = lint(definition(value("a", 0x100, scaling=Scaling(conversion=conversion))))
    assert codes(found) == ([] if fine else ["scaling-beyond-type"])


def test_a_scaling_that_has_no_single_answer() -> None:
    quadratic = Rational(
        gives="raw",
        numerator=(Fraction(1), Fraction(-10), Fraction(25)),
        denominator=(Fraction(0), Fraction(0), Fraction(1)),
    )
    finding = only(lint(definition(value("a", 0x100, scaling=Scaling(name="q", conversion=quadratic)))))
    assert finding.code == "scaling-unsolved"
    assert finding.text == "scaling q cannot be read at raw 1: two physical values have this raw value"


# ----------------------------------------------------------------------------------------------------------- names


def test_aliases_that_lead_nowhere() -> None:
    tables = [
        value("a", 0x100, aliases=("b", "old")),
        value("b", 0x101, aliases=("old", "older")),
    ]
    found = lint(definition(*tables))
    assert [(f.code, f.subject, f.text) for f in found] == [
        ("unreachable-alias", "table a", "the alias b is a table's own name, so it never leads here"),
        ("unreachable-alias", "table a", "the alias old is claimed by 2 tables, so it leads to none"),
        ("unreachable-alias", "table b", "the alias old is claimed by 2 tables, so it leads to none"),
    ]


def test_what_is_used_nowhere() -> None:
    used = Scaling(name="used", unit="rpm")
    axis = StoredAxis(name="x", cells=cells(0x200, U8, (2,)), scaling=used, shared=True)
    curve = TableSpec(name="a", kind="curve", cells=cells(0x100, U8, (2,)), axes=(axis,))
    idle = StoredAxis(name="y", cells=cells(0x300, U8, (2,)), shared=True)
    found = lint(definition(curve, axes=[idle], scalings=[Scaling(name="idle", unit="s")]))
    assert [(f.code, f.subject) for f in found] == [("unused-scaling", "scaling idle"), ("unused-axis", "axis y")]
