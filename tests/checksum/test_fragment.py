"""A fragment of a definition, read by the loader, is the checksum that it was made of."""

from __future__ import annotations

from typing import Any

import attrs
from checksum_schemes import schemes
from hypothesis import given

from caldiff.checksum.fragment import fragment
from caldiff.crc import catalogue
from caldiff.definition.catalogue import definition_from_text
from caldiff.definition.checksums import BlockList, Checksum, Coverage, Opaque, Span, StoredField
from caldiff.definition.definition import Definition
from caldiff.definition.model import TYPES, Region, StoredCount

CAL = Region(name="cal", start=0x100, size=0x100, role="calibration")
HEAD = """\
definition: 1
name: d
image: {start: 0, size: 16 MiB, byte_order: little}
regions: [{name: cal, at: 0x100, size: 0x100, role: calibration}]
"""


def read(*checksums: Checksum) -> Definition:
    return definition_from_text(HEAD + fragment([(c, "a word\nand another") for c in checksums], [CAL]))


def plain(checksum: Checksum) -> Checksum:
    """The checksum with what has no meaning as the loader has it: one byte has no byte order, holes no order."""

    def ordered(part: Any) -> Any:
        word = getattr(part, "word", None)
        size = word.size if word else getattr(part, "bits", 0) // 16 if hasattr(part, "bits") else 2
        return attrs.evolve(part, byte_order="big") if size == 1 else part

    method = ordered(checksum.method) if hasattr(checksum.method, "byte_order") else checksum.method
    fields = tuple(attrs.evolve(f, byte_order="big") if f.size == 1 else f for f in checksum.fields)
    return attrs.evolve(checksum, method=method, fields=fields)


@given(schemes())
def test_what_is_printed_is_what_is_meant(checksums: list[Checksum]) -> None:
    found = read(*checksums).checksums
    assert {name: plain(c) for name, c in found.items()} == {c.name: plain(c) for c in checksums}


def test_regions_are_named() -> None:
    field = StoredField(at=0x300, size=4, byte_order="big")
    coverage = Coverage(spans=(Span(start=0x100, stop=0x200), Span(start=0, stop=0x10)))
    checksum = Checksum(name="c", method=catalogue()["CRC-32/ISO-HDLC"], coverage=coverage, fields=(field,))
    assert fragment([(checksum, "for sure")], [CAL]) == (
        "checksums:\n"
        "  # for sure\n"
        "  - name: c\n"
        "    over: [cal, {at: 0x00000000, size: 0x10}]\n"
        "    crc: CRC-32/ISO-HDLC\n"
        "    stored: {at: 0x00000300, type: u32, byte_order: big}\n"
    )


def test_everything_else() -> None:
    counted = StoredCount(at=0x10, type=TYPES["u16"], byte_order="big")
    lists = [
        BlockList(at=0x20, type=TYPES["u32"], byte_order="big", count=counted, last=False, most=7),
        BlockList(at=0x20, type=TYPES["u32"], byte_order="little", count=3),
        BlockList(at=0x20, type=TYPES["u16"], byte_order="little", terminator=0xFFFF),
    ]
    checksums = [
        Checksum(
            name=f"c{n}",
            title='said "so": #1',
            method=Opaque(what="a: seal, {x}"),
            coverage=Coverage(
                spans=(Span(start=4, stop=8),), skip=(Span(start=5, stop=6),), own="stored", blocks=blocks
            ),
            fields=(StoredField(at=0x300 + 16 * n, size=3, byte_order="big", inverted=True),),
        )
        for n, blocks in enumerate(lists)
    ]
    assert list(read(*checksums).checksums.values()) == checksums
