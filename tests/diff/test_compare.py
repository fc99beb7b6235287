"""Small images whose comparison is reckoned by hand."""

from __future__ import annotations

import struct
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from caldiff.definition.model import (
    BitField,
    Bits,
    IdentityField,
    Names,
    Rational,
    Record,
    Region,
    Scaling,
)
from caldiff.diff import extents
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, Extent, Fates, TableDiff


def only(found: Comparison) -> TableDiff:
    (table,) = found.tables
    return table


def test_one_byte_of_each_fate(make: Any) -> None:
    definition = make.definition(
        make.table("advance", 0),
        identity=[IdentityField(name="calibration", at=10, size=2, kind="text", byte_order="big")],
        checksums=[make.checksum("sum", 20, (0, 12))],
        regions=[
            Region(name="learned", start=30, size=4, role="volatile"),
            Region(name="program", start=40, size=8, role="code"),
        ],
    )
    before = make.image(a0=b"\x05", a10=b"A1")
    after = make.changed(before, a0=b"\x07", a10=b"A2", a20=b"\x01\x02", a31=b"\x01", a41=b"\xff\xff", a60=b"\x01")
    found = compare(*make.sides([before, after], definition))
    assert found.fates == Fates(cell=1, checksum=2, identity=1, volatile=1, unexplained=3)
    assert not found.identical
    assert not found.across
    assert list(found.extents) == [
        Extent(start=0, stop=1),
        Extent(start=11, stop=12),
        Extent(start=20, stop=22),
        Extent(start=31, stop=32, region="learned", role="volatile"),
        Extent(start=41, stop=43, region="program", role="code"),
        Extent(start=60, stop=61),
    ]
    assert [(e.start, e.role) for e in found.unexplained] == [(41, "code"), (60, None)]
    assert [(f.field.name, f.before, f.after) for f in found.identity] == [("calibration", "A1", "A2")]
    assert [(c.name, c.content, c.stored) for c in found.checksums] == [("sum", True, True)]
    assert only(found).name == "advance"


@pytest.mark.parametrize(
    ("at", "fate"), [(0, "cell"), (1, "checksum"), (3, "identity"), (4, "volatile"), (5, "unexplained")]
)
def test_where_ranges_overlap_the_first_fate_counts(make: Any, at: int, fate: str) -> None:
    definition = make.definition(
        make.table("cell", 0),
        checksums=[make.checksum("sum", 0, (8, 12))],
        identity=[IdentityField(name="field", at=0, size=4, kind="text", byte_order="big")],
        regions=[Region(name="learned", start=0, size=5, role="volatile")],
    )
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, **{f"a{at}": b"\x01"})], definition))
    assert found.fates == Fates(**{fate: 1})


@pytest.mark.parametrize(
    ("bits", "fate"), [(0x10, "cell"), (0x30, "cell"), (0x31, "unexplained"), (0x01, "unexplained")]
)
def test_a_masked_cell_explains_its_own_bits_only(make: Any, bits: int, fate: str) -> None:
    definition = make.definition(make.table("field", 8, type="u16", mask=0x0030))
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a9=bytes([bits]))], definition))
    assert found.fates == Fates(**{fate: 1})
    assert len(found.tables) == (1 if bits & 0x30 else 0)


def test_two_masked_cells_of_one_word_explain_it_together(make: Any) -> None:
    definition = make.definition(make.table("low", 8, mask=0x0F), make.table("high", 8, mask=0xF0))
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a8=b"\xff")], definition))
    assert found.fates == Fates(cell=1)
    assert [(t.name, int(t.after.raw)) for t in found.tables if t.after] == [("high", 15), ("low", 15)]


# --------------------------------------------------------------------------------------------------- cells and figures


