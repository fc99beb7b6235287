"""Random definitions over random images, against an oracle that goes byte by byte and cell by cell.

The oracle shares nothing with the package but the frozen model: it reads words with ``int.from_bytes`` and keeps sets.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import attrs
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.crc import catalogue
from caldiff.definition.checksums import Checksum, Coverage, Span, StoredField
from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Axis,
    Cells,
    Frame,
    IdentityField,
    Region,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.diff.compare import compare
from caldiff.diff.model import Comparison
from caldiff.image.model import Image, Segment
from caldiff.table.calibration import Calibration

SIZE = 160
NAMES = "abcdef"

# ------------------------------------------------------------------------------------------------- what is generated


@st.composite
def cells(draw: st.DrawFn, shape: tuple[int, ...]) -> Cells:
    element = TYPES[draw(st.sampled_from(["u8", "u16", "i16", "u32", "f32", "u8", "u8"]))]
    strides = tuple(draw(st.sampled_from([element.size, -element.size, element.size + 1, 6, 12])) for _ in shape)
    mask = None
    if element.kind != "f" and draw(st.booleans()):
        mask = draw(st.integers(1, (1 << 8 * element.size) - 1))
    made = Cells(at=0, type=element, byte_order=draw(st.sampled_from(["big", "little"])), shape=shape)
    made = attrs.evolve(made, strides=strides, mask=mask)
    low, stop = made.hull
    return attrs.evolve(made, at=draw(st.integers(-low, max(-low, SIZE - (stop - low)))))


@st.composite
def axes(draw: st.DrawFn, name: str) -> StoredAxis:
    count = None
    if draw(st.booleans()):
        count = StoredCount(at=draw(st.integers(0, SIZE - 1)), type=TYPES["u8"], byte_order="big")
    return StoredAxis(name=name, cells=draw(cells((draw(st.integers(1, 5)),))), count=count, shared=True)


@st.composite
def definitions(draw: st.DrawFn) -> Definition:
    shared = [draw(axes(f"axis_{n}")) for n in range(draw(st.integers(0, 2)))]
    tables = []
    for name in NAMES[: draw(st.integers(0, 6))]:
        hung: tuple[Axis, ...] = ()
        if shared and draw(st.booleans()):
            hung = tuple(draw(st.sampled_from(shared)) for _ in range(draw(st.integers(1, 2))))
        elif draw(st.booleans()):
            hung = (attrs.evolve(draw(axes(f"{name}.x")), shared=False),)
        shape = tuple(a.cells.shape[0] for a in hung if isinstance(a, StoredAxis))
        kind: Any = ("value", "curve", "map")[len(hung)]
        tables.append(TableSpec(name=name, kind=kind, cells=draw(cells(shape)), axes=hung))
    spans = st.tuples(st.integers(0, SIZE - 1), st.integers(1, 40))
    roles: Any = st.sampled_from(["code", "calibration", "volatile", "identity", "checksum"])
    return Definition.of(
        name="random",
        frame=Frame(start=0, size=SIZE, byte_order="big"),
        axes=shared,
        tables=tables,
        regions=[
            Region(name=f"region_{n}", start=at, size=size, role=draw(roles))
            for n, (at, size) in enumerate(draw(st.lists(spans, max_size=4)))
        ],
        identity=[
            IdentityField(name=f"field_{n}", at=at, size=size, kind="text", byte_order="big")
            for n, (at, size) in enumerate(draw(st.lists(spans, max_size=2)))
        ],
        checksums=[
            Checksum(
                name=f"sum_{n}",
                method=catalogue()["CRC-16/ARC"],
                coverage=Coverage(spans=(Span(start=SIZE, stop=SIZE + 1),)),
                fields=(StoredField(at=at, size=2, byte_order="big"),),
            )
            for n, (at, _) in enumerate(draw(st.lists(spans, max_size=2)))
        ],
    )


@st.composite
def images(draw: st.DrawFn) -> tuple[Image, Image]:
    data = bytearray(draw(st.binary(min_size=SIZE, max_size=SIZE)))
    for at in draw(st.lists(st.integers(0, SIZE - 1), max_size=40)):
        data[at] = draw(st.integers(0, 6))  # so that stored counts are often within the room
    other = bytearray(data)
    for at in draw(st.lists(st.integers(0, SIZE - 1), max_size=25)):
        other[at] ^= draw(st.integers(0, 255))
    holes = st.lists(st.tuples(st.integers(0, SIZE), st.integers(0, 30)), max_size=2)
    common = draw(holes) if draw(st.booleans()) else []
    first = common + (draw(holes) if draw(st.booleans()) else [])
    second = common + (draw(holes) if draw(st.booleans()) else [])
    return with_holes(bytes(data), first), with_holes(bytes(other), second)


def with_holes(data: bytes, holes: list[tuple[int, int]]) -> Image:
    gone = {a for at, size in holes for a in range(at, at + size)}
    return Image(segments=tuple(Segment(start=a, data=data[a : a + 1]) for a in range(len(data)) if a not in gone))


# ------------------------------------------------------------------------------------------------------- the oracle

Bits = dict[int, int]
"""bits by address"""


@attrs.define
class Read:
    """A thing as the oracle reads it: its values by index, its bits, or nothing and whether any byte was there."""

    values: dict[tuple[int, ...], int] | None
    bits: Bits
    absent: bool = False


def held(image: Image) -> dict[int, int]:
    return {s.start + n: byte for s in image.segments for n, byte in enumerate(s.data)}


def read_cells(memory: dict[int, int], spec: Cells, used: tuple[int, ...]) -> Read:
    values, bits = {}, {}
    size = spec.type.size
    whole = (1 << 8 * size) - 1
    mask = whole if spec.mask is None else spec.mask
    order = range(size) if spec.byte_order == "little" else range(size - 1, -1, -1)
    for index in product(*(range(n) for n in used)):
        at = spec.at + sum(i * s for i, s in zip(index, spec.strides, strict=True))
        if any(at + n not in memory for n in range(size)):
            return Read(None, {})
        word = sum(memory[at + n] << 8 * power for power, n in enumerate(order))
        values[index] = word & mask
        for power, n in enumerate(order):
            bits[at + n] = bits.get(at + n, 0) | (mask >> 8 * power) & 0xFF
    return Read(values, bits)


def any_byte(memory: dict[int, int], spec: Cells) -> bool:
    for index in product(*(range(n) for n in spec.shape)):
        at = spec.at + sum(i * s for i, s in zip(index, spec.strides, strict=True))
        if any(at + n in memory for n in range(spec.type.size)):
            return True
    return False


def read_axis(memory: dict[int, int], axis: StoredAxis) -> Read:
    used = axis.cells.shape[0]
    bits: Bits = {}
    if axis.count is not None:
        if axis.count.at not in memory:
            return Read(None, {}, absent=not any_byte(memory, axis.cells))
        used = min(memory[axis.count.at], used)
        bits[axis.count.at] = 0xFF
    found = read_cells(memory, axis.cells, (used,))
    if found.values is None:
        return Read(None, {}, absent=not any_byte(memory, axis.cells))
    return Read(found.values, merged(bits, found.bits))


def read_table(memory: dict[int, int], spec: TableSpec) -> Read:
    own: Bits = {}
    used = []
    for axis in spec.axes:
        assert isinstance(axis, StoredAxis)
        found = read_axis(memory, axis)
        if found.values is None:
            return Read(None, {}, absent=not any_byte(memory, spec.cells))
        used.append(len(found.values))
        if not axis.shared:
            own = merged(own, found.bits)
    found = read_cells(memory, spec.cells, tuple(used))
    if found.values is None:
        return Read(None, {}, absent=not any_byte(memory, spec.cells))
    return Read(found.values, merged(own, found.bits))


def merged(one: Bits, other: Bits) -> Bits:
    return {a: one.get(a, 0) | other.get(a, 0) for a in {*one, *other}}


def both(first: Read, second: Read) -> Bits:
    """What may explain bytes: decoded on both sides, or on one where the other has no byte of it."""
    troubled = any(r.values is None and not r.absent for r in (first, second))
    return {} if troubled else merged(first.bits, second.bits)


def differing(before: dict[int, int], after: dict[int, int]) -> Bits:
    found = {}
    for a in {*before, *after}:
        bits = before[a] ^ after[a] if a in before and a in after else 0xFF
        if bits:
            found[a] = bits
    return found


def expected_fates(definition: Definition, before: dict[int, int], after: dict[int, int]) -> dict[int, str]:
    owned: Bits = {}
    for axis in definition.axes.values():
        assert isinstance(axis, StoredAxis)
        owned = merged(owned, both(read_axis(before, axis), read_axis(after, axis)))
    for spec in definition.tables.values():
        owned = merged(owned, both(read_table(before, spec), read_table(after, spec)))

    def within(address: int, role: str) -> bool:
        return any(r.role == role and r.start <= address < r.start + r.size for r in definition.regions)

    fates = {}
    for a, bits in differing(before, after).items():
        if bits & ~owned.get(a, 0) == 0:
            fates[a] = "cell"
        elif within(a, "checksum") or any(
            c.fields[0].at <= a < c.fields[0].at + 2 for c in definition.checksums.values()
        ):
            fates[a] = "checksum"
        elif within(a, "identity") or any(f.at <= a < f.at + f.size for f in definition.identity.values()):
            fates[a] = "identity"
        else:
            fates[a] = "volatile" if within(a, "volatile") else "unexplained"
    return fates


def sides(pair: tuple[Image, Image], definition: Definition | None) -> tuple[Calibration, Calibration]:
    before, after = pair
    return (
        Calibration(label="first", image=before, definition=definition),
        Calibration(label="second", image=after, definition=definition),
    )


# --------------------------------------------------------------------------------------------------------- the laws


@settings(max_examples=120)
@given(definitions(), images())
def test_every_differing_byte_meets_the_fate_that_the_oracle_says(
    definition: Definition, pair: tuple[Image, Image]
) -> None:
    before, after = held(pair[0]), held(pair[1])
    found = compare(*sides(pair, definition))
    fates = expected_fates(definition, before, after)
    counted = {f: list(fates.values()).count(f) for f in attrs.asdict(found.fates)}
    assert attrs.asdict(found.fates) == counted
    assert found.fates.total == len(fates) == sum(e.size for e in found.extents)
    assert addresses(found.extents) == sorted(fates)
    assert addresses(found.unexplained) == sorted(a for a, fate in fates.items() if fate == "unexplained")
    assert found.identical is (not fates)
    for extent in found.extents:
        for a in range(extent.start, extent.stop):
            region = definition.region_at(a)
            assert (extent.region, extent.role) == ((region.name, region.role) if region else ("", None))
            assert extent.presence == presence(a in before, a in after)


def presence(before: bool, after: bool) -> str:
    return {(True, True): "both", (True, False): "before", (False, True): "after"}[before, after]


def addresses(extents: Any) -> list[int]:
    return [a for e in extents for a in range(e.start, e.stop)]


@settings(max_examples=120)
@given(definitions(), images())
def test_every_table_is_in_the_state_that_the_oracle_says(definition: Definition, pair: tuple[Image, Image]) -> None:
    before, after = held(pair[0]), held(pair[1])
    found = {t.name: t for t in compare(*sides(pair, definition)).tables}
    bytes_differ = set(differing(before, after))
    for name, spec in definition.tables.items():
        first, second = read_table(before, spec), read_table(after, spec)
        moved = [
            axis.name
            for axis in spec.axes
            if isinstance(axis, StoredAxis) and read_axis(before, axis).values != read_axis(after, axis).values
        ]
        if first.values is None or second.values is None:
            states = {"added", "removed", "unreadable", None}
            if (first.absent or first.values is not None) and (second.absent or second.values is not None):
                one_sided = first.values is not None or second.values is not None
                states = {"added" if first.values is None else "removed"} if one_sided else {None}
        elif set(first.values) != set(second.values):
            states = {"resized"}
        elif first.values != second.values:
            states = {"changed"}
            cells_changed = {i for i in first.values if first.values[i] != second.values[i]}
            changed = found[name].changed
            assert changed is not None
            assert {tuple(i) for i in np.argwhere(changed).tolist()} == cells_changed
        else:
            states = {"axis"} if moved else {None}
        state = found[name].state if name in found else None
        assert state in states
        if state in {"changed", "axis", "resized"}:
            assert list(found[name].moved) == moved
        assert state is None or bytes_differ


@given(definitions(), images())
def test_an_image_does_not_differ_from_itself(definition: Definition, pair: tuple[Image, Image]) -> None:
    found = compare(*sides((pair[0], pair[0]), definition))
    assert found.identical
    assert found.fates.total == 0
    assert (found.tables, found.axes, found.identity, found.checksums) == ((), (), (), ())
    assert (len(found.extents), len(found.unexplained)) == (0, 0)


@given(definitions(), images())
def test_the_other_way_round_says_the_same_of_the_other_side(definition: Definition, pair: tuple[Image, Image]) -> None:
    there = compare(*sides(pair, definition))
    back = compare(*sides((pair[1], pair[0]), definition))
    assert there.fates == back.fates
    assert addresses(there.unexplained) == addresses(back.unexplained)
    opposite = {"added": "removed", "removed": "added"}
    assert [(opposite.get(t.state, t.state), t.name, t.cells, t.moved, t.window) for t in there.tables] == [
        (t.state, t.name, t.cells, t.moved, t.window) for t in back.tables
    ]
    assert [(a.name, a.changed.tolist(), a.tables) for a in there.axes] == [
        (a.name, a.changed.tolist(), a.tables) for a in back.axes
    ]
    for ours, theirs in zip(there.tables, back.tables, strict=True):
        if ours.statistics is None or theirs.statistics is None:
            assert ours.statistics is theirs.statistics is None
            continue
        assert ours.statistics.raised == theirs.statistics.lowered
        assert ours.statistics.least == -theirs.statistics.greatest
    surfaces(there, back)


def surfaces(there: Comparison, back: Comparison) -> None:
    for ours, theirs in zip(there.tables, back.tables, strict=True):
        if ours.surface is None or theirs.surface is None:
            assert ours.surface is theirs.surface is None
            continue
        assert ours.surface.before.tolist() == theirs.surface.after.tolist()
        assert (ours.surface.changed, ours.surface.largest) == (theirs.surface.changed, theirs.surface.largest)


@given(images())
def test_without_a_definition_all_is_unexplained(pair: tuple[Image, Image]) -> None:
    found = compare(*sides(pair, None))
    count = len(differing(held(pair[0]), held(pair[1])))
    assert found.fates.unexplained == found.fates.total == count
    assert addresses(found.unexplained) == addresses(found.extents)
    assert any("no definition fits" in note for note in found.notes)


@given(definitions(), definitions(), images())
def test_across_definitions_a_byte_is_explained_only_by_both(
    old: Definition, new: Definition, pair: tuple[Image, Image]
) -> None:
    before, after = held(pair[0]), held(pair[1])
    ours, theirs = sides(pair, old)[0], sides(pair, new)[1]
    found = compare(ours, theirs)
    if not found.across:
        return
    by_old = single_fates(old, before, differing(before, after))
    by_new = single_fates(new, after, differing(before, after))
    order = ["cell", "checksum", "identity", "volatile"]
    counted = dict.fromkeys([*order, "unexplained"], 0)
    for a in by_old:
        fates = {by_old[a], by_new[a]}
        counted["unexplained" if "unexplained" in fates else min(fates, key=order.index)] += 1
    assert attrs.asdict(found.fates) == counted


def single_fates(definition: Definition, memory: dict[int, int], bits: Bits) -> dict[int, str]:
    """The fates that one definition gives in its own image: what differs is laid over the memory as it is."""
    owned: Bits = {}
    for axis in definition.axes.values():
        assert isinstance(axis, StoredAxis)
        owned = merged(owned, read_axis(memory, axis).bits)
    for spec in definition.tables.values():
        owned = merged(owned, read_table(memory, spec).bits)
    bare = attrs.evolve(definition, tables={}, axes={})
    flipped = {a: memory.get(a, 0) ^ b for a, b in bits.items()}
    declared = expected_fates(bare, {a: memory.get(a, 0) for a in bits}, flipped)
    return {a: "cell" if b & ~owned.get(a, 0) == 0 else declared[a] for a, b in bits.items()}


@settings(max_examples=30)
@given(definitions(), images())
def test_no_pair_gives_an_error_or_a_number_that_is_none(definition: Definition, pair: tuple[Image, Image]) -> None:
    for table in compare(*sides(pair, definition)).tables:
        if table.statistics is not None:
            numbers = [v for v in attrs.astuple(table.statistics) if v is not None]
            assert all(np.isfinite(numbers))
        if table.surface is not None:
            assert np.isfinite([table.surface.largest, table.surface.tolerance, *table.surface.at]).all()
