"""What the records of a file tell about how it was written: shapes and notes, the same for both ways of reading."""

from __future__ import annotations

from array import array

import attrs
import numpy as np
import numpy.typing as npt

from caldiff.image.model import RecordShape
from caldiff.image.text import Notes, Spelling, Text

__all__ = ["Counts", "DataRecords", "HexFacts", "Integers", "SrecFacts", "hex_shape", "srec_shape"]

Integers = npt.NDArray[np.int64]
Counts = npt.NDArray[np.uint16]
"""bytes of records; narrow, for there is one to each record of the whole file"""

_BANK = 0x10000


def _integers(numbers: Integers | Counts | array[int]) -> Integers | Counts:
    return np.frombuffer(numbers, dtype=np.int64) if isinstance(numbers, array) else numbers


@attrs.frozen(kw_only=True, eq=False)
class DataRecords:
    """Address and number of bytes of every data record, in order of line, and how the text is spelled."""

    starts: Integers | Counts = attrs.field(converter=_integers)
    counts: Integers | Counts = attrs.field(converter=_integers)
    spelling: Spelling


@attrs.define(kw_only=True, eq=False)
class HexFacts:
    """What was met in an Intel HEX file, besides the bytes.

    Attributes:
        segment_bases, linear_bases: how many records of types 02 and 04.
        leading: an extended-address record for address 0 stands before all data.
    """

    segment_bases: int = 0
    linear_bases: int = 0
    leading: bool = False
    entry: int | None = None
    segmented_entry: int | None = None
    entry_at_end: bool = False

    def base(self, address: int, *, linear: bool, first: bool) -> None:
        """Take note of a record that sets the base address; ``first``: before any other, and before all data."""
        self.leading = self.leading or (first and address == 0)
        self.linear_bases += linear
        self.segment_bases += not linear


@attrs.define(kw_only=True, eq=False)
class SrecFacts:
    """What was met in an S-record file, besides the bytes.

    Attributes:
        forms: the address bits of the data records met; ``end_bits`` those of the end record.
        crossing: a data record ran over the end of its address form.
    """

    forms: set[int] = attrs.field(factory=set)
    header: bytes | None = None
    count: bool = False
    entry: int | None = None
    end_bits: int | None = None
    crossing: bool = False


def hex_shape(facts: HexFacts, data: DataRecords, text: Text, notes: Notes) -> RecordShape:
    """The shape of an Intel HEX file that has data; what is unusual about it is noted."""
    text.remark(notes, data.spelling)
    starts, counts = data.starts, data.counts
    crossing = bool(((starts & (_BANK - 1)) + counts > _BANK).any())
    mixed = bool(facts.segment_bases and facts.linear_bases)
    if mixed:
        notes.add("extended addresses of type 02 and of type 04 are mixed")
    return RecordShape(
        length=int(counts.max()),
        address_bits=32 if facts.linear_bases else 20 if facts.segment_bases else 16,
        newline=text.newline,
        upper=data.spelling.capital,
        entry=facts.entry,
        segmented_entry=facts.segmented_entry,
        eof=text.eof,
        entry_at_end=facts.entry_at_end,
        leading=facts.leading,
        crossing=crossing,
        block=_block(starts, counts, 1 if crossing else _BANK),
        segmented=mixed,
    )


def srec_shape(facts: SrecFacts, data: DataRecords, text: Text, notes: Notes) -> RecordShape:
    """The shape of an S-record file that has data; what is unusual about it is noted."""
    text.remark(notes, data.spelling)
    if facts.header is None:
        notes.add("no header record (S0)")
    if facts.end_bits is None:
        notes.add("no end record (S7, S8 or S9): the count record shows that the file is whole")
    starts, counts = data.starts, data.counts
    if len(facts.forms) > 1:
        notes.add("data records with addresses of different width are mixed")
    narrow = len(facts.forms) > 1 or (facts.end_bits or 32) < min(facts.forms)
    return RecordShape(
        length=int(counts.max()),
        address_bits=min(facts.forms | {facts.end_bits or 32}) if narrow else min(facts.forms),
        newline=text.newline,
        upper=data.spelling.capital,
        header=facts.header,
        count=facts.count,
        entry=facts.entry,
        eof=text.eof,
        end=facts.end_bits is not None,
        crossing=facts.crossing,
        block=_block(starts, counts, 1),
        narrow=narrow,
    )


def _block(starts: Integers | Counts, counts: Integers | Counts, usual: int) -> int | None:
    """The number of bytes at whose multiples records are cut short; None where they are not, or follow no such rule.

    Records cut short at multiples of ``usual`` are not counted in.
    """
    stops = starts + counts
    cut = stops[:-1][(counts[:-1] < counts.max()) & (starts[1:] == stops[:-1])]
    cut = cut[cut % usual != 0] if usual > 1 else cut
    if not len(cut):
        return None
    block = int(np.gcd.reduce(cut))
    regular = block >= counts.max() and (starts // block == (stops - 1) // block).all()
    return block if regular else None
