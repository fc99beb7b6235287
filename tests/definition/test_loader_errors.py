"""Everything wrong is found in one run, each with its place, what was expected, what stood there, and what to do."""

# ruff: noqa: E501 - a message is read best in one line

from __future__ import annotations

from pathlib import Path

import pytest

from caldiff.definition.loader import load_normal, normal_from_text
from caldiff.errors import CaldiffError, DefinitionError, FileError

HEAD = "definition: 1\nname: d\nimage: {start: 0, size: 1 MiB, byte_order: big}\n"
PARTS = """\
scalings:
  half: {factor: 1/2}
  mode: {names: {0: off}}
  wide: {bits: {high: 9}}
axes:
  speed: {at: 0x10, type: u16, count: 4}
tables:
"""


def problems(text: str) -> tuple[CaldiffError, ...]:
    with pytest.raises(DefinitionError) as caught:
        normal_from_text(text)
    return caught.value.problems


# one line of YAML below HEAD; the column; the message
KEYS = [
    ("tabels: {}", 1, "tabels: a definition has no such key"),
    ("fits: [{at: 010, text: a}]", 13, 'fits[1].at: the value cannot be read (expected an address, got "010")'),
    ("fits: [{at: 5}]", 8, "fits[1]: a condition has text or bytes, one of them (got none)"),
    ("fits: [{at: 5, bytes: 48 1}]", 23, 'fits[1].bytes: this is no pattern (expected pairs of digits or ?, such as "48 1F ?? 0?", got "48 1")'),
    ("fits: [{at: 5, text: 16}]", 22, "fits[1].text: the value is of the wrong type (expected text, got 16)"),
    ("identity: {v: {at: 1, text: 4, bcd: 2}}", 15, "identity.v: an identity field is one of text, number and bcd (got text, bcd)"),
    ("identity: {v: {text: 4}}", 15, "identity.v: an identity field needs the key at (expected an address)"),
    ("regions: [{name: r, at: 0, size: 1 GiB, role: code}]", 34, 'regions[1].size: the value cannot be read (expected a size in bytes, such as 4096, 0x1000 or 4 KiB, got "1 GiB")'),
    ("regions: [{name: r, at: 0, size: 4, role: data}]", 43, 'regions[1].role: this word is not known here (expected one of code, calibration, volatile, identity, checksum, got "data")'),
    ("regions: [{at: 0, size: 4, role: code}]", 11, "regions[1]: a region needs the key name (expected a name)"),
    ("scalings: {a: {factor: 0}}", 24, "scalings.a.factor: a factor of 0 makes all values one (expected a factor other than 0)"),
    ("scalings: {a: {factor: 1/0}}", 24, 'scalings.a.factor: the value cannot be read (expected a number, such as 12, 0.25 or 1/4, got "1/0")'),
    ("scalings: {a: {unit: 1}}", 22, "scalings.a.unit: the value is of the wrong type (expected a unit, got 1)"),
    ("scalings: {a: {factor: 2, names: {0: x}}}", 34, "scalings.a.names: a scaling is of one kind (expected factor and offset, or one of rational, lookup, names, bits, got factor, names)"),
    ("scalings: {a: {limits: [5, 1]}}", 24, "scalings.a.limits: the limits are the wrong way round (expected [low, high], got [5, 1])"),
    ("scalings: {a: {names: {1: x, 0x1: y}}}", 30, 'scalings.a.names.0x1: the same key twice, spelled in two ways (got "0x1")'),
    ("scalings: {a: {lookup: {points: [[2, 1], [2, 5]], between: hold}}}", 42, "scalings.a.lookup.points[2]: the raw values of a look-up rise (expected above 2, got 2)"),
    ("scalings: {a: {rational: {gives: raw, numerator: [1, 2, 3], denominator: [0, 0, 0]}}}", 74, "scalings.a.rational.denominator: the denominator is 0 everywhere"),
    ("scalings: {2x: {unit: m}}", 12, 'scalings.2x: this is no name (expected a letter or underscore, then letters, digits, _ . - [ ] (at most 255, and not true, false or null), got "2x")'),
    ("axes: {a: {at: 0, type: u16}}", 11, "axes.a: an axis needs the key count (expected a count, or a stored count)"),
    ("axes: {a: {list: [1, 1]}}", 22, "axes.a.list[2]: the breakpoints of an axis rise (expected above 1, got 1)"),
    ("axes: {a: {start: 1, step: 0, count: 2}}", 28, "axes.a.step: the breakpoints of an axis rise (expected a step above 0, got 0)"),
    ("axes: {a: {list: [1], at: 4}}", 27, "axes.a.at: an axis is stored, fixed or listed, and this one is two of them"),
    ("axes: {a: {at: 0, type: u8, count: 2, unit: m}}", 45, "axes.a.unit: a stored axis has no unit of its own"),
    ("axes: {a: {at: 9, type: u8, count: {at: 8, type: u8, most: 300}}}", 60, "axes.a.count.most: u8 cannot hold so large a count (expected at most 255, got 300)"),
    ("checksums: [{name: c, over: [cal], crc: CRC-8/SMBUS, stored: {at: 0, type: u8}}]", 30, "checksums.c.over[1]: there is no region cal"),
    ("remove: {tables: [a]}", 19, "remove.tables[1]: there is no inherited a to remove"),
]  # fmt: skip
# the value of one table below HEAD and PARTS; the column; the message
TABLES = [
    ("{type: u8}", 3, "tables.t: the table is placed nowhere"),
    ("", 3, "tables.t: the value is of the wrong type (expected a table, got nothing)"),
    ("{at: 0}", 6, "tables.t: a table needs the key type (expected a type: u8, u16, u32, u64, i8, i16, i32, i64, f16, f32, f64)"),
    ("{at: 0, type: u17}", 20, 'tables.t.type: this word is not known here (expected a type: u8, u16, u32, u64, i8, i16, i32, i64, f16, f32, f64, got "u17")'),
    ("{at: 0, type: u8, x: sped}", 27, "tables.t.x: there is no axis sped"),
    ("{at: 0, type: u8, scaling: hlaf}", 33, "tables.t.scaling: there is no scaling hlaf"),
    ("{at: 0, type: u8, y: speed}", 6, "tables.t: a table with an axis y needs an axis x"),
    ("{at: 0, type: u8, x: speed, shape: 4}", 41, "tables.t.shape: a block has no axes"),
    ("{at: 0, type: f32, scaling: mode}", 34, "tables.t.scaling: a scaling with names is for integers (got f32)"),
    ("{at: 0, type: u8, scaling: wide}", 33, "tables.t.scaling: the scaling reads bits that the word does not have (expected bits 0 to 7, got 0x200)"),
    ("{at: 0, type: u16, mask: 0xFF, scaling: wide}", 46, "tables.t.scaling: the scaling reads bits that the word does not have (expected bits 0 to 7, got 0x200)"),
    ("{at: 0, type: u8, mask: 0x100}", 30, "tables.t.mask: the mask is wider than u8 (got 0x100)"),
    ("{at: 0, type: f32, mask: 1}", 31, "tables.t.mask: a mask is for integers (got f32)"),
    ("{at: 0, type: u8, x: speed, stride: 0}", 6, "tables.t: the cells lie over one another (expected a stride of 1 bytes or more, got 0)"),
    ("{at: 0, type: u8, x: speed, y: speed, row_stride: 3}", 6, "tables.t: the cells lie over one another (expected a stride of 4 bytes or more, got 3)"),
    ("{at: 0, type: u8, x: speed, row_stride: 3}", 46, "tables.t.row_stride: a table of 1 dimensions has no row_stride"),
    ("{at: 0, type: u8, x: speed, order: column}", 41, "tables.t.order: column order is for tables with rows and columns"),
    ("{at: 2, type: u8, x: speed, stride: -1}", 6, "tables.t: this lies outside the addresses that there are (expected 0 to 0xFFFFFFFFFFFFFFFF, got -0x1 to 0x2)"),
    ("{at: 0xFFFFFFFFFFFFFFFF, type: u16}", 6, "tables.t: this lies outside the addresses that there are (expected 0 to 0xFFFFFFFFFFFFFFFF, got 0xFFFFFFFFFFFFFFFF to 0x10000000000000000)"),
    ("{at: 0, type: u8, shape: [4096, 4097]}", 6, "tables.t: too many cells (expected at most 16777216, got 16781312)"),
    ("{at: 0, text: 5, type: u8}", 29, "tables.t.type: a text has no type"),
    ("{at: 0, type: u8, encoding: ascii}", 34, "tables.t.encoding: encoding belongs to a text"),
    ("{at: 0, type: u8, tags: [b, b]}", 30, "tables.t.tags: b stands here twice"),
    ("{at: 0, type: u8, title: null}", 24, "tables.t.title: nothing is inherited here that null could take away"),
    ("{at: 0, type: u8, room: stored}", 30, "tables.t.room: room is for tables with axes stored inside them, or with a stored count"),
    ("{at: 0, type: u8, x: {type: u8, count: 5}, record: [values]}", 57, "tables.t.record: the record does not list what is stored in it (expected [x, values] in any order, got [values])"),
    ("{at: 0, type: u8, x: {type: u8, count: 5, stride: 2}}", 56, "tables.t.x.stride: what is stored in a record is packed (got stride 2)"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "column", "message"), KEYS)
