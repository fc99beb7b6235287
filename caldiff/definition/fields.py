"""What may stand in a definition: every section, its keys, their kinds and what they mean.

The one description from which the loader checks and the JSON Schema for editors is made.
"""

from __future__ import annotations

import attrs

from caldiff.definition.basics import ADDRESS, BYTE_ORDER, SHORT, SIZE
from caldiff.definition.checksum_fields import CHECKSUM, CHECKSUM_SECTIONS
from caldiff.definition.kinds import (
    BOOL,
    NAME,
    NUMBER,
    TEXT,
    TYPE,
    UNSIGNED,
    Kind,
    choice,
    either,
    integer,
    listing,
    mapping,
    text,
)
from caldiff.definition.problems import Wrong, seen
from caldiff.definition.purpose_fields import CODES, CORRECTS
from caldiff.definition.scaling_fields import DECIMALS, LIMITS, MASK, SCALING, SCALING_OR_NAME, SCALING_SECTIONS, UNIT
from caldiff.definition.sections import Field, Section

__all__ = [
    "AXIS",
    "COUNT",
    "DEFINITION",
    "FIT",
    "IDENTITY",
    "IMAGE",
    "MOST_CELLS",
    "MOST_POINTS",
    "REGION",
    "REMOVE",
    "SECTIONS",
    "STORED",
    "TABLE",
]

MOST_CELLS = 1 << 24
"""in one table: more is a slip of the pen, and would cost memory before anybody saw it"""
MOST_POINTS = 1 << 20
"""breakpoints of all fixed axes together, which the normal form lists one by one"""

STRIDE = integer("a number of bytes", -(1 << 32), 1 << 32)
ROOM = integer("a count", 1, MOST_CELLS)
WORDS = listing(NAME, "a list of names")


def _one_or_more(kind: Kind, what: str) -> Kind:
    return either(kind, listing(kind, what, least=1), many=list)


IMAGE = Section(
    name="image",
    what="an image frame",
    doc="The frame of the images that the definition reads. Without it the definition is a family.",
    fields=(
        Field(key="start", kind=ADDRESS, doc="Address of the first byte.", needed="placed"),
        Field(key="size", kind=SIZE, doc="Size of the image.", needed="placed"),
        Field(
            key="byte_order",
            kind=BYTE_ORDER,
            doc="Byte order of everything that does not say otherwise.",
            needed="placed",
        ),
        Field(key="erased", kind=integer("a byte", 0, 255), doc="What erased memory reads as; 0xFF if left out."),
    ),
)

FIT = Section(
    name="fit",
    what="a condition",
    doc="A condition that an image must meet, else it is refused: text or bytes at an address.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Where the pattern stands.", needed="always"),
        Field(
            key="text",
            kind=_one_or_more(text("text", longest=4096, empty=False), "a list of texts"),
            doc="Text; ? is any character. A list gives alternatives.",
        ),
        Field(
            key="bytes",
            kind=_one_or_more(
                text('bytes, such as "48 1F ?? 0?"', longest=16384, empty=False), "a list of bytes in text"
            ),
            doc="Bytes in hexadecimal; ?? is any byte, ?F or F? any half. A list gives alternatives.",
        ),
    ),
)


def _read_fit(value: object) -> dict[str, object]:
    found = FIT.read(value)
    if ("text" in found) == ("bytes" in found):
        raise Wrong("a condition has text or bytes, one of them", got="both" if "text" in found else "none")
    return found


IDENTITY = Section(
    name="identity_field",
    what="an identity field",
    doc="A field that says which unit, software or vehicle this is. Exactly one of text, number and bcd.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Address of the first byte.", needed="placed"),
        Field(key="text", kind=integer("a number of characters", 1, 4096), doc="Text of so many characters."),
        Field(key="number", kind=UNSIGNED, doc="An unsigned number of that type."),
        Field(key="bcd", kind=integer("a number of bytes", 1, 64), doc="So many bytes of two decimal digits each."),
        Field(
            key="byte_order", kind=BYTE_ORDER, doc="Byte order of a number or bcd, where it differs from the image's."
        ),
        Field(key="personal", kind=BOOL, doc="It identifies somebody: shortened in what is shown. A VIN always does."),
        Field(
            key="means",
            kind=choice("calibration-id", "software-version", "hardware-number", "cvn", "vin"),
            doc="What it says, where anything follows from that; cvn is a calibration verification number.",
        ),
        Field(key="checksum", kind=NAME, doc="Of a cvn: the checksum that it must equal."),
        Field(
            key="check_digit",
            kind=BOOL,
            doc="Of a VIN: whether its ninth character is a check digit. Left out, its first characters tell.",
        ),
        Field(key="title", kind=SHORT, doc="What people call it."),
    ),
)

