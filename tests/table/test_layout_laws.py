"""Laws over random layouts: every type, byte order, stride, mask, order and record, against struct and plain loops.

The oracles share no code with the package: ``struct`` reads the words, Python integers cut and sign the fields.
"""

from __future__ import annotations

import itertools
import struct
from typing import Any

import attrs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.definition import Definition
from caldiff.definition.model import (
    TYPES,
    Axis,
    Cells,
    ElementType,
    FixedAxis,
    Frame,
    Record,
    StoredAxis,
    StoredCount,
    TableSpec,
)
from caldiff.errors import TableError
from caldiff.image.model import Image
from caldiff.table.coverage import cover
from caldiff.table.decode import decode
from caldiff.table.encode import write_axis, write_table
from caldiff.table.model import Table

START = 0x8000
SIZE = 2048
FORMATS = {
    f"{k}{8 * n}": c for k, cs in {"u": "BHIQ", "i": "bhiq"}.items() for n, c in zip((1, 2, 4, 8), cs, strict=True)
}
FORMATS |= {"f16": "e", "f32": "f", "f64": "d"}
KINDS = ["value", "curve", "map", "cuboid"]


@attrs.frozen(kw_only=True)
class Case:
    spec: TableSpec
    image: Image

    @property
    def definition(self) -> Definition:
        frame = Frame(start=START, size=SIZE, byte_order="big")
        return Definition.of(name="case", frame=frame, tables=[self.spec])


def word(image: Image, at: int, type_: str, byte_order: str) -> Any:
    """One stored number, by struct."""
    code = (">" if byte_order == "big" else "<") + FORMATS[type_]
    return struct.unpack(code, image.read(at, struct.calcsize(code)))[0]


def field(image: Image, at: int, cells: Cells) -> Any:
    """One raw value, cut out of its word by hand."""
    if cells.mask is None:
        return word(image, at, cells.type.name, cells.byte_order)
    bits = [b for b in range(64) if cells.mask >> b & 1]
    whole = word(image, at, f"u{8 * cells.type.size}", cells.byte_order)
    value = sum(1 << (b - bits[0]) for b in bits if whole >> b & 1)
    negative = cells.type.kind == "i" and whole >> bits[-1] & 1
    return value - (1 << (bits[-1] - bits[0] + 1)) if negative else value


def places(cells: Cells) -> dict[tuple[int, ...], int]:
    """Every cell's address by index."""
    return {
        index: cells.at + sum(i * s for i, s in zip(index, cells.strides, strict=True))
        for index in itertools.product(*map(range, cells.shape))
    }


@st.composite
def layouts(draw: st.DrawFn, *, kinds: str = "uif") -> Cells:
    """Cells anywhere in the image: dimensions nested in any order, with pitches above packed and of either sign."""
    type_ = draw(st.sampled_from([t for t in TYPES.values() if t.kind in kinds]))
    shape = tuple(draw(st.lists(st.integers(1, 4), max_size=3)))
    strides = [0] * len(shape)
    pitch = type_.size
    for dimension in draw(st.permutations(range(len(shape)))):
        pitch += draw(st.sampled_from([0, 0, 1, type_.size]))
        strides[dimension] = pitch * draw(st.sampled_from([1, 1, -1]))
        pitch *= shape[dimension]
    back = -sum((n - 1) * s for n, s in zip(shape, strides, strict=True) if s < 0)
    mask = draw(st.none() | st.integers(1, (1 << 8 * type_.size) - 1)) if type_.kind != "f" else None
    return Cells(
        at=START + back + draw(st.integers(0, 64)),
        type=type_,
        byte_order=draw(st.sampled_from(["big", "little"])),
        shape=shape,
        strides=tuple(strides),
        mask=mask,
    )


def fixed(n: int, letter: str) -> FixedAxis:
    return FixedAxis(name=f"t.{letter}", points=tuple(range(n)))


@st.composite
def cases(draw: st.DrawFn, *, kinds: str = "uif") -> Case:
    cells = draw(layouts(kinds=kinds))
    axes = tuple(fixed(n, letter) for n, letter in zip(cells.shape, "zyx"[3 - len(cells.shape) :], strict=True))
    spec = TableSpec(name="t", kind=KINDS[len(axes)], cells=cells, axes=axes)
    return Case(spec=spec, image=draw(images()))


@st.composite
def images(draw: st.DrawFn) -> Image:
    """Random bytes, from a seed: what they are matters less than that all of them differ."""
    return Image.of(np.random.default_rng(draw(st.integers(0, 2**32))).bytes(SIZE), start=START)


def same(got: Any, expected: Any) -> bool:
    return bool(got == expected) or (got != got and expected != expected)  # noqa: PLR0124 - NaN is the one that differs


@given(cases())
def test_raw_values_are_those_that_struct_reads(case: Case) -> None:
    table = decode(case.image, case.definition, "t")
    assert table.raw.shape == case.spec.cells.shape
    for index, at in places(case.spec.cells).items():
        assert table.addresses[index] == at
        assert same(table.raw[index].item(), field(case.image, at, case.spec.cells))