def test_a_problem_has_its_place_and_its_facts(line: str, column: int, message: str) -> None:
    (problem,) = problems(f"{HEAD}{line}\n")
    assert str(problem) == f"definition.yaml:4:{column}: {message}"


@pytest.mark.parametrize(("table", "column", "message"), TABLES)
def test_a_problem_of_a_table(table: str, column: int, message: str) -> None:
    (problem,) = problems(f"{HEAD}{PARTS}  t: {table}\n")
    assert str(problem) == f"definition.yaml:11:{column}: {message}"


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("  t: {at: 0, typ: u8}", "did you mean type?"),
        ("  t: {at: 0, type: u8, x: sped}", "did you mean speed?"),
        ("  t: {at: 0, type: u8, scaling: hlaf}", "did you mean half?"),
        ("  t: {at: 0, type: u8, order: colum}", "did you mean column?"),
        ("  t: {at: 010, type: u8}", "a leading zero reads as octal to some: write 10, or 0o10 if octal is meant"),
        ("  t: {at: 0, type: u8, title: 5}", "put it in quotes if it is meant as text"),
        ("  t: {type: u8}", "give it an address with at, or take it away with remove"),
    ],
)
def test_a_hint_says_what_to_do(line: str, hint: str) -> None:
    assert problems(f"{HEAD}{PARTS}{line}\n")[0].hint == hint