REGION = Section(
    name="region",
    what="a region",
    doc="An address range with a role.",
    fields=(
        Field(key="name", kind=NAME, doc="The region's name.", needed="always"),
        Field(key="at", kind=ADDRESS, doc="Address of the first byte.", needed="placed"),
        Field(key="size", kind=SIZE, doc="Size of the region.", needed="placed"),
        Field(
            key="role",
            kind=choice("code", "calibration", "volatile", "identity", "checksum"),
            doc="What lives there; the controller itself writes to a volatile region.",
            needed="placed",
        ),
    ),
)


COUNT = Section(
    name="stored_count",
    what="a stored count",
    doc="The number of breakpoints in use, stored in the image.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Where it stands; left out, it is part of the table's record."),
        Field(key="type", kind=UNSIGNED, doc="Its type.", needed="placed"),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Its byte order, where it differs from the image's."),
        Field(key="most", kind=ROOM, doc="How many breakpoints there is room for.", needed="placed"),
    ),
)

STORED = ("at", "type", "byte_order", "stride", "mask", "scaling")
"""keys of an axis that only one in the image has"""
AXIS = Section(
    name="axis",
    what="an axis",
    doc="Breakpoints: stored (at, type, count), fixed (start, step, count) or listed (list).",
    fields=(
        Field(
            key="at",
            kind=ADDRESS,
            doc="Address of the first breakpoint; left out in a table, it is part of the record.",
        ),
        Field(key="type", kind=TYPE, doc="Type of a stored breakpoint."),
        Field(key="count", kind=either(ROOM, COUNT.kind), doc="How many breakpoints, or where their number is stored."),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Byte order, where it differs from the image's."),
        Field(key="stride", kind=STRIDE, doc="Bytes from one breakpoint to the next; the type's size if left out."),
        Field(key="mask", kind=MASK, doc="The bits of the word that are the breakpoint."),
        Field(key="scaling", kind=SCALING_OR_NAME, doc="Raw <-> physical, by name or written in place."),
        Field(key="start", kind=NUMBER, doc="The first breakpoint of a fixed axis."),
        Field(key="step", kind=NUMBER, doc="From one breakpoint of a fixed axis to the next; above 0."),
        Field(
            key="list",
            kind=listing(NUMBER, "a list of numbers", least=1),
            doc="The breakpoints of a listed axis, strictly rising.",
        ),
        Field(key="unit", kind=UNIT, doc="The physical unit of a fixed or listed axis."),
        Field(key="decimals", kind=DECIMALS, doc="Digits shown of a fixed or listed axis."),
        Field(key="quantity", kind=NAME, doc="What it stands for, such as engine_speed; ties logs to it."),
        Field(key="title", kind=SHORT, doc="What people call it."),
    ),
)
AXIS_OR_NAME = either(attrs.evolve(NAME, what="the name of an axis"), AXIS.kind)

PARTS = ("x.count", "y.count", "z.count", "x", "y", "z", "values")
TABLE = Section(
    name="table",
    what="a table",
    doc="A value, curve (x), map (x, y), cuboid (x, y, z), block (shape) or text (text).",
    fields=(
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="description", kind=TEXT, doc="What it does."),
        Field(key="group", kind=SHORT, doc="What it belongs to."),
        Field(key="at", kind=ADDRESS, doc="Address of the first cell, or of the record.", needed="placed"),
        Field(key="type", kind=TYPE, doc="Type of a cell."),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Byte order of the cells, where it differs from the image's."),
        Field(key="x", kind=AXIS_OR_NAME, doc="The axis of the columns."),
        Field(key="y", kind=AXIS_OR_NAME, doc="The axis of the rows."),
        Field(key="z", kind=AXIS_OR_NAME, doc="The axis of the layers."),
        Field(
            key="shape",
            kind=either(ROOM, listing(ROOM, "[rows, columns]", least=1, most=3), many=list),
            doc="Cells of a block without axes, per dimension, the slowest first.",
        ),
        Field(key="text", kind=integer("a number of characters", 1, 1 << 16), doc="A text of so many characters."),
        Field(key="encoding", kind=choice("ascii", "latin-1"), doc="Of a text; ascii if left out."),
        Field(key="scaling", kind=SCALING_OR_NAME, doc="Raw <-> physical, by name or written in place."),
        Field(key="limits", kind=LIMITS, doc="Physical limits, both included; else those of the scaling."),
        Field(key="mask", kind=MASK, doc="The bits of the word that are the cell."),
        Field(
            key="order",
            kind=choice("row", "column"),
            doc="Which index runs fastest; row (the column index) if left out.",
        ),
        Field(key="stride", kind=STRIDE, doc="Bytes from a cell to the next in the fastest direction."),
        Field(
            key="row_stride",
            kind=STRIDE,
            doc="Bytes from a row to the next (with order: column, from a column to the next).",
        ),
        Field(key="layer_stride", kind=STRIDE, doc="Bytes from a layer to the next."),
        Field(
            key="record",
            kind=listing(choice(*PARTS), "a list of parts", least=1, most=7),
            doc="Order of the parts of a record.",
        ),
        Field(
            key="room",
            kind=choice("most", "stored"),
            doc="Whether parts stand where the full room puts them, or follow closely.",
        ),
        Field(
            key="align",
            kind=integer("a number of bytes", 1, 4096),
            doc="Each part starts at a multiple of it from the record's start.",
        ),
        Field(
            key="tags",
            kind=WORDS,
            doc="Such as emissions, torque-monitoring, over-temperature, speed-limit, immobiliser.",
        ),
        Field(key="aliases", kind=WORDS, doc="Other names that it is found by."),
        Field(key="corrects", kind=CORRECTS.kind, doc=CORRECTS.doc),
        Field(key="codes", kind=CODES, doc="Trouble codes that its flags, or its cells that are not 0, switch on."),
    ),
)