@given(cases())
def test_unmasked_values_are_a_view_of_the_image(case: Case) -> None:
    table = decode(case.image, case.definition, "t")
    assert not table.raw.flags.writeable
    assert not table.physical.flags.writeable
    if case.spec.cells.mask is None:
        whole = np.frombuffer(case.image.segments[0].data, dtype=np.uint8)
        assert np.shares_memory(table.raw, whole)


@given(cases())
def test_cover_is_the_bits_of_the_cells(case: Case) -> None:
    cells = case.spec.cells
    expected = np.zeros(SIZE, dtype=np.uint8)
    bits = (1 << 8 * cells.type.size) - 1 if cells.mask is None else cells.mask
    for at in places(cells).values():
        for offset, mask in enumerate(bits.to_bytes(cells.type.size, cells.byte_order)):
            expected[at - START + offset] |= mask
    table = decode(case.image, case.definition, "t")
    assert (cover(table, START, START + SIZE) == expected).all()
    middle = cells.at + 1
    assert (cover(table, middle, middle + 9) == expected[middle - START : middle - START + 9]).all()
    assert (cover(table, START - 7, START + 5) == [*[0] * 7, *expected[:5]]).all()


def changed_outside(before: Image, after: Image, table: Table) -> bool:
    """Whether a bit differs that no cell of the table owns."""
    one, two = (np.frombuffer(i.segments[0].data, dtype=np.uint8) for i in (before, after))
    return bool(((one ^ two) & ~cover(table, START, START + SIZE)).any())


@given(cases())
def test_writing_back_what_was_read_changes_nothing(case: Case) -> None:
    table = decode(case.image, case.definition, "t")
    assert write_table(case.image, case.definition, "t", raw=table.raw) == case.image
    assert write_table(case.image, case.definition, "t", physical=table.physical) == case.image


def held(cells: Cells, number: int) -> int:
    """A raw integer that the cell can hold, made of the bits of a random one."""
    bits = (1 << 8 * cells.type.size) - 1 if cells.mask is None else cells.mask
    low = (bits & -bits).bit_length() - 1
    value = (number << low & bits) >> low
    top = bits.bit_length() - 1 - low
    return value - (2 << top) if cells.type.kind == "i" and value >> top & 1 else value


@given(cases(kinds="ui"), st.integers(0, 2**32))
def test_raw_values_written_are_read_and_no_other_bit_moves(case: Case, seed: int) -> None:
    cells = case.spec.cells
    draw = np.random.default_rng(seed)
    wanted = np.empty(cells.shape, dtype=object)
    for index in places(cells):
        wanted[index] = held(cells, int.from_bytes(draw.bytes(8), "big"))
    after = write_table(case.image, case.definition, "t", raw=wanted)
    table = decode(after, case.definition, "t")
    assert (table.raw.astype(object) == wanted).all()
    assert not changed_outside(case.image, after, table)


@given(cases(kinds="f"), images())
def test_float_bits_written_are_read(case: Case, other: Image) -> None:
    wanted = decode(other, case.definition, "t")
    after = write_table(case.image, case.definition, "t", raw=wanted.raw)
    table = decode(after, case.definition, "t")
    assert table.raw.tobytes() == wanted.raw.tobytes()
    assert not changed_outside(case.image, after, table)


@given(cases(), st.data())
def test_a_missing_byte_is_an_error_only_where_a_cell_needs_it(case: Case, data: st.DataObject) -> None:
    hole = data.draw(st.integers(START, START + 200))
    holed = Image(segments=(*case.image[START:hole], *case.image[hole + 1 : START + SIZE]))
    size = case.spec.cells.type.size
    if any(at <= hole < at + size for at in places(case.spec.cells).values()):
        with pytest.raises(TableError, match="'t'") as caught:
            decode(holed, case.definition, "t")
        assert caught.value.address == hole
    else:
        whole, part = (decode(i, case.definition, "t") for i in (case.image, holed))
        assert part.raw.tobytes() == whole.raw.tobytes()
        assert not part.raw.flags.writeable


# ------------------------------------------------------------------------------------------------------------ records


@attrs.frozen(kw_only=True)
class Stored:
    """A record laid out by hand."""

    case: Case
    counts: dict[str, int]
    axes: dict[str, list[int]]
    values: list[int]


def packed(type_: ElementType, order: str, numbers: list[int]) -> bytes:
    return b"".join(struct.pack((">" if order == "big" else "<") + FORMATS[type_.name], n) for n in numbers)


