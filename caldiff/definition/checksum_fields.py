"""What may stand in an entry of ``checksums``. See :mod:`caldiff.definition.fields`."""

from __future__ import annotations

import attrs

from caldiff.definition.basics import ADDRESS, BYTE_ORDER, SHORT, SIZE
from caldiff.definition.kinds import (
    ADDRESSES,
    BOOL,
    NAME,
    UNSIGNED,
    Kind,
    choice,
    either,
    integer,
    listing,
    text,
    whole,
)
from caldiff.definition.sections import Field, Section

__all__ = [
    "BLOCKS",
    "BLOCK_COUNT",
    "CHECKSUM",
    "CHECKSUM_METHODS",
    "CHECKSUM_SECTIONS",
    "CRC",
    "FLETCHER",
    "RANGE",
    "STORED_VALUE",
    "SUM",
    "XOR",
]

_VALUE = integer("a value", 0, ADDRESSES - 1)
_BITS = integer("a number of bits", 1, 64)
_WORDS = choice("u8", "u16", "u32")
_ORDER_DOC = "Byte order, where it differs from the image's."

RANGE = Section(
    name="range",
    what="a range",
    doc="Addresses from one on.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Address of the first byte.", needed="always"),
        Field(key="size", kind=SIZE, doc="Size of the range.", needed="always"),
    ),
)
_RANGES = listing(
    either(attrs.evolve(NAME, what="the name of a region"), RANGE.kind), "a list of regions and ranges", least=1
)

BLOCK_COUNT = Section(
    name="block_count",
    what="a stored count",
    doc="The number of blocks, stored in the image.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Where it stands.", needed="always"),
        Field(key="type", kind=UNSIGNED, doc="Its type.", needed="always"),
        Field(key="byte_order", kind=BYTE_ORDER, doc=_ORDER_DOC),
    ),
)

BLOCKS = Section(
    name="blocks",
    what="a block list",
    doc="A table of start and end addresses in the image that says what is covered. Either count or until.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Address of the first pair.", needed="placed"),
        Field(key="type", kind=UNSIGNED, doc="Type of an address in it.", needed="placed"),
        Field(key="byte_order", kind=BYTE_ORDER, doc=_ORDER_DOC),
        Field(
            key="count",
            kind=either(integer("a number of blocks", 1, 4096), BLOCK_COUNT.kind),
            doc="How many blocks, or where their number is stored.",
        ),
        Field(key="until", kind=_VALUE, doc="The start address that ends the list."),
        Field(key="last", kind=BOOL, doc="An end is the last address covered; if false, the one after it."),
        Field(
            key="most",
            kind=integer("a number of blocks", 1, 4096),
            doc="More blocks than that are an error; 256 if left out.",
        ),
    ),
)

CRC = Section(
    name="crc",
    what="a CRC",
    doc="A CRC by its parameters, as the public catalogue of parametrised CRC algorithms has them.",
    fields=(
        Field(key="width", kind=_BITS, doc="Bits, 3 to 64.", needed="placed"),
        Field(key="polynomial", kind=_VALUE, doc="Without its highest term, not reversed.", needed="placed"),
        Field(key="start", kind=_VALUE, doc="What the register starts at, not reflected; 0 if left out."),
        Field(key="reflect_in", kind=BOOL, doc="The lowest bit of a byte goes in first; false if left out."),
        Field(key="reflect_out", kind=BOOL, doc="The register is reflected at the end; false if left out."),
        Field(key="final_xor", kind=_VALUE, doc="Combined with the result by exclusive or; 0 if left out."),
    ),
)

SUM = Section(
    name="sum",
    what="a sum",
    doc="Words added up, modulo two to the number of bits.",
    fields=(
        Field(key="words", kind=_WORDS, doc="Type of a word.", needed="placed"),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Of a word, where it differs from the image's."),
        Field(key="bits", kind=_BITS, doc="Bits of the sum, 8 to 64; those of a word if left out."),
        Field(key="start", kind=_VALUE, doc="What it starts at; 0 if left out."),
        Field(key="complement", kind=choice("none", "ones", "twos"), doc="Of the result; none if left out."),
    ),
)