def test_changed_cells_with_their_figures(make: Any) -> None:
    # Raw * 1/2 - 10 over 2 x 3: the changed cells go 0 -> 5 (+5), -5 -> -10 (-5, -100 %) and 10 -> 12.5 (+2.5, +25 %).
    y, x = make.axis("y", 40, 2), make.axis("x", 42, 3)
    definition = make.definition(make.table("map", 0, y, x, scaling=make.linear("1/2", "-10", unit="deg")))
    before = make.image(a0=bytes([20, 10, 40, 7, 7, 7]), a40=bytes([1, 2, 1, 2, 3]))
    after = make.changed(before, a0=bytes([30, 0, 45, 7, 7, 7]))
    table = only(compare(*make.sides([before, after], definition)))
    assert table.state == "changed"
    assert table.changed is not None
    assert table.changed.tolist() == [[True, True, True], [False, False, False]]
    assert table.cells == 3
    assert table.window == (slice(0, 1), slice(0, 3))
    assert (table.moved, table.surface, table.reason) == ((), None, "")
    figures = table.statistics
    assert figures is not None
    assert (figures.cells, figures.changed, figures.raised, figures.lowered) == (6, 3, 2, 1)
    assert (figures.least, figures.greatest, figures.mean) == (-5.0, 5.0, pytest.approx(2.5 / 3))
    assert (figures.least_percent, figures.greatest_percent) == (-100.0, 25.0)


def test_floats_are_compared_by_their_bits(make: Any) -> None:
    definition = make.definition(make.table("block", 0, shape=(4,), type="f32"))
    nan, other_nan = b"\x7f\xc0\x00\x00", b"\x7f\xc0\x00\x01"
    before = make.image(a0=struct.pack(">f", 0.0) + nan + nan + struct.pack(">f", 2.0))
    after = make.image(a0=struct.pack(">f", -0.0) + nan + other_nan + struct.pack(">f", 3.0))
    table = only(compare(*make.sides([before, after], definition)))
    assert table.changed is not None
    assert table.changed.tolist() == [True, False, True, True]
    assert table.statistics is not None
    assert (table.statistics.changed, table.statistics.raised, table.statistics.lowered) == (3, 1, 0)
    assert (table.statistics.least, table.statistics.greatest) == (0.0, 1.0)  # the difference to a NaN is left out


def test_a_zero_that_only_turned_negative_is_a_changed_cell(make: Any) -> None:
    definition = make.definition(make.table("value", 0, type="f32"))
    found = compare(*make.sides([make.image(), make.image(a0=b"\x80")], definition))
    assert (only(found).state, only(found).cells, found.fates) == ("changed", 1, Fates(cell=1))


def test_a_signalling_float_under_a_moved_axis_is_no_surface(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2), type="f32"))
    before = make.image(a0=b"\x7f\xa0\x00\x00", a20=bytes([0, 10]))
    table = only(compare(*make.sides([before, make.changed(before, a21=b"\x0b")], definition)))
    assert table.reason == "not compared at the same operating points: a value is not a finite number"


def test_a_count_of_nothing_is_no_surface(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2, stored=19)))
    before = make.image(a19=bytes([2, 0, 10]))
    table = only(compare(*make.sides([before, make.changed(before, a19=b"\x00")], definition)))
    assert (table.state, table.surface) == ("resized", None)
    assert "not compared at the same operating points: an axis has no breakpoint" in table.reason


def test_a_float_that_is_no_number_has_no_figures(make: Any) -> None:
    definition = make.definition(make.table("value", 0, type="f32"))
    found = compare(*make.sides([make.image(), make.image(a0=b"\x7f\xc0\x00\x00")], definition))
    assert (only(found).state, only(found).statistics) == ("changed", None)


def test_text_flags_and_named_values_change_without_figures(make: Any) -> None:
    definition = make.definition(
        make.table("label", 0, shape=(4,), kind="text"),
        make.table("switches", 8, kind="flags", scaling=Scaling(conversion=Bits(fields=(BitField(name="a", mask=1),)))),
        make.table("mode", 9, scaling=Scaling(conversion=Names(names={0: "off", 1: "on"}))),
    )
    before = make.image(a0=b"ABCD")
    found = compare(*make.sides([before, make.changed(before, a0=b"ABXD", a8=b"\x01\x01")], definition))
    assert [(t.name, t.state, t.cells, t.statistics) for t in found.tables] == [
        ("label", "changed", 1, None),
        ("mode", "changed", 1, None),
        ("switches", "changed", 1, None),
    ]
    assert found.fates == Fates(cell=3)