@st.composite
def records(draw: st.DrawFn) -> Stored:
    """A curve or a map with own axes in a record of stored room, and the bytes that a controller would hold."""
    letters = draw(st.sampled_from(["x", "yx"]))
    order = draw(st.sampled_from(["big", "little"]))
    align = draw(st.sampled_from([1, 2, 4]))
    room = {a: draw(st.integers(1, 5)) for a in letters}
    counts = {a: draw(st.integers(0, room[a])) for a in letters}
    types = {a: TYPES[draw(st.sampled_from(["u8", "i16", "u32"]))] for a in [*letters, "values"]}
    column = draw(st.booleans())
    parts = [*(f"{a}.count" for a in draw(st.permutations(letters))), *draw(st.permutations([*letters, "values"]))]
    numbers = {a: draw(st.lists(st.integers(0, 100), min_size=counts[a], max_size=counts[a])) for a in letters}
    cells = int(np.prod([counts[a] for a in letters]))
    numbers["values"] = draw(st.lists(st.integers(0, 100), min_size=cells, max_size=cells))
    data = b""
    for part in parts:
        data += b"\xff" * (-len(data) % align)
        if part.endswith(".count"):
            data += bytes([counts[part[0]]])
        else:
            data += packed(types[part], order, numbers[part])
    spec = full_room(letters, room, types, parts, align, order, column=column)
    image = Image.of(data.ljust(SIZE, b"\xa5"), start=START)
    case = Case(spec=spec, image=image)
    return Stored(case=case, counts=counts, axes={a: numbers[a] for a in letters}, values=numbers["values"])


def full_room(  # noqa: PLR0913, PLR0917 - what a record is made of
    letters: str,
    room: dict[str, int],
    types: dict[str, ElementType],
    parts: list[str],
    align: int,
    order: Any,
    *,
    column: bool,
) -> TableSpec:
    """What a definition says of such a record: every part where full room puts it."""
    at: dict[str, int] = {}
    cursor = START
    for part in parts:
        cursor += (START - cursor) % align
        at[part] = cursor
        size = types[part].size if part in types else 1
        cursor += size * (int(np.prod([room[a] for a in letters])) if part == "values" else room.get(part, 1))
    axes: tuple[Axis, ...] = tuple(
        StoredAxis(
            name=f"t.{a}",
            cells=Cells(at=at[a], type=types[a], byte_order=order, shape=(room[a],), strides=(types[a].size,)),
            count=StoredCount(at=at[f"{a}.count"], type=TYPES["u8"], byte_order=order),
        )
        for a in letters
    )
    shape = tuple(room[a] for a in letters)
    size = types["values"].size
    strides: tuple[int, ...] = (size,)
    if len(shape) == 2:
        strides = (size, shape[0] * size) if column else (shape[1] * size, size)
    return TableSpec(
        name="t",
        kind=KINDS[len(letters)],
        cells=Cells(at=at["values"], type=types["values"], byte_order=order, shape=shape, strides=strides),
        axes=axes,
        record=Record(at=START, parts=tuple(parts), align=align),
    )


@given(records())
def test_a_record_is_followed_by_its_counts(stored: Stored) -> None:
    case = stored.case
    table = decode(case.image, case.definition, "t")
    shape = tuple(stored.counts[a] for a in stored.axes)
    assert table.raw.shape == shape
    for axis, (letter, expected) in zip(table.axes, stored.axes.items(), strict=True):
        assert axis.count == stored.counts[letter]
        assert axis.raw is not None
        assert axis.raw.tolist() == expected
    fastest_first = sorted(range(len(shape)), key=lambda d: table.strides[d])
    assert table.raw.transpose(fastest_first[::-1]).ravel().tolist() == stored.values
    column = len(shape) == 2 and case.spec.cells.strides[0] < case.spec.cells.strides[1]
    if shape != (1,) * len(shape) and min(shape) > 1:
        assert (fastest_first[0] == 0) == (column or len(shape) == 1)


@given(records(), st.integers(0, 2**32))
def test_a_record_is_written_within_itself(stored: Stored, seed: int) -> None:
    case = stored.case
    table = decode(case.image, case.definition, "t")
    wanted = np.random.default_rng(seed).integers(0, 100, table.raw.shape)
    after = write_table(case.image, case.definition, "t", raw=wanted)
    assert decode(after, case.definition, "t").raw.tolist() == wanted.tolist()
    assert not changed_outside(case.image, after, table)
    for letter, numbers in stored.axes.items():
        other = write_axis(after, case.definition, f"t.{letter}", raw=[100 - n for n in numbers])
        axis = next(a for a in decode(other, case.definition, "t").axes if a.name == f"t.{letter}")
        assert axis.raw is not None
        assert axis.raw.tolist() == [100 - n for n in numbers]
        assert decode(other, case.definition, "t").raw.tolist() == wanted.tolist()


@given(records(), st.binary(max_size=8), st.integers(0, 40))
def test_a_record_of_any_bytes_is_read_or_refused(stored: Stored, junk: bytes, size: int) -> None:
    case = stored.case
    image = Image.of(junk + case.image.read(START, SIZE)[len(junk) : size] or b"\x00", start=START)
    try:
        table = decode(image, case.definition, "t")
    except TableError as error:
        assert error.address is not None  # noqa: PT017 - either answer is right, and each is held to its own
    else:
        assert all(n <= room for n, room in zip(table.raw.shape, case.spec.cells.shape, strict=True))
        assert write_table(image, case.definition, "t", raw=table.raw) == image
