"""Which trouble codes a comparison switches, by flags and by cells, with definitions written for it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from caldiff.definition.catalogue import definition_from_text
from caldiff.diff.codes import Switched, listed_codes, switched_codes
from caldiff.diff.compare import compare
from caldiff.image.model import Image
from caldiff.table.calibration import Calibration

TEXT = """
definition: 1
name: switching
image: {start: 0, size: 16, byte_order: big}
tables:
  flags: {at: 0, type: u8, scaling: {bits: {cat: 0, fuel: 1, trim: 2}},
          codes: {cat: P0420, fuel: [P0171, P0172], trim: P0171}}
  banks: {at: 2, type: u8, shape: 2, scaling: {bits: {on: 7}}, codes: {on: P0133}}
  cells: {at: 4, type: u8, shape: 3, codes: [P0300, [P0301, P0302-11], P0303]}
"""
DEFINITION = definition_from_text(TEXT)
Told = list[tuple[str, str, tuple[str, ...]]]


def side(data: bytes, text: str = TEXT) -> Calibration:
    definition = DEFINITION if text is TEXT else definition_from_text(text)
    return Calibration(label="made", image=Image.of(data.ljust(16, b"\0")), definition=definition)


def told(before: Calibration, after: Calibration) -> Told:
    return [(s.code, s.state, s.flags) for s in switched_codes(compare(before, after))]


def test_flags() -> None:
    assert told(side(b"\x07"), side(b"\x06")) == [("P0420", "off", ("cat",))]
    assert told(side(b"\x00"), side(b"\x01")) == [("P0420", "on", ("cat",))]
    assert told(side(b"\x01"), side(b"\x01\x09")) == []
    # a code with two flags: one of them is enough to be told of
    assert told(side(b"\x06"), side(b"\x04")) == [("P0171", "off", ("fuel",)), ("P0172", "off", ("fuel",))]
    assert told(side(b"\x02"), side(b"\x04")) == [
        ("P0171", "off", ("fuel",)),
        ("P0171", "on", ("trim",)),
        ("P0172", "off", ("fuel",)),
    ]


def test_a_flag_in_one_of_several_cells() -> None:
    both, one = b"\0\0\xff\xff", b"\0\0\xff\x7f"
    assert told(side(both), side(one)) == [("P0133", "off", ("on of cell 1",))]


def test_cells() -> None:
    on, less = b"\0\0\0\0\1\1\1", b"\0\0\0\0\1\0\2"
    assert told(side(on), side(less)) == [("P0301", "off", ("1",)), ("P0302-11", "off", ("1",))]


def test_where_it_is() -> None:
    (found,) = switched_codes(compare(side(b"\x01"), side(b"\x00")))
    assert found == Switched(code="P0420", state="off", table="flags", flags=("cat",), address=0)


def test_a_table_that_is_not_there_may_have_switched_its_codes_off() -> None:
    full, cut = side(b"\x01\0\0\0\1\1\1"), Image.of(b"\x01\0\0\0")
    gone = Calibration(label="cut", image=cut, definition=DEFINITION)
    codes = ["P0300", "P0301", "P0302-11", "P0303"]
    assert told(full, gone) == [(code, "unknown", ()) for code in codes]
    assert told(gone, full) == []  # on in the second image, whatever was before
    assert told(gone, side(b"\x01")) == [(code, "unknown", ()) for code in codes]  # off now, perhaps it was on


def test_between_definitions_codes_are_compared_by_code() -> None:
    moved = TEXT.replace("{at: 0,", "{at: 8,").replace("name: switching", "name: other").replace("cat", "kat")
    assert told(side(b"\x01"), side(b"\0" * 8 + b"\x01", moved)) == []
    assert told(side(b"\x01"), side(b"\0" * 8 + b"\x02", moved))[-1] == ("P0420", "off", ("kat",))
    unlisted = moved.replace("kat: P0420, ", "")
    assert ("P0420", "unknown", ()) in told(side(b"\x01"), side(b"\0" * 8 + b"\x02", unlisted))


def test_codes_listed() -> None:
    assert listed_codes(DEFINITION.tables.values()) == {
        *("P0420", "P0171", "P0172", "P0133", "P0300", "P0301", "P0302-11", "P0303")
    }


@given(st.binary(min_size=7, max_size=7), st.binary(min_size=7, max_size=7))
def test_there_and_back(first: bytes, second: bytes) -> None:
    """What one way switches off, the other way switches on, and nothing else."""
    swap = {"off": "on", "on": "off"}
    there, back = told(side(first), side(second)), told(side(second), side(first))
    assert sorted(there) == sorted((code, swap[state], flags) for code, state, flags in back)
    low = {code for code, state, _ in there if state == "off"}
    if first[0] & 1 and not second[0] & 1:
        assert "P0420" in low
    assert ("P0300" in low) == (first[4] != 0 and second[4] == 0)