NAMED = {
    "identity": IDENTITY,
    "scalings": SCALING,
    "axes": AXIS,
    "tables": TABLE,
    "regions": REGION,
    "checksums": CHECKSUM,
}
"""the sections whose entries have names, in the order in which they are worked out"""

REMOVE = Section(
    name="remove",
    what="what to remove",
    doc="Inherited entries that are taken away.",
    fields=tuple(Field(key=name, kind=WORDS, doc=f"Inherited {name}.") for name in NAMED),
)


def _read_version(value: object) -> int:
    if value != 1 or type(value) is not int:
        raise Wrong("the format version is not known", expected="1", got=seen(value))
    return 1


_ENTRIES = {
    "identity": mapping(NAME, IDENTITY.kind, "a mapping from names to identity fields"),
    "regions": listing(REGION.kind, "a list of regions"),
    "scalings": mapping(NAME, SCALING.kind, "a mapping from names to scalings"),
    "axes": mapping(NAME, AXIS.kind, "a mapping from names to axes"),
    "tables": mapping(NAME, TABLE.kind, "a mapping from names to tables"),
    "checksums": listing(CHECKSUM.kind, "a list of checksums"),
}

DEFINITION = Section(
    name="definition",
    what="a definition",
    doc="How to read a calibration image: addresses, axes, scalings, identity, checksums.",
    fields=(
        Field(
            key="definition",
            kind=Kind(what="the format version, 1", read=_read_version, schema={"const": 1}),
            doc="The format version, 1.",
            needed="always",
        ),
        Field(key="name", kind=NAME, doc="The definition's name; its file is called after it.", needed="always"),
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="description", kind=TEXT, doc="Where it comes from, what it is good for."),
        Field(
            key="extends",
            kind=attrs.evolve(NAME, what="the name of a definition"),
            doc="The definition that this one is laid over.",
        ),
        Field(key="image", kind=IMAGE.kind, doc=IMAGE.doc),
        Field(
            key="fits",
            kind=listing(attrs.evolve(FIT.kind, read=_read_fit), "a list of conditions"),
            doc="What an image must hold, else it is refused.",
        ),
        Field(key="identity", kind=_ENTRIES["identity"], doc="Which unit, software and vehicle it is."),
        Field(key="regions", kind=_ENTRIES["regions"], doc="Address ranges with a role."),
        Field(key="scalings", kind=_ENTRIES["scalings"], doc="Conversions that axes and tables name."),
        Field(key="axes", kind=_ENTRIES["axes"], doc="Axes that tables share."),
        Field(key="tables", kind=_ENTRIES["tables"], doc="The tables."),
        Field(key="checksums", kind=_ENTRIES["checksums"], doc="What they cover and where they rest."),
        Field(key="remove", kind=REMOVE.kind, doc="Inherited entries that are taken away."),
    ),
)

SECTIONS = (
    IMAGE,
    FIT,
    IDENTITY,
    REGION,
    *SCALING_SECTIONS,
    COUNT,
    AXIS,
    TABLE,
    CORRECTS,
    *CHECKSUM_SECTIONS,
    REMOVE,
)
"""all but the definition itself"""