def test_interleaved_tables_are_not_taken_for_one_another(make: Any) -> None:
    definition = make.definition(
        make.table("even", 0, shape=(8,), strides=(2,)), make.table("odd", 1, shape=(8,), strides=(2,))
    )
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01")], definition))
    assert only(found).name == "odd"
    assert only(found).window == (slice(1, 2),)


# ---------------------------------------------------------------------------------------------------------------- axes


def test_a_moved_axis_is_reported_once_with_every_table_on_it(make: Any) -> None:
    x = make.axis("speed", 40, 3)
    definition = make.definition(*(make.table(name, 10 * n, x) for n, name in enumerate(["a", "b", "c"])))
    before = make.image(a0=bytes([0, 10, 20]), a10=bytes([5, 5, 5]), a20=bytes([0, 10, 20]), a40=bytes([0, 10, 20]))
    after = make.changed(before, a41=bytes([12]), a21=bytes([12]))
    found = compare(*make.sides([before, after], definition))
    (axis,) = found.axes
    assert (axis.name, axis.changed.tolist(), axis.tables) == ("speed", [False, True, False], ("a", "b", "c"))
    assert found.fates == Fates(cell=2)
    a, b, c = found.tables
    assert [t.moved for t in (a, b, c)] == [("speed",)] * 3
    # a: the same cells 0, 10, 20 over 0, 12, 20. At 12 the old surface stands at 12, the new one at 10.
    assert (a.state, a.cells) == ("axis", 0)
    assert a.surface is not None
    assert a.surface.points[0].tolist() == [0, 10, 12, 20]
    assert a.surface.before.tolist() == [0, 10, 12, 20]
    assert a.surface.after.tolist() == pytest.approx([0, 10 * 10 / 12, 10, 20])
    assert (a.surface.changed, a.surface.largest, a.surface.at) == (True, 2.0, (12.0,))
    # b is flat: its axis moved, its surface is the same. So is c's, whose cell follows the axis.
    assert b.surface is not None
    assert (b.state, b.surface.changed) == ("axis", False)
    assert c.surface is not None
    assert (c.state, c.cells, c.surface.changed, c.surface.largest) == ("changed", 1, False, 0.0)


def test_an_axis_of_a_table_s_own_counts_as_its_axis(make: Any) -> None:
    x = make.axis("own", 8, 2, shared=False)
    definition = make.definition(make.table("dwell", 0, x))
    before = make.image(a0=b"\x01\x02", a8=b"\x00\x0a")
    found = compare(*make.sides([before, make.changed(before, a9=b"\x14")], definition))
    assert [(a.name, a.tables, a.changed.tolist()) for a in found.axes] == [("dwell.x", ("dwell",), [False, True])]
    assert (only(found).state, only(found).moved) == ("axis", ("dwell.x",))
    assert found.fates == Fates(cell=1)


def test_a_stored_count_moves_the_axis_and_resizes_the_table(make: Any) -> None:
    # Breakpoints 0, 10, 20, (30) in use by count 3, then 4; the fourth cell goes on along the line.
    x = make.axis("x", 20, 4, stored=19)
    definition = make.definition(make.table("curve", 0, x))
    before = make.image(a0=bytes([0, 10, 20, 99]), a19=bytes([3, 0, 10, 20, 30]))
    after = make.changed(before, a3=b"\x1e", a19=b"\x04")
    found = compare(*make.sides([before, after], definition))
    table = only(found)
    assert (table.state, table.changed, table.reason) == ("resized", None, "was 3 cells, is 4 cells")
    assert found.axes[0].changed.tolist() == [False, False, False, True]
    assert table.surface is not None
    assert table.surface.before.tolist() == [0, 10, 20, 20]
    assert table.surface.after.tolist() == [0, 10, 20, 30]
    assert (table.surface.changed, table.surface.largest) == (True, 10.0)
    assert found.fates == Fates(cell=2)  # the count and the cell that came into use


