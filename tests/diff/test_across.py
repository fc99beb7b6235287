"""Two software versions: tables found again by name and read by two definitions."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import IdentityField, Names, Region, Scaling
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison, Fates, TableDiff
from caldiff.diff.pairing import counterpart, pairs
from caldiff.image.model import Image


def only(found: Comparison) -> TableDiff:
    (table,) = found.tables
    return table


def test_a_table_that_only_moved_is_no_difference(make: Any) -> None:
    old = make.definition(make.table("curve", 0, make.axis("x", 20, 2)), name="old")
    new = make.definition(make.table("curve", 8, make.axis("x", 30, 2)), name="new")
    before, after = make.image(a0=b"\x05\x06", a20=b"\x01\x02"), make.image(a8=b"\x05\x06", a30=b"\x01\x02")
    found = compare(*make.sides([before, after], [old, new]))
    assert found.across
    assert not found.identical
    assert (found.tables, found.axes) == ((), ())
    # By address all of it differs, and nothing is a cell in both definitions.
    assert found.fates == Fates(unexplained=8)
    assert any("compared by name, first read by old and second by new" in note for note in found.notes)
    assert any("for information only" in note for note in found.notes)


def test_changed_added_and_removed_by_name(make: Any) -> None:
    old = make.definition(make.table("kept", 0, shape=(2,)), make.table("gone", 10))
    new = make.definition(make.table("kept", 4, shape=(2,)), make.table("come", 11))
    found = compare(*make.sides([make.image(a0=b"\x01\x02"), make.image(a4=b"\x01\x03")], [old, new]))
    states = {t.name: (t.state, t.before is None, t.after is None) for t in found.tables}
    assert states == {
        "kept": ("changed", False, False),
        "gone": ("removed", False, True),
        "come": ("added", True, False),
    }
    kept = next(t for t in found.tables if t.name == "kept")
    assert kept.changed is not None
    assert kept.changed.tolist() == [False, True]
    assert kept.statistics is not None
    assert kept.statistics.mean == 1.0


@pytest.mark.parametrize("teller", ["old", "new"])
def test_a_renamed_table_is_found_by_an_alias_on_either_side(make: Any, teller: str) -> None:
    old = make.definition(make.table("before", 0, aliases=("after",) if teller == "old" else ()))
    new = make.definition(make.table("after", 4, aliases=("before",) if teller == "new" else ()))
    found = compare(*make.sides([make.image(a0=b"\x01"), make.image(a4=b"\x02")], [old, new]))
    assert (only(found).name, only(found).state) == ("after", "changed")
    assert only(found).before is not None
    assert only(found).before.name == "before"


def test_an_alias_never_takes_a_table_that_both_have_by_name(make: Any) -> None:
    old = make.definition(make.table("a", 0), make.table("b", 1))
    new = make.definition(make.table("b", 0, aliases=("a",)), make.table("c", 1))
    paired = {(ours.name if ours else None, theirs.name if theirs else None) for ours, theirs in pairs(old, new)}
    assert paired == {("a", None), ("b", "b"), (None, "c")}


names = st.lists(st.sampled_from("abcdefg"), min_size=0, max_size=5, unique=True)


@given(st.data(), names, names)
def test_every_table_of_both_is_paired_once(make: Any, data: st.DataObject, ours: list[str], theirs: list[str]) -> None:
    def definition(tables: list[str]) -> Definition:
        aliases = [tuple(sorted(data.draw(st.sets(st.sampled_from("abcdefg"), max_size=2)) - {n})) for n in tables]
        made = [make.table(n, i, aliases=a) for i, (n, a) in enumerate(zip(tables, aliases, strict=True))]
        found: Definition = make.definition(*made)
        return found

    old, new = definition(ours), definition(theirs)
    paired = list(pairs(old, new))
    assert sorted(o.name for o, _ in paired if o) == sorted(ours)
    assert sorted(n.name for _, n in paired if n) == sorted(theirs)
    for name in set(ours) & set(theirs):
        assert counterpart(old, new, name) == name
    assert all(o.name == n.name or o.name not in theirs for o, n in paired if o and n)
    assert {(o and o.name, n and n.name) for o, n in pairs(new, old)} <= {
        (n and n.name, o and o.name) for o, n in paired
    } | {(n, None) for n in theirs} | {(None, o) for o in ours}


# -------------------------------------------------------------------------------------------------- other meaning


def both(make: Any, before: Image, after: Image, old: Any, new: Any) -> Comparison:
    found: Comparison = compare(*make.sides([before, after], [make.definition(old), make.definition(new)]))
    return found


def test_another_scaling_of_the_same_raw_values_redefines(make: Any) -> None:
    image = make.image(a0=bytes([0, 4, 8]))
    old = make.table("t", 0, shape=(3,), scaling=make.linear("1/2"))
    found = both(make, image, image, old, make.table("t", 0, shape=(3,), scaling=make.linear("1/4")))
    assert found.identical
    table = only(found)
    assert (table.state, table.reason) == ("redefined", "the scaling changed")
    assert table.changed is not None
    assert table.changed.tolist() == [False, True, True]
    assert table.statistics is not None
    assert (table.statistics.least, table.statistics.greatest) == (-2.0, -1.0)


def test_cells_rewritten_for_another_scaling_have_not_changed(make: Any) -> None:
    # 10, 20 of 1/2 are 20, 40 of 1/4: the physical values 5 and 10 stayed.
    old = make.table("t", 0, shape=(2,), scaling=make.linear("1/2"))
    new = make.table("t", 0, shape=(2,), scaling=make.linear("1/4"))
    table = only(both(make, make.image(a0=bytes([10, 20])), make.image(a0=bytes([20, 40])), old, new))
    assert (table.state, table.cells, table.statistics) == ("redefined", 0, None)
    changed = only(both(make, make.image(a0=bytes([10, 20])), make.image(a0=bytes([20, 41])), old, new))
    assert (changed.state, changed.reason, changed.cells) == ("changed", "the scaling changed", 1)


def test_a_difference_below_a_double_s_precision_is_one_all_the_same(make: Any) -> None:
    # 2**53 and 2**53 + 1 are the same double; physical values are compared exactly.
    old = make.table("t", 0, type="u64", scaling=make.linear("1"))
    new = make.table("t", 0, type="u64", scaling=make.linear("1", "1"))
    value = (2**53).to_bytes(8, "big")
    table = only(both(make, make.image(a0=value), make.image(a0=value), old, new))
    assert (table.state, table.cells) == ("redefined", 1)
    lower = (2**53 - 1).to_bytes(8, "big")
    assert only(both(make, make.image(a0=value), make.image(a0=lower), old, new)).cells == 0


def test_another_type_of_the_same_numbers_redefines(make: Any) -> None:
    before, after = make.image(a0=bytes([1, 2])), make.image(a0=bytes([0, 1, 0, 2]))
    old, new = make.table("t", 0, shape=(2,)), make.table("t", 0, shape=(2,), type="u16")
    table = only(both(make, before, after, old, new))
    assert (table.state, table.cells, table.reason) == ("redefined", 0, "was stored as u8, is u16")


def test_another_byte_order_alone_is_no_difference(make: Any) -> None:
    before, after = make.image(a0=b"\x01\x02"), make.image(a0=b"\x02\x01")
    old, new = make.table("t", 0, type="u16"), make.table("t", 0, type="u16", order="little")
    assert both(make, before, after, old, new).tables == ()


def test_another_size_is_resized(make: Any) -> None:
    old, new = make.table("t", 0, make.axis("x", 20, 2)), make.table("t", 0, make.axis("x", 20, 3))
    before, after = make.image(a0=bytes([0, 10]), a20=bytes([0, 10])), make.image(a0=bytes([0, 5, 10]), a20=b"\0\5\n")
    found = both(make, before, after, old, new)
    table = only(found)
    assert (table.state, table.changed, table.moved) == ("resized", None, ("x",))
    assert table.surface is not None
    assert not table.surface.changed
    assert found.axes[0].changed.tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("new", "reason"),
    [
        ({"scaling": Scaling(unit="kPa")}, "the unit was 'rpm', is 'kPa': no numbers are compared"),
        ({"scaling": Scaling(conversion=Names(names={0: "off"}))}, "was numbers, is named values"),
        ({"kind": "text", "shape": (2,)}, "was numbers, is text"),
        ({"shape": (2, 1)}, "was a curve, is a block"),
    ],
)
def test_what_cannot_be_compared_is_redefined(make: Any, new: dict[str, Any], reason: str) -> None:
    axes = () if "shape" in new else (make.axis("x", 20, 2),)
    old = make.table("t", 0, make.axis("x", 20, 2), scaling=Scaling(unit="rpm"))
    table = only(both(make, make.image(), make.image(a0=b"\x01"), old, make.table("t", 0, *axes, **new)))
    assert (table.state, table.changed, table.statistics) == ("redefined", None, None)
    assert table.reason == reason


def test_an_axis_that_stands_for_something_else_is_said(make: Any) -> None:
    image = make.image(a20=bytes([0, 10]))
    old = make.table("t", 0, make.axis("x", 20, 2, quantity="engine_speed"))
    new = make.table("t", 0, make.axis("x", 20, 2, quantity="load"))
    table = only(both(make, image, image, old, new))
    assert (table.state, table.cells) == ("redefined", 0)
    assert table.reason == "the quantity of axis 'x' was 'engine_speed', is 'load'"


def test_titles_tags_and_limits_are_no_difference_of_the_table(make: Any) -> None:
    old, new = make.table("t", 0, tags=("emissions",)), make.table("t", 4, tags=("ignition",))
    assert both(make, make.image(a0=b"\x07"), make.image(a4=b"\x07"), old, new).tables == ()


# ------------------------------------------------------------------------------------------------------------- axes


def test_an_axis_rescaled_to_the_same_breakpoints_did_not_move(make: Any) -> None:
    half, whole = make.linear("1/2"), make.linear("1")
    old = make.table("t", 0, make.axis("x", 20, 2, scaling=half))
    new = make.table("t", 0, make.axis("x", 20, 2, scaling=whole))
    found = both(make, make.image(a20=bytes([0, 20])), make.image(a20=bytes([0, 10])), old, new)
    assert (found.tables, found.axes) == ((), ())


def test_a_table_that_hangs_on_another_axis_now(make: Any) -> None:
    old = make.table("t", 0, make.axis("slow", 20, 2))
    new = make.table("t", 0, make.axis("fast", 30, 2))
    image = make.image(a0=bytes([0, 10]), a20=bytes([0, 10]), a30=bytes([0, 20]))
    found = both(make, image, image, old, new)
    assert [(a.name, a.before.spec.name, a.tables) for a in found.axes] == [("fast", "slow", ("t",))]
    table = only(found)
    assert (table.state, table.moved) == ("axis", ("fast",))
    assert table.surface is not None
    assert (table.surface.largest, table.surface.at) == (5.0, (10.0,))


def test_a_table_that_changed_its_axis_is_not_taken_for_one_that_kept_it(make: Any) -> None:
    slow, fast = make.axis("slow", 20, 2), make.axis("fast", 30, 2)
    old = make.definition(make.table("kept", 0, fast), make.table("swapped", 4, slow), name="old")
    new = make.definition(make.table("kept", 0, fast), make.table("swapped", 4, fast), name="new")
    image = make.image(a20=bytes([0, 10]), a30=bytes([0, 20]))
    found = compare(*make.sides([image, image], [old, new]))
    assert [(t.name, t.moved) for t in found.tables] == [("swapped", ("fast",))]
    assert [(a.before.spec.name, a.after.spec.name, a.tables) for a in found.axes] == [("slow", "fast", ("swapped",))]


def test_axes_in_other_units_give_no_surface(make: Any) -> None:
    old = make.table("t", 0, make.axis("x", 20, 2, scaling=Scaling(unit="km/h")))
    new = make.table("t", 0, make.axis("x", 20, 2, scaling=Scaling(unit="m/s")))
    table = only(both(make, make.image(a20=bytes([0, 10])), make.image(a20=bytes([0, 20])), old, new))
    assert (table.state, table.moved, table.surface) == ("redefined", ("x",), None)
    assert table.reason == (
        "the unit of axis 'x' was 'km/h', is 'm/s'; not compared at the same operating points: the units differ"
    )


def test_a_fixed_axis_with_other_points_moved(make: Any) -> None:
    old, new = make.table("t", 0, make.fixed("gear", 1, 2)), make.table("t", 0, make.fixed("gear", 1, 3))
    image = make.image(a0=bytes([10, 20]))
    found = both(make, image, image, old, new)
    assert found.axes[0].changed.tolist() == [False, True]
    assert only(found).state == "axis"
    assert only(found).surface is not None


def test_fixed_points_that_a_double_cannot_tell_apart_are_compared_exactly(make: Any) -> None:
    third, near = Fraction(1, 3), Fraction(float(Fraction(1, 3)))
    axes = [make.evolve(make.fixed("g", 0, 1), points=(Fraction(0), point)) for point in (third, near)]
    assert both(make, make.image(), make.image(), *(make.table("t", 0, axis) for axis in axes)).axes != ()


def test_a_shared_axis_that_no_table_hangs_on_is_compared_too(make: Any) -> None:
    old = make.definition(axes=[make.axis("lone", 20, 2)], name="old")
    new = make.definition(axes=[make.axis("lone", 24, 2)], name="new")
    found = compare(*make.sides([make.image(), make.image(a25=b"\x09")], [old, new]))
    assert [(a.name, a.changed.tolist(), a.tables) for a in found.axes] == [("lone", [False, True], ())]


# --------------------------------------------------------------------------------------- bytes, identity, checksums


def test_a_byte_is_explained_only_by_both_definitions(make: Any) -> None:
    old = make.definition(
        make.table("a", 0), make.table("b", 1), regions=[Region(name="r", start=9, size=2, role="volatile")]
    )
    new = make.definition(
        make.table("a", 0), make.table("c", 2), regions=[Region(name="s", start=10, size=2, role="checksum")]
    )
    found = compare(*make.sides([make.image(), make.image(a0=b"\1\1\1", a9=b"\1\1\1")], [old, new]))
    # 0 is a cell in both; 1 and 2 in one of them; 9 and 11 declared by one; 10 volatile here, checksum there.
    assert found.fates == Fates(cell=1, checksum=1, unexplained=4)


def test_identity_and_checksums_go_by_name(make: Any) -> None:
    def definition(name: str, at: int, order: Any) -> Definition:
        found: Definition = make.definition(
            name=name,
            identity=[IdentityField(name="number", at=at, size=2, kind="number", byte_order=order)],
            checksums=[make.checksum("sum", at + 8, (at + 2, at + 4), order=order)],
        )
        return found

    old, new = definition("old", 0, "big"), definition("new", 20, "little")
    # CRC-16/ARC of two zero bytes is 0 (its start and final xor are), of b"\0\1" 0xC0C1 (table entry of 1, from memory)
    before = make.image(a0=b"\x01\x02")
    same = compare(*make.sides([before, make.image(a20=b"\x02\x01")], [old, new]))
    assert (same.identity, same.checksums) == ((), ())
    other = compare(*make.sides([before, make.image(a20=b"\x03\x01\x00\x01", a28=b"\xc1\xc0")], [old, new]))
    assert [(f.field.name, f.before, f.after) for f in other.identity] == [("number", "258", "259")]
    (found,) = other.checksums
    assert (found.name, found.content, found.stored) == ("sum", True, True)
    assert (found.before.status, found.after.status, found.after.reckoned) == ("valid", "valid", 0xC0C1)


def test_what_one_image_does_not_hold_is_said_not_raised(make: Any) -> None:
    old, new = make.definition(make.table("t", 0)), make.definition(make.table("t", 500), make.table("u", 600))
    found = compare(*make.sides([make.image(), make.image()], [old, new]))
    states = [(t.name, t.state, t.reason) for t in found.tables]
    assert states == [("t", "removed", "the second image holds no byte of it"), ("u", "added", "")]