def test_all_problems_come_in_one_run_in_the_order_of_their_lines() -> None:
    text = HEAD + "".join(f"{line}\n" for line, _, _ in KEYS if line.split(":")[0] in ("tabels", "remove"))
    text += "scalings:\n  a: &x {factor: 0}\n  b: {unit: 1, factr: 2}\naxes:\n  s: {at: 0, type: u8, count: 2, at: 1}\n"
    text += "tables:\n  t: {at: 0, type: u8, x: none, scaling: nor_this}\n  u: {type: u8}\n  v: {at: 0, type: u8, x: s, y: s, scaling: b}\n"
    assert [(p.line, p.reason) for p in problems(text)] == [
        (4, "tabels: a definition has no such key"),
        (5, "remove.tables[1]: there is no inherited a to remove"),
        (7, "anchors are not part of the format"),
        (7, "scalings.a.factor: a factor of 0 makes all values one"),
        (8, "scalings.b.unit: the value is of the wrong type"),
        (8, "scalings.b.factr: a scaling has no such key"),
        (10, "the key at stands here twice"),
        (12, "tables.t.x: there is no axis none"),
        (12, "tables.t.scaling: there is no scaling nor_this"),
        (13, "tables.u: the table is placed nowhere"),
    ]


def test_thousands_of_problems_are_cut_short() -> None:
    found = problems(HEAD + "tables:\n" + "".join(f"  t{n}: {{at: 0, typ: u8}}\n" for n in range(3000)))
    assert len(found) == 1001
    assert found[-1].reason == "and 2000 problems more"


def test_a_definition_needs_its_version_and_its_name() -> None:
    assert [p.reason for p in problems("title: x\n")] == [
        "a definition needs the key definition",
        "a definition needs the key name",
    ]
    (problem,) = problems("definition: 2\nname: d\n")
    assert str(problem) == "definition.yaml:1:13: definition: the format version is not known (expected 1, got 2)"


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="there is no such file"):
        load_normal(tmp_path / "none.yaml")
    with pytest.raises(FileError, match="this is no file"):
        load_normal(tmp_path)