def test_a_record_whose_values_stand_elsewhere_for_another_count_is_explained_in_both_places(make: Any) -> None:
    # Count, breakpoints, values, each close behind the one before: 2 | 0 10 | 5 6 becomes 3 | 0 10 20 | 5 6 7.
    x = make.axis("x", 1, 4, stored=0, shared=False)
    record = Record(at=0, parts=("x.count", "x", "values"))
    definition = make.definition(make.evolve(make.table("curve", 5, x), record=record))
    before = make.image(a0=bytes([2, 0, 10, 5, 6, 0, 0, 0, 0]))
    after = make.image(a0=bytes([3, 0, 10, 20, 5, 6, 7, 0, 9]))
    found = compare(*make.sides([before, after], definition))
    table = only(found)
    assert (table.state, table.moved) == ("resized", ("curve.x",))
    assert table.after is not None
    assert table.after.raw.tolist() == [5, 6, 7]
    assert found.fates == Fates(cell=5, unexplained=1)  # 0, 3, 4, 5, 6 are cells; 8 is room that nobody uses


def test_room_beyond_the_stored_count_is_unexplained(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 4, stored=19)))
    before = make.image(a0=bytes([0, 10, 20, 99]), a19=bytes([3, 0, 10, 20, 30]))
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01", a23=b"\x01")], definition))
    assert found.fates == Fates(unexplained=2)
    assert (found.tables, found.axes) == ((), ())


def test_an_axis_that_does_not_rise_has_no_surface_and_says_so(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 3)))
    before = make.image(a0=bytes([1, 2, 3]), a20=bytes([0, 10, 20]))
    table = only(compare(*make.sides([before, make.changed(before, a21=b"\x1e")], definition)))
    assert (table.state, table.surface) == ("axis", None)
    assert table.reason == "not compared at the same operating points: an axis does not rise strictly"


def test_a_moved_axis_under_named_values_has_no_surface(make: Any) -> None:
    names = Scaling(conversion=Names(names={0: "off"}))
    definition = make.definition(make.table("modes", 0, make.axis("x", 20, 2), scaling=names))
    before = make.image(a20=bytes([0, 10]))
    table = only(compare(*make.sides([before, make.changed(before, a21=b"\x1e")], definition)))
    assert (table.state, table.surface, table.reason) == ("axis", None, "")


def test_the_tolerance_is_half_a_raw_step_of_each_side(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2), scaling=make.linear("1/4")))
    before = make.image(a0=bytes([0, 10]), a20=bytes([0, 10]))
    table = only(compare(*make.sides([before, make.changed(before, a21=b"\x0b")], definition)))
    assert table.surface is not None
    assert table.surface.tolerance == 0.25  # 1/8 before, 1/8 after


def test_the_tolerance_of_a_scaling_that_is_not_linear_is_that_of_the_point(make: Any) -> None:
    # 100 / raw: from raw 10 the larger step is down to 9, 100/9 - 10 = 10/9; half of it on each side.
    quotient = Rational(
        gives="physical",
        numerator=(Fraction(0), Fraction(0), Fraction(100)),
        denominator=(Fraction(0), Fraction(1), Fraction(0)),
    )
    scaling = Scaling(conversion=quotient)
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2), scaling=scaling))
    before = make.image(a0=bytes([10, 10]), a20=bytes([0, 10]))
    table = only(compare(*make.sides([before, make.changed(before, a21=b"\x0b")], definition)))
    assert table.surface is not None
    assert (table.surface.changed, table.surface.tolerance) == (False, pytest.approx(10 / 9))


