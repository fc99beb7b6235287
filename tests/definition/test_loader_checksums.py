"""What may be written under ``checksums``, and what is said of mistakes there; the same checksum in Python and YAML."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.crc import Crc, catalogue
from caldiff.definition.catalogue import definition_from_text
from caldiff.definition.checksums import (
    Adler32,
    BlockList,
    Checksum,
    Coverage,
    Fletcher,
    Hash,
    Opaque,
    Span,
    StoredField,
    Sum,
    Xor,
)
from caldiff.definition.definition import Definition
from caldiff.definition.loader import normal_from_text
from caldiff.definition.model import TYPES, Frame, Region, StoredCount
from caldiff.errors import DefinitionError

HEAD = """\
definition: 1
name: d
image: {start: 0, size: 64 KiB, byte_order: little, erased: 0xEE}
regions:
  - {name: cal, at: 0x100, size: 256, role: calibration}
  - {name: prog, at: 0x1000, size: 4 KiB, role: code}
checksums:
"""
CAL = Span(start=0x100, stop=0x200)
FIELD = StoredField(at=0x300, size=4, byte_order="little")
CRC32 = catalogue()["CRC-32/ISO-HDLC"]


def checksum(method: Any = CRC32, *fields: StoredField, constant: int | None = None, **coverage: Any) -> Checksum:
    covers = Coverage(**({"spans": (CAL,)} | coverage))
    return Checksum(name="c", method=method, coverage=covers, fields=fields or (FIELD,), constant=constant)


SPELLED: dict[str, Checksum] = {
    "over: [cal], crc: CRC-32/ISO-HDLC, stored: {at: 0x300, type: u32}": checksum(),
    "over: [cal], crc: CRC-32, stored: {at: 0x300, size: 4}": checksum(),
    "over: [cal], crc: {width: 32, polynomial: 0x04C11DB7, start: 0xFFFFFFFF, reflect_in: true, reflect_out: true, "
    "final_xor: 0xFFFFFFFF}, stored: [{at: 0x300, type: u32}]": checksum(),
    "over: [cal], crc: {width: 7, polynomial: 9}, stored: {at: 0x300, type: u32}": checksum(
        Crc(width=7, polynomial=9, start=0, reflect_in=False, reflect_out=False, final_xor=0)
    ),
    "over: [prog, {at: 5, size: 2 KiB}], skip: [{at: 9, size: 1}, cal], own: erased, xor: {words: u8, start: 1}, "
    "stored: {at: 0x300, type: u32, byte_order: big, inverted: true}": checksum(
        Xor(word=TYPES["u8"], byte_order="big", start=1),
        StoredField(at=0x300, size=4, byte_order="big", inverted=True),
        spans=(Span(start=0x1000, stop=0x2000), Span(start=5, stop=5 + 2048)),
        skip=(Span(start=9, stop=10), CAL),
        own=0xEE,
    ),
    "over: [cal], own: 0, sum: {words: u16}, stored: {at: 0x300, type: u32}": checksum(
        Sum(word=TYPES["u16"], byte_order="little", bits=16), own=0
    ),
    "over: [cal], own: stored, sum: {words: u32, byte_order: big, bits: 64, start: 0xFFFFFFFFFFFFFFFF, "
    "complement: ones}, stored: {at: 0x300, type: u64}": checksum(
        Sum(word=TYPES["u32"], byte_order="big", bits=64, start=2**64 - 1, complement="ones"),
        StoredField(at=0x300, size=8, byte_order="little"),
        own="stored",
    ),
    "over: [{at: 0x2FC, size: 8}], sum: {words: u32}, constant: 0xFFFFFFFF, stored: {at: 0x300, type: u32}": checksum(
        Sum(word=TYPES["u32"], byte_order="little", bits=32), spans=(Span(start=0x2FC, stop=0x304),), constant=2**32 - 1
    ),
    "over: [cal], fletcher: {bits: 32, byte_order: big}, stored: {at: 0x300, type: u32}": checksum(
        Fletcher(bits=32, byte_order="big")
    ),
    "over: [cal], fletcher: {bits: 16}, stored: {at: 0x300, type: u32}": checksum(Fletcher(bits=16, byte_order="big")),
    "over: [cal], digest: adler-32, stored: {at: 0x300, type: u32}": checksum(Adler32()),
    "over: [cal], digest: sha-1, stored: {at: 0x300, size: 20, byte_order: big}": checksum(
        Hash(name="sha-1"), StoredField(at=0x300, size=20, byte_order="big")
    ),
    "over: [cal], opaque: a seal, stored: {at: 0x300, size: 1}": checksum(
        Opaque(what="a seal"), StoredField(at=0x300, size=1, byte_order="big")
    ),
    "blocks: {at: 0x400, type: u32, until: 0}, crc: CRC-32, stored: {at: 0x300, type: u32}": checksum(
        spans=(), blocks=BlockList(at=0x400, type=TYPES["u32"], byte_order="little", terminator=0)
    ),
    "blocks: {at: 0x400, type: u64, byte_order: big, until: 0xFFFFFFFFFFFFFFFF, last: false, most: 3}, crc: CRC-32, "
    "stored: {at: 0x300, type: u32}": checksum(
        spans=(),
        blocks=BlockList(at=0x400, type=TYPES["u64"], byte_order="big", terminator=2**64 - 1, last=False, most=3),
    ),
    "over: [cal], blocks: {at: 0x400, type: u16, count: 3}, crc: CRC-32, stored: {at: 0x300, type: u32}": checksum(
        blocks=BlockList(at=0x400, type=TYPES["u16"], byte_order="little", count=3)
    ),
    "over: [cal], blocks: {at: 0x400, type: u16, count: {at: 9, type: u8}}, crc: CRC-32, "
    "stored: {at: 0x300, type: u32}": checksum(
        blocks=BlockList(
            at=0x400,
            type=TYPES["u16"],
            byte_order="little",
            count=StoredCount(at=9, type=TYPES["u8"], byte_order="big"),
        )
    ),
}


@pytest.mark.parametrize("spelled", SPELLED)
def test_what_is_written_is_what_is_meant(spelled: str) -> None:
    definition = definition_from_text(f"{HEAD}  - {{name: c, {spelled}}}\n")
    assert definition.checksums["c"] == SPELLED[spelled]
    same = Definition.of(
        name="e",
        frame=Frame(start=0, size=65536, byte_order="little", erased=0xEE),
        regions=[
            Region(name="cal", start=0x100, size=256, role="calibration"),
            Region(name="prog", start=0x1000, size=4096, role="code"),
        ],
        checksums=[SPELLED[spelled]],
    )
    assert same == definition


MISTAKES = [
    ("over: [cla], crc: CRC-32, stored: {at: 0, type: u32}", 22, "c.over[1]: there is no region cla"),
    ("over: [cal], skip: [x], crc: CRC-32, stored: {at: 0, type: u32}", 35, "c.skip[1]: there is no region x"),
    ("over: [cal], crc: CRC-33, stored: {at: 0, type: u32}", 33, "c.crc: there is no CRC CRC-33 in the catalogue"),
    ("over: [cal], stored: {at: 0, type: u32}", 5, "c: a checksum is reckoned in one way"),
    ("over: [cal], crc: CRC-32, xor: {words: u8}, stored: {at: 0, type: u32}", 5, "c: a checksum is reckoned in one"),
    ("crc: CRC-32, stored: {at: 0, type: u32}", 5, "c: a checksum covers something"),
    ("over: [cal], crc: CRC-32", 5, "c: a checksum needs the key stored"),
    ("over: [cal], crc: CRC-32, stored: {at: 0}", 49, "c.stored: a stored value has a type or a size, one of them"),
    (
        "over: [cal], crc: CRC-32, stored: [{at: 0, type: u32}, {at: 4, size: 4, type: u32}]",
        70,
        "c.stored[2]: a stored",
    ),
    ("over: [cal], crc: CRC-32, stored: {at: 0, type: u16}", 5, "c: its field at 0x00000000 is too small: 32 bits"),
    (
        "over: [cal], crc: {width: 32, polynomial: 0xEDB88320}, stored: {at: 0, type: u32}",
        5,
        "c: a CRC's polynomial is",
    ),
    ("over: [cal], crc: {width: 32}, stored: {at: 0, type: u32}", 33, "c.crc: a CRC needs the key polynomial"),
    ("over: [cal], sum: {bits: 8}, stored: {at: 0, type: u32}", 33, "c.sum: a sum needs the key words"),
    ("over: [cal], fletcher: {bits: 17}, stored: {at: 0, type: u32}", 45, "c.fletcher.bits: there is no such Fletcher"),
    ("over: [cal], digest: md5, constant: 1, stored: {at: 0, size: 16}", 5, "c: only a sum, an exclusive or and a CRC"),
    ("blocks: {at: 0, type: u32}, crc: CRC-32, stored: {at: 0, type: u32}", 5, "c: a block list has either a count"),
    ("blocks: {at: 0}, crc: CRC-32, stored: {at: 0, type: u32}", 23, "c.blocks: a block list needs the key type"),
    ("over: [cal], crc: CRC-32, stored: {at: 0xFFFFFFFFFFFFFFFE, type: u32}", 49, "c.stored: this lies outside the"),
    ("over: [{at: 0xFFFFFFFFFFFFFFFE, size: 3}], crc: CRC-32, stored: {at: 0, type: u32}", 22, "c.over[1]: this lies"),
    (
        "over: [{at: 1, size: null}], crc: CRC-32, stored: {at: 0, type: u32}",
        30,
        "[1].over[1].size: nothing is inherited",
    ),
    ("over: [cal], crc: CRC-32, stored: [{at: null, type: u32}]", 51, "[1].stored[1].at: nothing is inherited"),
    ("over: [cal], own: 256, crc: CRC-32, stored: {at: 0, type: u32}", 33, "[1].own: the number is out of range"),
    ("over: [cal], own: zero, crc: CRC-32, stored: {at: 0, type: u32}", 33, "[1].own: this word is not known here"),
]


@pytest.mark.parametrize(("spelled", "column", "said"), MISTAKES)
def test_mistakes_are_told_with_their_place(spelled: str, column: int, said: str) -> None:
    with pytest.raises(DefinitionError) as error:
        normal_from_text(f"{HEAD}  - {{name: c, {spelled}}}\n")
    (problem,) = error.value.problems
    assert problem.reason.removeprefix("checksums.").removeprefix("checksums").startswith(said), str(problem)
    assert (problem.line, problem.column) == (8, column)


def test_a_crc_with_a_slip_of_the_pen() -> None:
    with pytest.raises(DefinitionError) as error:
        normal_from_text(f"{HEAD}  - {{name: c, over: [cal], crc: CRC-32/ISO-HDCL, stored: {{at: 0, type: u32}}}}\n")
    assert error.value.hint == "did you mean CRC-32/ISO-HDLC?"


def test_a_circle_is_refused() -> None:
    with pytest.raises(DefinitionError) as error:
        normal_from_text(
            f"{HEAD}  - {{name: a, over: [{{at: 0x304, size: 4}}], crc: CRC-32, stored: {{at: 0x300, type: u32}}}}\n"
            "  - {name: b, over: [{at: 0x300, size: 4}], crc: CRC-32, stored: {at: 0x304, type: u32}}\n"
        )
    assert error.value.reason.startswith("checksums: checksums cover one another in a circle: ")
    assert error.value.hint == "leave the field of one of them out of what the other covers"
    with pytest.raises(DefinitionError, match="in a circle"):
        Definition.of(
            name="d",
            frame=Frame(start=0, size=4096, byte_order="big"),
            checksums=[
                Checksum(
                    name=name,
                    method=CRC32,
                    coverage=Coverage(spans=(Span(start=covers, stop=covers + 4),)),
                    fields=(StoredField(at=at, size=4, byte_order="big"),),
                )
                for name, covers, at in (("a", 0x304, 0x300), ("b", 0x300, 0x304))
            ],
        )


def test_a_family_says_how_and_its_version_where() -> None:
    family = "definition: 1\nname: f\nchecksums:\n  - {name: c, over: [cal], own: erased, crc: CRC-32}\n"
    assert "checksums" not in normal_from_text(family).normal


def test_names_of_regions_have_no_part_in_the_meaning() -> None:
    line = "  - {name: c, over: [cal], crc: CRC-32, stored: {at: 0x300, type: u32}}\n"
    by_name = normal_from_text(HEAD + line).normal["checksums"]
    assert by_name == normal_from_text(HEAD + line.replace("cal", "{at: 0x100, size: 0x100}")).normal["checksums"]


@given(st.data())
def test_an_order_without_meaning_is_none(drawn: st.DataObject) -> None:
    """Of holes; of ranges the order counts."""
    holes = ["{at: 0x110, size: 4}", "{at: 0x120, size: 4}", "{at: 0x130, size: 4}"]
    shuffled = drawn.draw(st.permutations(holes))
    line = "  - {name: c, over: [cal], skip: [HOLES], crc: CRC-32, stored: {at: 0x300, type: u32}}\n"
    one, two = (normal_from_text(HEAD + line.replace("HOLES", ", ".join(h))).normal for h in (holes, shuffled))
    assert one == two


DAMAGED = HEAD + "".join(
    f"  - {{name: c{n}, {spelled.replace('0x300', hex(0x8000 + 64 * n))}}}\n" for n, spelled in enumerate(SPELLED)
)
WORDS = ["0", "-1", "null", "[", "]", "{", "}", ": ", ", ", "stored", "skip", "crc", "u64", "cal", "0xFFFFFFFFFFFFFFFF"]


@given(
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 8), st.sampled_from(WORDS)), min_size=1, max_size=3),
)
@settings(max_examples=200)
def test_a_damaged_checksum(damage: list[tuple[float, int, str]]) -> None:
    """It loads, or it is refused with its problems; what loads can be compiled and read again."""
    text = DAMAGED
    for at, length, word in damage:
        place = len(HEAD) + int(at * (len(text) - len(HEAD)))
        text = text[:place] + word + text[place + length :]
    try:
        definition = definition_from_text(text)
    except DefinitionError:
        return
    assert all(definition.checksums[name].name == name for name in definition.checksums)


def test_the_undamaged_text_loads() -> None:
    assert len(definition_from_text(DAMAGED).checksums) == len(SPELLED)


@pytest.mark.parametrize(
    "part",
    [
        "regions: [{name: r, at: 0xFFFFFFFFFFFFFFF0, size: 8, role: checksum}]",
        "identity: {a: {at: 0x7FFFFFFFFFFFFFFE, number: u32}}",
        "checksums: [{name: c, over: [{at: 0, size: 8}], crc: CRC-32, stored: {at: 0x7FFFFFFFFFFFFFFE, type: u32}}]",
        "checksums: [{name: c, over: [{at: 0xFFFFFFFFFFFFFFF0, size: 8}], crc: CRC-32, stored: {at: 0, type: u32}}]",
    ],
)
def test_addresses_that_no_image_has(part: str) -> None:
    head = "definition: 1\nname: d\nimage: {start: 0, size: 64 KiB, byte_order: little}\n"
    with pytest.raises(DefinitionError, match="reaches an address that no image has"):
        definition_from_text(f"{head}{part}\n")