XOR = Section(
    name="xor",
    what="an exclusive or",
    doc="Words combined by exclusive or.",
    fields=(
        Field(key="words", kind=_WORDS, doc="Type of a word.", needed="placed"),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Of a word, where it differs from the image's."),
        Field(key="start", kind=_VALUE, doc="What it starts at; 0 if left out."),
    ),
)

FLETCHER = Section(
    name="fletcher",
    what="a Fletcher checksum",
    doc="Fletcher-16 over bytes, or Fletcher-32 over 16-bit words.",
    fields=(
        Field(key="bits", kind=integer("16 or 32", 16, 32), doc="16 or 32.", needed="placed"),
        Field(key="byte_order", kind=BYTE_ORDER, doc="Of a 16-bit word, where it differs from the image's."),
    ),
)

STORED_VALUE = Section(
    name="stored_value",
    what="a stored value",
    doc="Where a value rests. Either type or size.",
    fields=(
        Field(key="at", kind=ADDRESS, doc="Address of the first byte.", needed="placed"),
        Field(key="type", kind=UNSIGNED, doc="Its type."),
        Field(key="size", kind=integer("a number of bytes", 1, 4096), doc="Its bytes, where no type has so many."),
        Field(key="byte_order", kind=BYTE_ORDER, doc=_ORDER_DOC),
        Field(key="inverted", kind=BOOL, doc="All its bits are turned over there."),
    ),
)

CHECKSUM_METHODS = ("crc", "sum", "xor", "fletcher", "digest", "opaque")


_FIELDS = listing(STORED_VALUE.kind, "a list of stored values", least=1, most=64)
_BYTE = integer("a byte", 0, 255)
_OWN = choice("skip", "stored", "erased", what="skip, stored, erased or a byte")


def _read_stored(value: object) -> object:
    return _FIELDS.read(value) if isinstance(value, list) else STORED_VALUE.read(value)


def _read_own(value: object) -> object:
    return _BYTE.read(value) if whole(value) is not None else _OWN.read(value)


CHECKSUM = Section(
    name="checksum",
    what="a checksum",
    doc="What it covers, how it is reckoned (one of crc, sum, xor, fletcher, digest, opaque) and where it rests.",
    fields=(
        Field(key="name", kind=NAME, doc="The checksum's name.", needed="always"),
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="over", kind=_RANGES, doc="The regions and ranges that it covers, in order."),
        Field(key="skip", kind=_RANGES, doc="Regions and ranges that are passed over."),
        Field(key="blocks", kind=BLOCKS.kind, doc="Ranges that a list in the image names, after those of over."),
        Field(
            key="own",
            kind=Kind(what=_OWN.what, read=_read_own, schema={"anyOf": [_BYTE.schema, _OWN.schema]}),
            doc="How its own stored bytes count where they are covered: passed over (skip, the default), as they are "
            "stored, as erased memory, or as a byte.",
        ),
        Field(
            key="crc",
            kind=either(text("the name of a CRC", longest=100, empty=False), CRC.kind),
            doc="A CRC by its name in the public catalogue of parametrised CRC algorithms, or by its parameters.",
        ),
        Field(key="sum", kind=SUM.kind, doc="A sum of words."),
        Field(key="xor", kind=XOR.kind, doc="An exclusive or of words."),
        Field(key="fletcher", kind=FLETCHER.kind, doc="A Fletcher checksum."),
        Field(
            key="digest",
            kind=choice("adler-32", "md5", "sha-1", "sha-256"),
            doc="Adler-32 or a message digest, whose leading bytes a shorter field holds.",
        ),
        Field(
            key="opaque",
            kind=text("text", longest=1000, empty=False),
            doc="Something that cannot be reckoned here, in words.",
        ),
        Field(
            key="constant",
            kind=_VALUE,
            doc="What comes out over everything covered, the stored value included, which is chosen for it.",
        ),
        Field(
            key="stored",
            kind=Kind(
                what="a stored value, or a list of them",
                read=_read_stored,
                schema={"anyOf": [STORED_VALUE.kind.schema, _FIELDS.schema]},
            ),
            doc="Where it rests, perhaps in several places.",
            needed="placed",
        ),
    ),
)

CHECKSUM_SECTIONS = (RANGE, BLOCK_COUNT, BLOCKS, CRC, SUM, XOR, FLETCHER, STORED_VALUE, CHECKSUM)