def test_a_table_that_no_image_holds_is_still_named_with_its_axis(make: Any) -> None:
    x = make.axis("x", 20, 2)
    definition = make.definition(make.table("here", 0, x), make.table("nowhere", 200, x))
    before = make.image(a20=bytes([0, 10]))
    found = compare(*make.sides([before, make.changed(before, a21=b"\x0b")], definition))
    assert found.axes[0].tables == ("here", "nowhere")
    assert [t.name for t in found.tables] == ["here"]


def test_both_axes_of_a_map_move(make: Any) -> None:
    y, x = make.axis("y", 40, 2), make.axis("x", 42, 2)
    definition = make.definition(make.table("map", 0, y, x))
    before = make.image(a0=bytes([0, 10, 20, 30]), a40=bytes([0, 10, 0, 10]))
    found = compare(*make.sides([before, make.changed(before, a41=b"\x14", a43=b"\x14")], definition))
    table = only(found)
    assert table.moved == ("y", "x")
    assert table.surface is not None
    # Over y 0, 10, 20 and x 0, 10, 20: y counts 2 a step before and 1 after, x 1 a step before and 1/2 after.
    assert table.surface.before.tolist() == [[0, 10, 10], [20, 30, 30], [20, 30, 30]]
    assert table.surface.after.tolist() == [[0, 5, 10], [10, 15, 20], [20, 25, 30]]
    assert (table.surface.largest, table.surface.at) == (15.0, (10.0, 10.0))


# --------------------------------------------------------------------------------------------- what is not there, whole


def test_a_table_that_only_one_image_holds_is_added_or_removed(make: Any) -> None:
    definition = make.definition(make.table("near", 0, shape=(2,)), make.table("far", 100, shape=(2,)))
    short, long = make.pieces((0, b"\x01\x02")), make.pieces((0, b"\x01\x02"), (100, b"\x03\x04"))
    found = compare(*make.sides([short, long], definition))
    assert (only(found).name, only(found).state, only(found).before) == ("far", "added", None)
    assert only(found).reason == "the first image holds no byte of it"
    assert found.fates == Fates(cell=2)
    assert list(found.extents) == [Extent(start=100, stop=102, presence="after")]
    assert found.notes == ("2 bytes are at addresses that only second holds",)
    back = compare(*make.sides([long, short], definition))
    assert (only(back).state, only(back).after) == ("removed", None)
    assert back.fates == Fates(cell=2)


def test_a_table_that_one_image_holds_in_part_is_unreadable_and_explains_nothing(make: Any) -> None:
    definition = make.definition(make.table("block", 0, shape=(4,)))
    found = compare(*make.sides([make.pieces((0, bytes(4))), make.pieces((0, b"\x00\x01"))], definition))
    table = only(found)
    assert (table.state, table.after) == ("unreadable", None)
    assert "second" in table.reason
    assert "0x00000002" in table.reason
    assert found.fates == Fates(unexplained=3)


def test_interleaved_cells_that_are_all_missing_are_absent_though_others_between_them_are_held(make: Any) -> None:
    definition = make.definition(make.table("odd", 1, shape=(2,), strides=(2,)))
    before, after = make.pieces((0, b"\x01"), (2, b"\x01")), make.pieces((0, b"\x01\x02\x01\x02"))
    found = compare(*make.sides([before, after], definition))
    assert (only(found).state, found.fates) == ("added", Fates(cell=2))


def test_differences_that_no_double_holds_are_left_out_of_the_figures(make: Any) -> None:
    definition = make.definition(make.table("block", 0, shape=(3,), type="f64"))
    huge = 1.7e308
    before = make.image(a0=struct.pack(">3d", -huge, 0.0, 0.0))
    after = make.image(a0=struct.pack(">3d", huge, huge, huge))
    figures = only(compare(*make.sides([before, after], definition))).statistics
    assert figures is not None
    assert (figures.changed, figures.raised, figures.mean) == (3, 2, huge)
    assert (figures.least_percent, figures.greatest_percent) == (None, None)


def test_a_table_whose_axis_is_missing_in_one_image_is_unreadable(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2)))
    whole, part = make.pieces((0, b"\x01\x02"), (20, b"\x00\x0a")), make.pieces((0, b"\x01\x02"))
    found = compare(*make.sides([whole, part], definition))
    assert only(found).state == "unreadable"
    assert "only first holds axis 'x' whole" in found.notes
    assert found.axes == ()


# ------------------------------------------------------------------------------------------------- without a definition


def test_without_a_definition_there_are_bytes_only(make: Any) -> None:
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01\x01", a9=b"\x01")], None))
    assert found.fates == Fates(unexplained=3)
    assert list(found.unexplained) == [Extent(start=3, stop=5), Extent(start=9, stop=10)]
    assert found.notes == ("no definition fits first and second: only bytes are compared, no tables",)
    assert (found.tables, found.axes, found.identity, found.checksums) == ((), (), (), ())


def test_a_definition_on_one_side_only_compares_no_tables_and_says_so(make: Any) -> None:
    definition = make.definition(make.table("value", 3))
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01")], [None, definition]))
    assert (found.fates, found.tables, found.across) == (Fates(unexplained=1), (), False)
    assert found.notes == ("no definition fits first: only bytes are compared, no tables",)


def test_the_same_bytes_are_identical(make: Any) -> None:
    found = compare(*make.sides([make.image(), make.image()], make.definition(make.table("value", 3))))
    assert found.identical
    assert found.fates == Fates()
    assert (len(found.extents), found.tables, found.notes) == (0, (), ())


def test_an_identity_field_that_only_its_padding_tells_apart_is_listed(make: Any) -> None:
    field = IdentityField(name="id", at=0, size=4, kind="text", byte_order="big")
    definition = make.definition(identity=[field])
    found = compare(*make.sides([make.image(a0=b"AB\xff\xff"), make.image(a0=b"AB\x00\x00")], definition))
    assert [(f.before, f.after) for f in found.identity] == [("AB", "AB")]
    assert found.fates == Fates(identity=2)


def test_an_extent_is_cut_where_the_region_changes_and_the_smallest_region_names_it(make: Any) -> None:
    regions = [
        Region(name="all", start=0, size=64, role="calibration"),
        Region(name="inner", start=10, size=4, role="code"),
    ]
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a8=b"\x01" * 8)], make.definition(regions=regions)))
    assert [(e.start, e.stop, e.region) for e in found.extents] == [(8, 10, "all"), (10, 14, "inner"), (14, 16, "all")]


def test_a_run_longer_than_a_chunk_is_one_extent(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extents, "_CHUNK_WORDS", 1)
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01" * 30, a40=b"\x01")], None))
    assert found.extents == found.unexplained == (Extent(start=3, stop=33), Extent(start=40, stop=41))


def test_extents_are_a_sequence(make: Any) -> None:
    before = make.image()
    found = compare(*make.sides([before, make.changed(before, a3=b"\x01\x01", a9=b"\x01")], None)).extents
    assert len(found) == 2
    assert found[-1] == Extent(start=9, stop=10)
    assert list(found[:1]) == [Extent(start=3, stop=5)]
    assert found == (Extent(start=3, stop=5), Extent(start=9, stop=10))
    assert found != (Extent(start=3, stop=5),)
    with pytest.raises(IndexError):
        found[2]


def test_arrays_of_the_answer_are_read_only(make: Any) -> None:
    definition = make.definition(make.table("curve", 0, make.axis("x", 20, 2)))
    before = make.image(a20=bytes([0, 10]))
    found = compare(*make.sides([before, make.changed(before, a0=b"\x01", a21=b"\x0c")], definition))
    table = only(found)
    assert table.changed is not None
    arrays: list[np.ndarray[Any, Any]] = [table.changed, found.axes[0].changed]
    for array in arrays:
        with pytest.raises(ValueError, match="read-only"):
            array[0] = True
